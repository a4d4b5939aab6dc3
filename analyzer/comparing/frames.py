"""Base frames of many runs: what was entered, what marks, common stands and base logs say, and what follows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import geodesy
from analyzer.comparing.adjustment import Adjustment, adjust, lever_separable
from analyzer.comparing.runs import Place, Run
from analyzer.comparing.setups import Frames, Lever, LogMean, Setup, entered_shift, group_runs
from analyzer.comparing.split_setups import logs_of_parts, split_setups
from analyzer.metrics.base_site_shift import Shift, family_test_level, judge_shift, limits

Array = NDArray[np.float64]


def frames(
    runs: Sequence[Run],
    stands: pd.DataFrame,
    *,
    reference: int,
    origin: Place,
    repeat_m: tuple[float, float] | None = None,
    logs: Mapping[int, LogMean] | None = None,
    apart: frozenset[int] = frozenset(),
    first: NDArray[np.int64] | None = None,
) -> Frames:
    """Return the set-ups of `runs` with every kind of evidence on their shifts against that of run `reference`.

    Parameters
    ----------
    stands : layout of `analyzer.comparing.stands.COLUMNS` with places named.
    repeat_m : repeatability of a stand (horizontal axis, height) [m]; default from thresholds and the claims.
    logs : mean of a static base log by set-up number.
    apart : runs whose stands are of another point of the car and are not among `stands`.
    first : (runs,) the first run of the same recording; default each its own.
    """
    repeat = repeat_m or default_repeat(stands)
    marks = stands[stands["kind"] == "mark"].reset_index(drop=True)
    by_day = group_runs(runs)
    group, within, unseen = split_setups(marks, by_day, repeat, first)
    logs = logs_of_parts(logs or {}, by_day, group, runs)
    mine = int(group[reference])
    count = int(group.max()) + 1
    level = family_test_level(count - 1)
    fits = _fits(stands, group, reference=mine, repeat=repeat, level=level)
    setups = []
    for number in range(count):
        members = tuple(int(i) for i in np.flatnonzero(group == number))
        run = runs[members[0]]
        bare = Setup(
            number,
            members,
            run.day,
            run.base.place,
            run.base.station_id,
            entered_shift(run, runs[reference], origin),
            log=_log_shift(logs, number, mine, origin, level),
            absolute=_absolute(fits.absolute, fits.known, group, number),
        )
        setups.append(_with_log_grade(_with_stands(bare, fits, mine, level), logs))
    return Frames(tuple(setups), mine, origin, group, fits.marks, within, apart, unseen)


@dataclass(frozen=True)
class _Fits:
    """Adjustments of stands over all set-ups; each None without such stands.

    `marks` without and `turned` with car-fixed parts, `parking` of parking places, `absolute` on the coordinates of the
    marks `known`.
    """

    marks: Adjustment | None
    turned: Adjustment | None
    parking: Adjustment | None
    absolute: Adjustment | None
    known: pd.DataFrame


def _fits(
    stands: pd.DataFrame, group: NDArray[np.int64], *, reference: int, repeat: tuple[float, float], level: float
) -> _Fits:
    """Adjust the stands on marks and on parking places."""
    marks = stands[stands["kind"] == "mark"].reset_index(drop=True)
    turned = _turned_fit(marks, group, reference, repeat)
    if turned is not None:
        marks = _less_levers(marks, turned, group, level)
    fit = _fit(marks, group, reference, repeat)
    limit = limits()
    parking = stands[stands["kind"] == "parking"].reset_index(drop=True)
    rough = _fit(parking, group, reference, (limit["parking.horizontal"], limit["parking.vertical"]))
    known = marks[marks["mark_up_m"].notna()].reset_index(drop=True)
    absolute = (
        adjust(known, _padded(group, known), reference=reference, repeat_m=repeat, known=True) if len(known) else None
    )
    return _Fits(fit, turned, rough, absolute, known)


def _with_stands(setup: Setup, fits: _Fits, reference: int, level: float) -> Setup:
    """Return a set-up with the shifts that its stands show, and what turns with the car."""
    number = setup.index
    lever, used = _lever(fits.turned, fits.marks, number, level)
    return replace(
        setup,
        marks=_judged(used, number, reference, level),
        parking=_judged(fits.parking, number, reference, level),
        lever=lever,
        both_ways=fits.turned is not None and lever_separable(fits.turned, number),
    )


def _with_log_grade(setup: Setup, logs: Mapping[int, LogMean]) -> Setup:
    """Return a set-up with grade and settling of its log at the base."""
    log = logs.get(setup.index)
    return setup if log is None else replace(setup, log_grade=log.grade, log_settled=log.settled)


def default_repeat(stands: pd.DataFrame) -> tuple[float, float]:
    """Return the repeatability of a stand: the class value, in height times the ratio that the receiver claims."""
    limit = limits()
    ratio = float(stands["claimed_ratio"].median()) if len(stands) and stands["claimed_ratio"].notna().any() else 1.0
    ratio = float(np.clip(ratio, limit["repeat.least_ratio"], limit["repeat.largest_ratio"]))
    return limit["repeat.horizontal"], limit["repeat.horizontal"] * ratio


def _fit(
    stands: pd.DataFrame, group: NDArray[np.int64], reference: int, repeat: tuple[float, float]
) -> Adjustment | None:
    if not len(stands):
        return None
    codes = _padded(group, stands)
    return adjust(stands, codes, reference=reference, repeat_m=repeat)


def _padded(group: NDArray[np.int64], stands: pd.DataFrame) -> NDArray[np.int64]:
    return np.asarray(group[stands["run"].to_numpy(np.int64)], dtype=np.int64)


def _turned_fit(
    marks: pd.DataFrame, group: NDArray[np.int64], reference: int, repeat: tuple[float, float]
) -> Adjustment | None:
    """Return the adjustment with car-fixed parts; None without directions."""
    if not len(marks) or marks["heading_deg"].notna().sum() < 4:
        return None
    return adjust(marks, _padded(group, marks), reference=reference, repeat_m=repeat, levers=True)


def _less_levers(marks: pd.DataFrame, turned: Adjustment, group: NDArray[np.int64], level: float) -> pd.DataFrame:
    """Return the stands without the car-fixed parts that were found, and without those of such a set-up that face nobody knows where.

    Left in, the antenna offset of one day would pass for the spread of all days and hide their shifts.
    """
    own, out = _padded(group, marks), marks.copy()
    heading = np.radians(marks["heading_deg"].to_numpy(np.float64))
    for number in np.unique(own).tolist():
        lever, _ = _lever(turned, None, number, level)
        if lever is None or not lever.found:
            continue
        (forward, left), mine = lever.vector_m, own == number
        out.loc[mine, "east_m"] -= (np.sin(heading) * forward - np.cos(heading) * left)[mine]
        out.loc[mine, "north_m"] -= (np.cos(heading) * forward + np.sin(heading) * left)[mine]
    return out[out["east_m"].notna()].reset_index(drop=True)


def _lever(
    turned: Adjustment | None, plain: Adjustment | None, number: int, level: float
) -> tuple[Lever | None, Adjustment | None]:
    """Return what is fixed to the car in a set-up, and the adjustment whose shift to use for it."""
    if turned is None or number >= len(turned.lever_m) or not lever_separable(turned, number):
        return None, plain
    vector, spread = turned.lever_m[number], turned.lever_covariance_m2[number]
    padded = np.diag([0.0, 0.0, 1.0])
    padded[:2, :2] = spread
    judged = judge_pair(vector, spread, level)
    return judged, turned if judged.found and np.isfinite(turned.shift_m[number]).all() else plain


def judge_pair(vector: Array, covariance: Array, level: float) -> Lever:
    """Return a horizontal vector with its joint test over two components."""
    from scipy import stats

    from analyzer.metrics.base_site_shift import AXIS_95, detectable

    statistic = float(vector @ np.linalg.solve(covariance, vector))
    p_value = float(stats.chi2.sf(statistic, 2))
    half = AXIS_95 * np.sqrt(np.diag(covariance))
    size = detectable(covariance, level=level, power=limits()["shift.power"])[0]
    return Lever((float(vector[0]), float(vector[1])), (float(half[0]), float(half[1])), p_value, p_value < level, size)


def _judged(fit: Adjustment | None, number: int, reference: int, level: float) -> Shift | None:
    """Return the tested shift of a set-up, None for the reference itself and where nothing links them."""
    if fit is None or number == reference or number >= len(fit.shift_m) or not np.isfinite(fit.shift_m[number]).all():
        return None
    return judge_shift(fit.shift_m[number], fit.covariance_m2[number], level=level)


def _absolute(fit: Adjustment | None, known: pd.DataFrame, group: NDArray[np.int64], number: int) -> Shift | None:
    """Return the shift against the marks' own coordinates, the survey of the marks counted."""
    if fit is None or number >= len(fit.shift_m) or not np.isfinite(fit.shift_m[number]).all():
        return None
    rows = known[_padded(group, known) == number]
    survey = rows.groupby("place")[["mark_sigma_h_m", "mark_sigma_v_m"]].first().to_numpy(np.float64)
    added = np.array([survey[:, 0].mean(), survey[:, 0].mean(), survey[:, 1].mean()]) ** 2 / len(survey)
    return judge_shift(fit.shift_m[number], fit.covariance_m2[number] + np.diag(added))


def _log_shift(logs: Mapping[int, LogMean], number: int, reference: int, origin: Place, level: float) -> Shift | None:
    """Return how far the antenna moved from the reference set-up by the base logs of both."""
    if number == reference or number not in logs or reference not in logs:
        return None
    here, there = (
        np.array([float(v) for v in geodesy.to_enu(*logs[k].place, origin=origin)]) for k in (number, reference)
    )
    spread = sum(
        (np.diag([s[0], s[0], s[1]]) ** 2 for s in (logs[number].sigma_m, logs[reference].sigma_m)), np.zeros((3, 3))
    )
    return judge_shift(here - there, spread, level=level)
