"""Results of one recording among those that are compared: a drive is no second witness of its own outages and frame."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analyzer.comparing.frame_verdict import Answer
from analyzer.comparing.runs import Run
from analyzer.comparing.setups import Frames
from analyzer.errors import UsageError
from analyzer.recording import Finding
from analyzer.results.load import LoadedResult

Logs = frozenset[str]


def without_repeats(results: Sequence[LoadedResult]) -> tuple[list[LoadedResult], list[Finding]]:
    """Return the results without those of the same recording and purpose as an earlier one, and what was left out.

    Raises
    ------
    UsageError : one result is left.
    """
    kept: dict[tuple[object, ...], LoadedResult] = {}
    out, notes = list[LoadedResult](), list[Finding]()
    for number, (result, logs) in enumerate(zip(results, logs_of(results), strict=True)):
        first = kept.setdefault((logs, _purpose(result)) if logs else (number,), result)
        if first is result:
            out.append(result)
            continue
        text = f"{result.folder} {_as(first, result)} and was left out: a drive counts once"
        notes.append(Finding("recording_left_out", "warning", text, {"left_out": str(result.folder), "sha256": sorted(logs)}))
    if len(out) < 2 <= len(results):
        raise UsageError(f"compare: {results[1].folder} {_as(results[0], results[1])}; expected results of two or more drives.")
    return out, notes


def logs_of(results: Sequence[LoadedResult]) -> list[Logs]:
    """Return per result the SHA-256 of the recordings that its positions came from.

    Which of several files gave positions is looked up only where another result has one of them too.
    """
    named = [_at_rover(r) for r in results]
    count = Counter(sha256 for one in named for sha256 in set(one.values()))
    out = []
    for result, one in zip(results, named, strict=True):
        if len(one) > 1 and any(count[sha256] > 1 for sha256 in one.values()):
            used = set(result.epochs(["source_id"])["source_id"].unique())
            one = {i: sha256 for i, sha256 in one.items() if i in used} or one
        out.append(frozenset(one.values()))
    return out


def first_of_recording(runs: Sequence[Run]) -> NDArray[np.int64]:
    """Return per run the index of the first run that holds one of its recordings too: its own where it is the first."""
    owner: dict[str, int] = {}
    out = np.arange(len(runs))
    for run, logs in zip(runs, logs_of([r.result for r in runs]), strict=True):
        out[run.index] = min((owner[sha256] for sha256 in logs if sha256 in owner), default=run.index)
        for sha256 in logs:
            owner.setdefault(sha256, int(out[run.index]))
    return out


def one_recording(told: Sequence[Answer], found: Frames, first: NDArray[np.int64]) -> tuple[Answer, ...]:
    """Return the answers on base frames; not evaluated throughout where all runs come from one recording."""
    if len(np.unique(first)) > 1:
        return tuple(told)
    text = "All results are of one recording, which cannot show whether base frames agree or what comes back at a place"
    none = float("nan")
    return tuple(Answer(s.index, "not_evaluated", None, None, "none", none, (text,)) for s in found.setups)


def repeated_findings(runs: Sequence[Run], first: NDArray[np.int64]) -> list[Finding]:
    """Name the runs that come from the recording of an earlier one."""
    out = []
    for run in runs:
        if first[run.index] != run.index:
            text = (
                f"{run.name} and {runs[first[run.index]].name} come from one recording; it counts once for base frames, "
                "recurring places and changes over time"
            )
            out.append(Finding("one_recording", "warning", text, {"run": run.name}))
    return out


def _as(first: LoadedResult, again: LoadedResult) -> str:
    """Say how a result repeats the first one."""
    if first.folder.resolve() == again.folder.resolve():
        return "was named more than once"
    return f"holds the same recording, judged for the same purpose, as {first.folder}"


def _at_rover(result: LoadedResult) -> dict[int, str]:
    """Return the SHA-256 of what was recorded in the car, corrections apart, by its index among the sources."""
    sources = result.summary.get("sources") or []
    return {
        i: str(s["sha256"]) for i, s in enumerate(sources)
        if s.get("sha256") and s.get("place", "rover") == "rover" and s.get("format") != "rtcm3"
    }


def _purpose(result: LoadedResult) -> str:
    return str(result.summary["verdict"]["purpose"]["sha256"])
