"""Put the parts of a comparison together: tables of runs and offsets, and the answer in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.comparing.cautions import findings
from analyzer.comparing.changes import QUANTITIES, RunSample
from analyzer.comparing.frame_verdict import LEVELS, Answer
from analyzer.comparing.mark_precision import repeat_precision
from analyzer.comparing.offsets import offset_table
from analyzer.comparing.result import Comparison
from analyzer.comparing.runs import Run
from analyzer.comparing.setups import Frames
from analyzer.recording import Finding
from analyzer.settings import thresholds
from analyzer.wording import few

if TYPE_CHECKING:
    from analyzer.comparing.walks import Gathered

Array = NDArray[np.float64]
#: Runs that a sentence names; the table of runs has all.
MOST_NAMED = 12
#: Findings beside problems that the answer needs to be understood.
_SAID = ("recording_left_out", "one_recording", "stands_brought_to_one_point", "purposes_differ", "rules_differ", "stations_differ",
         "stated_antenna_offsets_differ", "run_stands_out")


def comparison(
    *,
    runs: Sequence[Run],
    found: Frames,
    told: Sequence[Answer],
    level: str,
    reference: int,
    aligned_to: str | None,
    applied: Array,
    stands: pd.DataFrame,
    gathered: Gathered,
    beside: tuple[Finding, ...] = (),
) -> Comparison:
    """Return the whole comparison; `beside` is what else a reader must know of recordings and stands."""
    notes = (*beside, *findings(runs, found, gathered))
    route = _route_words(runs, gathered)
    name = runs[reference].name if aligned_to else None
    mark = {"aligned_to": name or ""}
    labels = [r.name for r in runs]
    return Comparison(
        level=level,
        sentences=_sentences(runs, told, _head(level, found), name, applied, notes),
        reference=runs[reference].name,
        aligned_to=name,
        runs=run_table(runs, found=found, told=told, applied=applied, gathered=gathered),
        offsets=offset_table(runs, found, told).assign(**mark),
        cells=gathered.cells,
        passes=_named(gathered.passes, labels).assign(**mark),
        spots=gathered.spots.assign(**mark),
        spot_passes=_named(gathered.spot_passes, labels),
        disagreements=_named(gathered.disagreements, labels),
        changes=gathered.changes,
        trends=gathered.trends,
        frames=found,
        answers=tuple(told),
        route=route,
        precision=repeat_precision(stands, found),
        findings=notes,
    )


def _named(frame: pd.DataFrame, labels: Sequence[str]) -> pd.DataFrame:
    """Return a table with runs by name."""
    codes = frame["run"].to_numpy(np.int64) if len(frame) else np.zeros(0, dtype=np.int64)
    return frame.assign(run=pd.Categorical.from_codes(codes.astype(np.int64), categories=pd.Index(list(labels))))


def run_table(
    runs: Sequence[Run], *, found: Frames, told: Sequence[Answer], applied: Array, gathered: Gathered
) -> pd.DataFrame:
    """Return one row per run."""
    by_run = {s.run: s for s in gathered.samples}
    rows = [
        {"run": run.name, "day": run.day, "setup": int(found.group[run.index])}
        | _run_and_base(run)
        | _frame_row(told[int(found.group[run.index])], applied[run.index])
        | {
            "share_common_cells": gathered.common[run.index],
            "dropouts": len(run.result.summary.get("dropouts", [])),
            "route_length_m": run.metric("route_length_m"),
            "time_to_first_fixed_s": run.metric("time_to_first_fixed_s"),
        }
        | _quantities(by_run.get(run.index))
        for run in runs
    ]
    return pd.DataFrame(rows)


def _run_and_base(run: Run) -> dict[str, Any]:
    """Return span and verdict of a run and the base that it used."""
    place = run.base.place or (np.nan,) * 3
    return {
        "start_utc": run.start,
        "end_utc": run.end,
        "verdict": run.verdict,
        "base_latitude_deg": place[0],
        "base_longitude_deg": place[1],
        "base_height_m": place[2],
        "base_source": run.base.source,
        "station_id": run.base.station_id,
    }


def _frame_row(answer: Answer, applied: Array) -> dict[str, Any]:
    """Return the answer on the frame of a run, its estimated shift, and the shift (3,) that was taken off."""
    shift = answer.shift_m or (np.nan,) * 3
    return {
        "frames": answer.level,
        "shift_e_m": shift[0],
        "shift_n_m": shift[1],
        "shift_u_m": shift[2],
        "evidence": answer.evidence,
        "applied_e_m": applied[0],
        "applied_n_m": applied[1],
        "applied_u_m": applied[2],
    }


def _quantities(sample: RunSample | None) -> dict[str, float]:
    """Return every quantity of a run with its 95 % interval, NaN where it has none."""
    out: dict[str, float] = {}
    for quantity in QUANTITIES:
        key = quantity.key
        out[key] = sample.value.get(key, np.nan) if sample else np.nan
        low, high = sample.interval.get(key, (np.nan, np.nan)) if sample else (np.nan, np.nan)
        out[f"{key}_low"], out[f"{key}_high"] = low, high
    return out


def _sentences(
    runs: Sequence[Run],
    told: Sequence[Answer],
    head: str,
    aligned: str | None,
    applied: Array,
    notes: Sequence[Finding],
) -> tuple[str, ...]:
    """Return the answer in words: the overall word `head`, alignment, then every set-up."""
    out = [head]
    if aligned is not None:
        moved = int((np.linalg.norm(applied, axis=1) > 0).sum())
        out.append(
            f"Positions of {moved} of {len(runs)} runs were shifted to {aligned} by the estimated base "
            "difference for this comparison; "
            "the results themselves stay as logged"
        )
    order = sorted(told, key=lambda a: (-LEVELS.index(a.level), a.evidence == "reference"))
    out += [s for a in order for s in a.sentences]
    out += [f.text for f in notes if f.level == "problem" or f.code in _SAID]
    return tuple(dict.fromkeys(_stop(s) for s in out))


def _head(level: str, found: Frames) -> str:
    """Return the overall word: on the base frames, and on the antenna offset, which no shift of a frame makes up for."""
    head = {
        "comparable": "The runs are comparable as they stand",
        "comparable_after_shift": "The runs are comparable only after a shift of their base frames",
        "not_evaluated": "Whether the runs share one base frame is not evaluated",
        "not_comparable": "The runs are not comparable in position",
    }[level]
    off_m = found.offset_differs_m()
    if not off_m or level == "not_comparable":
        return head
    frames = "The runs share one base frame as they stand" if level == "comparable" else head
    return f"{frames}, but the antenna offset on the car differs by {off_m:.3f} m: positions differ by as much, turning with the car"


def _stop(text: str) -> str:
    return text if text.endswith(".") else f"{text}."


def _route_words(runs: Sequence[Run], gathered: Gathered) -> str:
    """Say whether the runs share a route."""
    if not len(gathered.cells):
        return "No run moved with a position, so no route can be compared."
    alone = [r.name for r in runs if gathered.alone[r.index]]
    if len(alone) == len(runs):
        return "The runs are on different routes; places are not compared, and what changed over time may be the route."
    length = len(gathered.cells) * thresholds("analyzer.comparing")["cell.length_m"] / 1000
    words = f"{len(gathered.cells)} cells of 10 m, both directions counted ({length:.1f} km)."
    return words + (f" On other routes, and not compared over time: {few(alone, MOST_NAMED)}." if alone else "")
