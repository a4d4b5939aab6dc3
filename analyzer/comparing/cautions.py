"""What a reader must know beside the answer of a comparison: what weakens or prevents it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from analyzer import wording
from analyzer.comparing.car_points import ANTENNA, one_car
from analyzer.comparing.runs import Run
from analyzer.comparing.setups import Frames
from analyzer.recording import Finding
from analyzer.settings import thresholds

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
        *_mountings(runs, runs[found.setups[found.reference].runs[0]]),
        *_standing_out(runs, gathered),
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
    """Say that runs used different reference stations, and which runs which."""
    by_station: dict[int, list[str]] = {}
    for run in runs:
        if run.base.station_id is not None:
            by_station.setdefault(run.base.station_id, []).append(run.name)
    if len(by_station) <= 1:
        return []
    told = "; ".join(f"{station} in {wording.few(by_station[station], 3)}" for station in sorted(by_station))
    return [Finding("stations_differ", "warning", f"The runs used different stations: {told}", {"stations": sorted(by_station)})]


def _mountings(runs: Sequence[Run], reference: Run) -> list[Finding]:
    """Name the runs that log the antenna and whose sheets state it elsewhere on the same car than in the reference run."""
    out = []
    least_m = thresholds("analyzer.comparing")["point.agree_m"]
    for run in runs:
        one, other = run.logged, reference.logged
        if not one.point == other.point == ANTENNA or not one_car(one, other):
            continue
        moved = [a - b for a, b in zip(one.arm_m, other.arm_m, strict=True)]
        told = [f"{abs(m):.3g} m {words[m < 0]}" for m, words in zip(moved, _MOVED, strict=True) if abs(m) > least_m]
        if told:
            text = (f"In {run.name} the antenna is stated {wording.listing(told)} than in {reference.name}: logged positions of one track lie as "
                    "much apart, turning with the car")
            out.append(Finding("stated_antenna_offsets_differ", "warning", text, {"run": run.name, "difference_m": moved}))
    return out


#: How an antenna is moved along each axis of the car, forward, left, up: by a positive and by a negative difference.
_MOVED = (("further forward", "further back"), ("further left", "further right"), ("higher", "lower"))


def _standing_out(runs: Sequence[Run], gathered: Gathered) -> list[Finding]:
    """Name the runs of which far less is trusted than of most others: a test between days of few runs cannot."""
    known = {s.run: s for s in gathered.samples if "share_trusted" in s.value}
    out = []
    for index, sample in known.items():
        others = [s.value["share_trusted"] for i, s in known.items() if i != index]
        most = thresholds("analyzer.comparing")["run.least_share"] * float(np.median(others)) if len(others) > 1 else 0.0
        if sample.value["share_trusted"] < most:
            text = (f"Of {runs[index].name} {wording.share(sample.value['share_trusted'])} of the driving is trusted, of the other runs "
                    f"{wording.share(float(np.median(others)))} in the middle")
            out.append(Finding("run_stands_out", "warning", text, {"run": runs[index].name, "share_trusted": sample.value["share_trusted"]}))
    return out


def _wrongly_fixed(gathered: Gathered) -> list[Finding]:
    """Count the stretches where fixed passes disagree in height."""
    heights = int((gathered.disagreements["axis"] == "height").sum())
    if not heights:
        return []
    text = f"At {wording.count(heights, 'stretch', 'stretches')} the height of a fixed pass disagrees with the other fixed passes; one was fixed wrongly"
    return [Finding("fixed_disagree", "warning", text, {"stretches": heights})]
