"""Base frames of many runs: what was entered, what marks, common stands and base logs say, and what follows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import geodesy
from analyzer.comparing.adjustment import Adjustment, adjust, lever_separable
from analyzer.comparing.runs import Place, Run
from analyzer.metrics.base_site_shift import Shift, family_test_level, judge_shift, limits
from analyzer.settings import thresholds

Array = NDArray[np.float64]
#: Coordinates entered anew at one site by averaging differ by metres; further apart it is another site.
SAME_SITE_M = 30.0


@dataclass(frozen=True)
class LogMean:
    """Mean of a static log at the base: its place, 1-sigma (horizontal axis, height) from day to day, its grade."""

    place: Place
    sigma_m: tuple[float, float]
    grade: str
    day: str
    settled: bool | None = None


@dataclass(frozen=True)
class Lever:
    """What is fixed to the car and changed against the reference (forward, left) [m]."""

    vector_m: tuple[float, float]
    half_width_m: tuple[float, float]
    p_value: float
    found: bool
    detectable_m: float


@dataclass(frozen=True)
class Setup:
    """One set-up of the base: the runs of one day with the same entered coordinates and station.

    Shifts are those of all positions against the reference set-up. `entered_m` is the difference of the entered base
    coordinates; None where unknown. `marks`, `parking`, `log` are the shifts seen by each kind of evidence, `absolute`
    the shift against the marks' own coordinates, `lever` what is fixed to the car; each None without evidence.
    """

    index: int
    runs: tuple[int, ...]
    day: str
    place: Place | None
    station_id: int | None
    entered_m: Array | None
    marks: Shift | None = None
    parking: Shift | None = None
    log: Shift | None = None
    log_grade: str = ""
    log_settled: bool | None = None
    absolute: Shift | None = None
    lever: Lever | None = None
    both_ways: bool = False


@dataclass(frozen=True)
class Frames:
    """All set-ups, and what their comparison rests on."""

    setups: tuple[Setup, ...]
    reference: int
    origin: Place
    group: NDArray[np.int64]
    mark_fit: Adjustment | None = None
    within: tuple[tuple[int, int, Shift], ...] = field(default=())


def group_runs(runs: Sequence[Run]) -> NDArray[np.int64]:
    """Return the set-up number of each run: one day, one station, one entry of coordinates."""
    keys: list[tuple[object, ...]] = []
    out = np.zeros(len(runs), dtype=np.int64)
    for i, run in enumerate(runs):
        place = None if run.base.place is None else _rounded(run.base.place)
        key = (run.day, run.base.station_id, place)
        if key not in keys:
            keys.append(key)
        out[i] = keys.index(key)
    return out


def _rounded(place: Place) -> tuple[int, ...]:
    """Return a place to about three millimetres, so that roundings of one entry stay one entry."""
    step = thresholds("analyzer.comparing")["base.same_m"]
    return tuple(int(np.floor(float(v) / step + 0.5)) for v in geodesy.to_ecef(*place))


def local_place(place: Place, origin: Place) -> Array:
    """Return east, north, up [m] of a place about `origin`."""
    return np.array([float(v) for v in geodesy.to_enu(*place, origin=origin)])


def entered_shift(run: Run, reference: Run, origin: Place) -> Array | None:
    """Return the entered base coordinates of `run` minus those of `reference`, east north up [m]; None if unknown."""
    if run.base.place is None or reference.base.place is None:
        return None
    here, there = (local_place(p, origin) for p in (run.base.place, reference.base.place))
    return np.asarray(here - there)


def frames(
    runs: Sequence[Run],
    stands: pd.DataFrame,
    *,
    reference: int,
    origin: Place,
    repeat_m: tuple[float, float] | None = None,
    logs: Mapping[int, LogMean] | None = None,
) -> Frames:
    """Return the set-ups of `runs` with every kind of evidence on their shifts against that of run `reference`.

    Parameters
    ----------
    stands : layout of `analyzer.comparing.stands.COLUMNS` with places named.
    repeat_m : repeatability of a stand (horizontal axis, height) [m]; default from thresholds and the claims.
    logs : mean of a static base log by set-up number.
    """
    group = group_runs(runs)
    mine = int(group[reference])
    repeat = repeat_m or default_repeat(stands)
    marks = stands[stands["kind"] == "mark"].reset_index(drop=True)
    fit, lever_fit = _mark_fits(marks, group, mine, repeat)
    limit = limits()
    parking = stands[stands["kind"] == "parking"].reset_index(drop=True)
    rough = _fit(parking, group, mine, (limit["parking.horizontal"], limit["parking.vertical"]))
    known = marks[marks["mark_up_m"].notna()].reset_index(drop=True)
    absolute = (
        adjust(known, group[known["run"].to_numpy(np.int64)], reference=mine, repeat_m=repeat, known=True)
        if len(known)
        else None
    )
    count = int(group.max()) + 1
    level = family_test_level(count - 1)
    setups = []
    for number in range(count):
        members = tuple(int(i) for i in np.flatnonzero(group == number))
        run = runs[members[0]]
        lever, used = _lever(lever_fit, fit, number, level)
        setups.append(
            Setup(
                number,
                members,
                run.day,
                run.base.place,
                run.base.station_id,
                entered_shift(run, runs[reference], origin),
                marks=_judged(used, number, mine, level),
                parking=_judged(rough, number, mine, level),
                log=_log_shift(logs or {}, number, mine, origin, level),
                log_grade=logs[number].grade if logs and number in logs else "",
                absolute=_absolute(absolute, known, group, number),
                lever=lever,
                log_settled=logs[number].settled if logs and number in logs else None,
                both_ways=lever_fit is not None and lever_separable(lever_fit, number),
            )
        )
    return Frames(tuple(setups), mine, origin, group, fit, _within(marks, group, repeat))


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


def _mark_fits(
    marks: pd.DataFrame, group: NDArray[np.int64], reference: int, repeat: tuple[float, float]
) -> tuple[Adjustment | None, Adjustment | None]:
    """Return the adjustment without and the one with car-fixed parts; the second None without directions."""
    plain = _fit(marks, group, reference, repeat)
    if plain is None or marks["heading_deg"].notna().sum() < 4:
        return plain, None
    return plain, adjust(marks, _padded(group, marks), reference=reference, repeat_m=repeat, levers=True)


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


def _within(
    marks: pd.DataFrame, group: NDArray[np.int64], repeat: tuple[float, float]
) -> tuple[tuple[int, int, Shift], ...]:
    """Return shifts between runs of one set-up that were found: (first run, later run, shift)."""
    out = []
    codes = _padded(group, marks) if len(marks) else np.zeros(0, dtype=np.int64)
    for number in np.unique(codes):
        rows = marks[codes == number].reset_index(drop=True)
        members = np.unique(rows["run"].to_numpy(np.int64))
        if len(members) < 2:
            continue
        own = np.searchsorted(members, rows["run"].to_numpy(np.int64))
        fit = adjust(rows, own, reference=0, repeat_m=repeat)
        level = family_test_level(len(members) - 1)
        for k in range(1, len(members)):
            if np.isfinite(fit.shift_m[k]).all():
                shift = judge_shift(fit.shift_m[k], fit.covariance_m2[k], level=level)
                if shift.found:
                    out.append((int(members[0]), int(members[k]), shift))
    return tuple(out)
