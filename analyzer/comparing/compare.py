"""Compare runs from their result folders: frames first, then the same places, then change over time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import geodesy
from analyzer.comparing import assemble
from analyzer.comparing.car_points import OnePoint
from analyzer.comparing.frame_verdict import Answer, answers, overall
from analyzer.comparing.frames import frames
from analyzer.comparing.given_bases import given_bases
from analyzer.comparing.result import Comparison
from analyzer.comparing.runs import Place, Run, gather_runs
from analyzer.comparing.same_recording import first_of_recording, one_recording, repeated_findings, without_repeats
from analyzer.comparing.setups import SAME_SITE_M, Frames, LogMean, entered_shift, group_runs
from analyzer.comparing.stands import stands_of_runs
from analyzer.comparing.walks import walk_all
from analyzer.errors import RefusedError, UsageError
from analyzer.results.dataset import expanded
from analyzer.results.load import LoadedResult, load_result
from analyzer.settings import thresholds

Array = NDArray[np.float64]
BaseGiven = Place | str | Path


def compare(
    results: Sequence[str | Path | LoadedResult],
    *,
    base: Mapping[str, BaseGiven] | BaseGiven | Sequence[str | Path] | None = None,
    align_to: str | None = None,
    check_points: pd.DataFrame | None = None,
    repeatability_m: float | tuple[float, float] | None = None,
) -> Comparison:
    """Hold runs against each other.

    Parameters
    ----------
    results : two or more result folders, or loaded results; the results of a batch stand for all runs in them. One
        recording counts once: the same for the same purpose is left out, for another purpose it is shown beside.
    base : coordinates (latitude, longitude [deg], ellipsoidal height [m]) of the base for all runs; or a mapping from
        run name to coordinates or a folder of a base result; or folders of base results, each for the runs of its day.
    align_to : name of a run; positions are shifted by the estimated base difference to it before places are compared.
    check_points : marks, see `analyzer.read_check_points`; stands on them are evidence of centimetres.
    repeatability_m : 1-sigma per axis of the mean of a stand from day to day [m], or (horizontal, vertical); default
        8 mm, and in height as much more as the receiver claims.

    Raises
    ------
    UsageError : fewer than two runs or recordings, or an unknown name.
    InputError : a result cannot be read.
    RefusedError : the runs lie in different places, or they cannot be aligned as asked.
    """
    loaded, left_out = without_repeats(_loaded(results))
    given, log_runs = given_bases(base)
    runs = gather_runs(loaded, given)
    _refuse_far(runs)
    reference = _reference(runs, align_to)
    origin = _origin(runs, reference)
    first = first_of_recording(runs)
    stands = _stands(runs, first, reference, origin, check_points=check_points)
    repeat = _both_axes(repeatability_m)
    logs = _logs(runs, log_runs)
    found = frames(
        runs, stands.stands, reference=reference, origin=origin, repeat_m=repeat, logs=logs, apart=stands.apart, first=first
    )
    told = one_recording(answers(found, runs), found, first)
    applied = _applied(runs, found, told, align_to)
    gathered = walk_all(runs, origin, applied, first)
    return assemble.comparison(
        runs=runs,
        found=found,
        told=told,
        level=overall(told),
        reference=reference,
        aligned_to=align_to,
        applied=applied,
        stands=stands.stands,
        gathered=gathered,
        beside=(*left_out, *repeated_findings(runs, first), *stands.findings),
    )


def _loaded(results: Sequence[str | Path | LoadedResult]) -> list[LoadedResult]:
    """Return the results, those of a batch one by one; refuse fewer than two."""
    loaded = [r if isinstance(r, LoadedResult) else load_result(r) for r in expanded(results)]
    if len(loaded) < 2:
        raise UsageError(
            f"compare: {len(loaded)} run was given; expected two or more result folders to hold against each other."
        )
    return loaded


def _both_axes(repeatability_m: float | tuple[float, float] | None) -> tuple[float, float] | None:
    """Return the repeatability (horizontal, vertical) [m]; one number stands for both."""
    if isinstance(repeatability_m, (int, float)):
        return float(repeatability_m), float(repeatability_m)
    return repeatability_m


def _reference(runs: Sequence[Run], name: str | None) -> int:
    """Return the index of the run that is named, else 0, the first in time."""
    if name is None:
        return 0
    fits = [r.index for r in runs if name in (r.name, r.result.folder.name, str(r.result.folder))]
    if len(fits) != 1:
        known = ", ".join(r.name for r in runs[:12])
        raise UsageError(
            f"--align-to {name}: {'no run' if not fits else 'more than one run'} is called so; expected one of {known}."
        )
    return fits[0]


def _refuse_far(runs: Sequence[Run]) -> None:
    """Refuse runs in different places, where neither base nor route can be common."""
    placed = [r for r in runs if r.centre is not None]
    for run in placed[1:]:
        there, here = placed[0].centre, run.centre
        assert there is not None and here is not None
        away = float(geodesy.distances(there[0], there[1], here[0], here[1]))
        if away > thresholds("analyzer.comparing")["place.far_m"]:
            raise RefusedError(
                f"runs {placed[0].name} and {run.name} lie {away / 1000:.0f} km apart: they share neither base "
                "nor route, "
                "so nothing of them can be compared; compare runs of one place."
            )


def _origin(runs: Sequence[Run], reference: int) -> Place:
    """Return the origin of the frame shared by all runs: the reference base, else where the reference run began."""
    run = runs[reference]
    if run.base.place is not None:
        return run.base.place
    if run.centre is None:
        raise RefusedError(f"run {run.name} holds no position and no base; nothing can be compared with it.")
    return run.centre[0], run.centre[1], 0.0


def _matching_shift(run: Run, reference: Run, origin: Place) -> Array:
    """Return the shift to take off before stands are matched by place: that of a new entry at the same site."""
    entered = entered_shift(run, reference, origin)
    return entered if entered is not None and np.linalg.norm(entered) < SAME_SITE_M else np.zeros(3)


def _stands(
    runs: Sequence[Run], first: NDArray[np.int64], reference: int, origin: Place, *, check_points: pd.DataFrame | None
) -> OnePoint:
    """Return the stands of every recording once, of one point of the car, with their places named."""
    shifts = [_matching_shift(run, runs[reference], origin) for run in runs]
    use = np.flatnonzero(first == np.arange(len(runs))).tolist()
    return stands_of_runs(runs, origin, shifts, check_points, use=use, reference=reference)


def _logs(runs: Sequence[Run], given: Sequence[LogMean]) -> dict[int, LogMean]:
    """Return the base log of each set-up, by day."""
    group = group_runs(runs)
    out: dict[int, LogMean] = {}
    for run in runs:
        for log in given:
            if log.day == run.day:
                out[int(group[run.index])] = log
    return out


def _applied(runs: Sequence[Run], found: Frames, told: Sequence[Answer], align_to: str | None) -> Array:
    """Return what is taken off the positions of each run (runs, 3); zero unless runs are to be aligned."""
    out = np.zeros((len(runs), 3))
    if align_to is None:
        return out
    for run in runs:
        answer = told[int(found.group[run.index])]
        if answer.shift_m is None or answer.level in ("not_evaluated", "not_comparable"):
            raise RefusedError(
                f"run {run.name} cannot be aligned to {align_to}: {answer.sentences[0].rstrip('.')}; "
                "visit common marks, or compare without --align-to."
            )
        out[run.index] = answer.shift_m if answer.level == "comparable_after_shift" else 0.0
    return out
