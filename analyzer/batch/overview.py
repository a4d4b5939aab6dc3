"""The page of a batch: gathered from the summaries of its runs, so that what was finished earlier stands on it too."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from analyzer.batch.store import FailedDrive
from analyzer.errors import OutputError
from analyzer.report.batch_page import Again, Loss, Overview, render_batch
from analyzer.verdict.elsewhere import lies_beside

PAGE = "runs.html"


def write_overview(folder: Path, rows: Iterable[Mapping[str, Any]], failed: Sequence[FailedDrive], notes: Sequence[str]) -> None:
    """Write the page of all runs in a folder of results whole or not at all.

    Parameters
    ----------
    rows : of runs.parquet, of all runs in the folder.
    failed, notes : of this batch: drives without a result, and sentences on what was left out.

    Raises
    ------
    OutputError : it cannot be written.
    """
    path = folder / PAGE
    beside = path.with_name(f".{PAGE}.building")
    try:
        beside.write_text(render_batch(overview_of(folder, rows, failed, notes)), encoding="utf-8", newline="\n")
        beside.replace(path)
    except OSError as error:
        raise OutputError(f"{path}: {error.strerror or error}; the runs themselves are finished, close what holds the page open and start again.") from error


def overview_of(folder: Path, rows: Iterable[Mapping[str, Any]], failed: Sequence[FailedDrive] = (), notes: Sequence[str] = ()) -> Overview:
    """Return what the page says; runs whose summary cannot be read count by their row alone."""
    runs = tuple(sorted(rows, key=lambda r: (str(r["start_utc"]), str(r["run"]))))
    again: list[Again] = []
    elsewhere: list[str] = []
    dropouts: list[tuple[str, Mapping[str, Any]]] = []
    for row in runs:
        summary = _summary(folder / str(row["folder"]) / "summary.json")
        again += [Again(str(row["run"]), str(row["folder"]), w) for w in summary.get("windows", ()) if w["repeat"]]
        elsewhere += [f"{w['name']} of {row['run']}" for w in summary.get("windows", ()) if lies_beside(w["reason"])]
        dropouts += [(str(row["run"]), d) for d in summary.get("dropouts", ())]
    return Overview(folder.name, runs, tuple(sorted(again, key=lambda a: str(a.window["start_utc"]))), _losses(dropouts),
                    tuple((f.name, f.sentence) for f in failed), tuple(notes), tuple(elsewhere))


def _losses(dropouts: Iterable[tuple[str, Mapping[str, Any]]]) -> tuple[Loss, ...]:
    """Return what each cause cost, the dearest first; of several pieces of advice the one that is given most often."""
    by_cause: dict[str, list[tuple[str, Mapping[str, Any]]]] = defaultdict(list)
    for run, dropout in dropouts:
        by_cause[str(dropout["cause"])].append((run, dropout))
    losses = (
        Loss(cause, len(own), sum(float(d["duration_s"]) for _, d in own), tuple(dict.fromkeys(run for run, _ in own)),
             Counter(str(d["advice"]) for _, d in own).most_common(1)[0][0])
        for cause, own in by_cause.items()
    )
    return tuple(sorted(losses, key=lambda x: (-x.seconds, x.cause)))


def _summary(path: Path) -> Mapping[str, Any]:
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}
