"""Heading against course: where heading comes from and how the unit sits in the car."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import t as student

from analyzer.intervals import runs, seconds
from analyzer.metrics.attitude_events import wrap_deg
from analyzer.metrics.inertial_timing import FILE
from analyzer.metrics.metric import Metric, missing
from analyzer.settings import thresholds

STRAIGHTS = ("start_utc", "end_utc", "duration_s", "n", "offset_deg", "sd_deg", "speed_mps")
KEY, UNIT = "heading_minus_course_deg", "deg"
METHOD = "median per straight (faster than 8 m/s, yaw rate below 0.5 deg/s, 3 s or longer), mean over straights"


def heading_against_course(attitude: pd.DataFrame, fixes: pd.DataFrame, yaw: pd.Series) -> tuple[Metric, pd.DataFrame]:
    """Return heading less course in straight driving [deg] with its interval, and the straights.

    Course is the direction of motion and heading that of the car: they differ by side-slip, so only straight, fast,
    steady driving is compared. Positive means heading points to the right of course. The interval is that of the mean
    over straights (three or more), which are independent while epochs are not. `yaw` is a measured yaw rate [rad/s] or
    empty; then the change of heading over a second serves.
    """
    matched = _matched(attitude, fixes)
    empty = pd.DataFrame(columns=list(STRAIGHTS))
    if matched.empty:
        return missing(KEY, UNIT, METHOD, "needs heading beside speed and course"), empty
    straight = _straight(matched, _turning(matched, yaw))
    spans = runs(straight)
    moment = seconds(pd.DatetimeIndex(matched.index))
    length = moment[spans[:, 1] - 1] - moment[spans[:, 0]]
    enough = length >= thresholds(*FILE)["attitude.shortest_straight_s"]
    rows = [_straight_row(matched.iloc[a:b]) for a, b in spans[enough]]
    table = pd.DataFrame(rows, columns=list(STRAIGHTS))
    if table.empty:
        return missing(KEY, UNIT, METHOD, "no straight, fast stretch was long enough"), empty
    return _mean_offset(table), table


def _matched(attitude: pd.DataFrame, fixes: pd.DataFrame) -> pd.DataFrame:
    """Return epochs with speed and course and the heading interpolated between attitude rows not further than 1 s."""
    known = fixes[["speed_mps", "course_deg"]].dropna()
    known = known[known.index.notna() & ~known.index.duplicated()].sort_index()
    heading = attitude["heading_deg"].dropna()
    if known.empty or len(heading) < 2:
        return known.iloc[:0].assign(heading_deg=np.empty(0), offset_deg=np.empty(0))
    origin = pd.DatetimeIndex(heading.index)[0]
    at = seconds(pd.DatetimeIndex(heading.index))
    own = seconds(pd.DatetimeIndex(known.index), origin)
    smooth = np.rad2deg(np.unwrap(np.deg2rad(heading.to_numpy(np.float64))))
    after = np.clip(np.searchsorted(at, own), 1, len(at) - 1)
    inside = (own >= at[0]) & (own <= at[-1]) & (at[after] - at[after - 1] <= 1.0)
    angle = np.interp(own, at, smooth)
    offset = wrap_deg(angle - known["course_deg"].to_numpy(np.float64))
    out: pd.DataFrame = known.assign(heading_deg=angle, offset_deg=offset).loc[inside]
    return out


def _turning(matched: pd.DataFrame, yaw: pd.Series) -> NDArray[np.float64]:
    """Return the absolute turn rate [rad/s] at the epochs, from measured yaw rate (1 s mean) or the heading."""
    moment = seconds(pd.DatetimeIndex(matched.index))
    origin = pd.DatetimeIndex(matched.index)[0]
    if len(yaw) >= 2:
        at = seconds(pd.DatetimeIndex(yaw.index), origin)
        value = yaw.to_numpy(np.float64)
        integral = np.concatenate([[0.0], np.cumsum(0.5 * np.diff(at) * (value[1:] + value[:-1]))])
        inside = (moment >= at[0]) & (moment <= at[-1])
    else:
        at, integral = moment, np.deg2rad(matched["heading_deg"].to_numpy(np.float64))
        inside = np.ones(len(moment), dtype=bool)
    early, late = np.maximum(moment - 0.5, at[0]), np.minimum(moment + 0.5, at[-1])
    mean = (np.interp(late, at, integral) - np.interp(early, at, integral)) / np.maximum(late - early, 1e-9)
    return np.where(inside, np.abs(mean), np.inf)


def _straight(matched: pd.DataFrame, turning: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return which epochs belong to straight, fast driving without a break before them."""
    limit = thresholds(*FILE)
    moment = seconds(pd.DatetimeIndex(matched.index))
    usual = float(np.median(np.diff(moment))) if len(moment) > 1 else 1.0
    whole = np.concatenate([[True], np.diff(moment) <= max(1.5 * usual, 1.0)])
    fast = matched["speed_mps"].to_numpy(np.float64) >= limit["attitude.least_speed_mps"]
    return np.asarray(whole & fast & (turning <= limit["attitude.largest_yaw_rate_radps"]))


def _straight_row(part: pd.DataFrame) -> tuple[object, ...]:
    """Return the row of one straight; differences are taken about their circular mean, so +-180 deg does not split."""
    offset = part["offset_deg"].to_numpy(np.float64)
    centre = float(np.rad2deg(np.angle(np.mean(np.exp(1j * np.deg2rad(offset))))))
    about = wrap_deg(offset - centre)
    start, end = part.index[0], part.index[-1]
    middle = float(wrap_deg(np.asarray([centre + float(np.median(about))]))[0])
    return (start, end, (end - start).total_seconds(), len(part), middle,
            float(about.std(ddof=1)) if len(part) > 1 else np.nan, float(part["speed_mps"].median()))


def _mean_offset(table: pd.DataFrame) -> Metric:
    """Return the mean over straights with its 95 % interval; reversed straights are counted apart."""
    value = table["offset_deg"].to_numpy(np.float64)
    turned = np.abs(value) > thresholds(*FILE)["attitude.turned_deg"]
    # The larger group is the mounting; the other was driven backwards.
    chosen = value[turned] if turned.mean() > 0.5 else value[~turned]
    centre = float(np.rad2deg(np.angle(np.mean(np.exp(1j * np.deg2rad(chosen))))))
    about = wrap_deg(chosen - centre)
    mean, n = centre + float(about.mean()), len(chosen)
    evidence = {"straights": n, "straights_turned_round": len(value) - n}
    if n < 3:
        return Metric(KEY, mean, UNIT, n, METHOD, evidence=evidence)
    half = float(student.ppf(0.975, n - 1) * about.std(ddof=1) / np.sqrt(n))
    return Metric(KEY, mean, UNIT, n, METHOD, (mean - half, mean + half), evidence=evidence)


def heading_source(attitude: pd.DataFrame, fixes: pd.DataFrame) -> Metric:
    """Return where heading comes from, told from the data alone.

    ``course`` (it repeats the course while driving), ``before_motion`` (a heading was there before the car first moved:
    two antennas, or one stored from the drive before), ``from_motion`` (it came only with motion), ``independent`` (it
    differs from course, but the log starts while driving).
    """
    key, method = "heading_source", "heading against course and against the first motion"
    matched = _matched(attitude, fixes)
    driving = matched[matched["speed_mps"] >= thresholds(*FILE)["axes.least_speed_mps"]]
    if len(driving) < 20:
        return missing(key, "-", method, "needs heading beside speed and course of 20 epochs above 5 m/s")
    spread = float(np.median(np.abs(driving["offset_deg"])))
    evidence = {"median_difference_deg": spread}
    if spread <= 0.01:
        return Metric(key, "course", "-", len(driving), method, evidence=evidence)
    speed = fixes["speed_mps"].dropna().sort_index()
    moving = speed.to_numpy() > thresholds(*FILE)["channels.moving_mps"]
    first_motion = speed.index[int(np.argmax(moving))]
    known = attitude["heading_deg"].dropna().index
    if first_motion == speed.index[0]:
        value = "independent"
    else:
        value = "before_motion" if known.min() < first_motion else "from_motion"
    return Metric(key, value, "-", len(driving), method, evidence=evidence)
