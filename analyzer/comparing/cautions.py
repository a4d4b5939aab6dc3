"""What a reader must know beside the answer of a comparison: what weakens or prevents it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from analyzer import wording
from analyzer.comparing.runs import Run
from analyzer.comparing.setups import Frames
from analyzer.recording import Finding

if TYPE_CHECKING:
    from analyzer.comparing.walks import Gathered


def findings(runs: Sequence[Run], found: Frames, gathered: Gathered) -> tuple[Finding, ...]:
    """Return what a reader must know beside the answer."""
    return (
        *_changed_bases(runs),
        *_moved_antennas(runs, found),
        *_unsettled_logs(found),
        *_purposes(runs),
        *_rules(runs),
        *_unknown_bases(runs),
        *_stations(runs),
        *_wrongly_fixed(gathered),
    )


def _changed_bases(runs: Sequence[Run]) -> list[Finding]:
    """Name the runs within which the sent base position changed."""
    return [
        Finding(
            "base_changed_within_run",
            "problem",
            (
                f"In {run.name} the sent base position changed {wording.times(run.base.changes)} within the "
                "run; its positions are in more than one frame"
            ),
            {"run": run.name},
        )
        for run in runs
        if run.base.changes
    ]


def _moved_antennas(runs: Sequence[Run], found: Frames) -> list[Finding]:
    """Name the runs of one set-up between which the antenna was moved."""
    out = []
    for first, later, shift in found.within:
        east, north, up = shift.vector_m
        text = (
            f"Between {runs[first].name} and {runs[later].name}, for which the same base coordinates were entered, "
            f"positions on the marks shift by {east:+z.3f} m east, {north:+z.3f} m north, {up:+z.3f} m up: "
            f"{_cause(found, first, later)}"
        )
        out.append(Finding("base_shift_within_day", "problem", text, {"shift_m": shift.vector_m}))
    return out


def _cause(found: Frames, first: int, later: int) -> str:
    """Say what a shift between two runs comes from, as far as the directions of their stands tell."""
    parts = [found.setups[int(found.group[run])] for run in (first, later)]
    if all(part.both_ways or part.index == found.reference for part in parts):
        return "the base antenna was moved in between"
    return (
        "the base antenna was moved in between, or the antenna offset on the car differs; "
        "stands facing different ways in both runs would tell"
    )


def _unsettled_logs(found: Frames) -> list[Finding]:
    """Name the days whose log at the base had not settled."""
    return [
        Finding(
            "base_log_unsettled",
            "warning",
            f"The log at the base of {setup.day} had not settled throughout; coordinates read early in it shift "
            "all positions of that day",
            {"day": setup.day},
        )
        for setup in found.setups
        if setup.log_settled is False
    ]


def _purposes(runs: Sequence[Run]) -> list[Finding]:
    """Say that runs were judged for different purposes."""
    if len({r.purpose for r in runs}) <= 1:
        return []
    text = "The runs were judged for different purposes; their trust is not compared like with like"
    return [Finding("purposes_differ", "warning", text, {})]


def _rules(runs: Sequence[Run]) -> list[Finding]:
    """Name the versions of the rules by which runs were judged, where they differ."""
    by_version: dict[str, list[str]] = {}
    for run in runs:
        by_version.setdefault(run.rules_version, []).append(run.name)
    if len(by_version) <= 1:
        return []
    told = "; ".join(f"version {version} for {wording.few(names, 3)}" for version, names in by_version.items())
    text = (
        f"The runs were judged by different versions of the rules ({told}); their trust is not compared like with like: "
        "assess them again with one version"
    )
    return [Finding("rules_differ", "warning", text, {"versions": by_version})]


def _unknown_bases(runs: Sequence[Run]) -> list[Finding]:
    """Name the runs whose base position nothing states."""
    unknown = [r.name for r in runs if r.base.place is None]
    if not unknown:
        return []
    text = (
        f"The base position of {wording.count(len(unknown), 'run')} is not known ({', '.join(unknown[:3])}): "
        "neither corrections nor set-up sheet state it"
    )
    return [Finding("base_unknown", "warning", text, {})]


def _stations(runs: Sequence[Run]) -> list[Finding]:
    """Say that runs used different reference stations."""
    stations = sorted({r.base.station_id for r in runs if r.base.station_id is not None})
    if len(stations) <= 1:
        return []
    text = f"The runs used different stations: {', '.join(map(str, stations))}"
    return [Finding("stations_differ", "warning", text, {"stations": stations})]


def _wrongly_fixed(gathered: Gathered) -> list[Finding]:
    """Count the stretches where fixed passes disagree in height."""
    heights = int((gathered.disagreements["axis"] == "height").sum())
    if not heights:
        return []
    text = f"At {wording.count(heights, 'stretch', 'stretches')} the height of a fixed pass disagrees with the other fixed passes; one was fixed wrongly"
    return [Finding("fixed_disagree", "warning", text, {"stretches": heights})]
