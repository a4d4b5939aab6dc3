"""Do the inertial axes point where the table says: yaw rate against course, forward force against speed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.correlation import top_between
from analyzer.intervals import seconds
from analyzer.metrics.inertial_timing import FILE
from analyzer.settings import thresholds


@dataclass(frozen=True)
class Motion:
    """Motion between neighbouring epochs of a position source, all shape (k,).

    `start_s` and `end_s` are seconds after `origin`; `yaw_rate_radps` is minus the course derivative (positive to the
    left, ISO 8855); `speed_rate_mps2` the speed derivative; `lateral_mps2` speed times yaw rate. Neighbouring
    intervals share `overlap` - 1 of `overlap` parts.
    """

    origin: pd.Timestamp
    start_s: NDArray[np.float64]
    end_s: NDArray[np.float64]
    speed_mps: NDArray[np.float64]
    yaw_rate_radps: NDArray[np.float64]
    speed_rate_mps2: NDArray[np.float64]
    lateral_mps2: NDArray[np.float64]
    overlap: int


@dataclass(frozen=True)
class Agreement:
    """How an inertial axis follows the motion of the positions.

    `correlation` at the best `lag_s` (positive: the inertial channel is later); `scale` is inertial per motion with its
    95 % interval; `n` independent intervals were compared. NaN where nothing could be compared.
    """

    axis: str
    correlation: float
    scale: float
    scale_low: float
    scale_high: float
    lag_s: float
    n: int


def motion_between(fixes: pd.DataFrame) -> Motion | None:
    """Return the motion between epochs of `fixes` (``speed_mps``, ``course_deg``), or None without two such epochs.

    Kept are intervals not longer than 2.5 s, faster than 5 m/s at both ends, without a course step above 60 deg.
    """
    limit = thresholds(*FILE)
    known = fixes[["speed_mps", "course_deg"]].dropna()
    known = known[~known.index.duplicated()].sort_index()
    if len(known) < 2:
        return None
    spacing = float(np.median(np.diff(seconds(pd.DatetimeIndex(known.index)))))
    known = known.iloc[:: max(1, round(limit["axes.spacing_s"] / spacing))]
    moment = seconds(pd.DatetimeIndex(known.index))
    # Course differences over short intervals are noise: intervals of about a second are taken, overlapping.
    overlap = max(1, round(limit["axes.interval_s"] / float(np.median(np.diff(moment))))) if len(moment) > 1 else 1
    if len(known) <= overlap:
        return None
    speed = known["speed_mps"].to_numpy(np.float64)
    course = np.deg2rad(known["course_deg"].to_numpy(np.float64))
    step_s = moment[overlap:] - moment[:-overlap]
    turn = (course[overlap:] - course[:-overlap] + np.pi) % (2.0 * np.pi) - np.pi
    fast = np.minimum(speed[overlap:], speed[:-overlap]) >= limit["axes.least_speed_mps"]
    keep = (step_s <= limit["axes.longest_interval_s"]) & fast & (
        np.abs(turn) <= np.deg2rad(limit["axes.largest_course_step_deg"]))
    middle = 0.5 * (speed[overlap:] + speed[:-overlap])
    yaw = -turn / step_s
    change = (speed[overlap:] - speed[:-overlap]) / step_s
    return Motion(pd.DatetimeIndex(known.index)[0], moment[:-overlap][keep], moment[overlap:][keep], middle[keep],
                  yaw[keep], change[keep], (middle * yaw)[keep], overlap)


def interval_means(times_s: NDArray[np.float64], values: NDArray[np.float64], start_s: NDArray[np.float64],
                   end_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the mean of `values`, piecewise linear over `times_s`, in each [start, end] (any shape); NaN outside."""
    known = np.isfinite(values)
    moment, series = times_s[known], values[known]
    if len(moment) < 2:
        return np.full(np.shape(start_s), np.nan)
    step = np.diff(moment)
    integral = np.concatenate([[0.0], np.cumsum(0.5 * (series[1:] + series[:-1]) * step)])
    mean = (np.interp(end_s, moment, integral) - np.interp(start_s, moment, integral)) / (end_s - start_s)
    # A gap inside the interval would be bridged by a straight line: such intervals do not count.
    wide = np.concatenate([[0.0], np.cumsum(np.where(step > 5.0 * np.median(step), step, 0.0))])
    bridged = np.interp(end_s, moment, wide) > np.interp(start_s, moment, wide)
    return np.where((start_s < moment[0]) | (end_s > moment[-1]) | bridged, np.nan, mean)


def agreement(times_s: NDArray[np.float64], values: NDArray[np.float64], motion: Motion, *,
              reference: NDArray[np.float64], axis: str, lags_s: NDArray[np.float64] | None = None) -> Agreement:
    """Return how `values` at `times_s` (seconds after ``motion.origin``) follow `reference`, one value per interval.

    The lag is searched over +-1 s (or `lags_s`) for the largest absolute correlation.
    """
    limit = thresholds(*FILE)
    span = limit["axes.largest_lag_s"]
    lags = np.linspace(-span, span, 41) if lags_s is None else np.atleast_1d(lags_s)
    table = interval_means(times_s, values, motion.start_s + lags[:, None], motion.end_s + lags[:, None])
    # All lags are judged over the same intervals, or the edges would choose the lag.
    common = np.isfinite(table).all(axis=0) & np.isfinite(reference)
    n = int(common.sum()) // motion.overlap
    target, table = reference[common], table[:, common]
    if n < limit["axes.least_intervals"] or target.std() == 0.0 or not (table.std(axis=1) > 0).all():
        return Agreement(axis, np.nan, np.nan, np.nan, np.nan, np.nan, n)
    centred = table - table.mean(axis=1, keepdims=True)
    offset = target - target.mean()
    correlation = centred @ offset / np.sqrt((centred**2).sum(axis=1) * (offset**2).sum())
    best = int(np.argmax(np.abs(correlation)))
    scale, low, high = _scale(centred[best], offset, float(correlation[best]), n=n)
    return Agreement(axis, float(correlation[best]), scale, low, high, _vertex(lags, np.abs(correlation), best), n)


def _scale(values: NDArray[np.float64], reference: NDArray[np.float64], correlation: float, *,
           n: int) -> tuple[float, float, float]:
    """Return the scale of `values` per `reference` with a 95 % interval.

    Both sides are noisy, so the ratio of their spreads is used (reduced major axis); its relative standard error is
    sqrt((1 - r^2) / n), Ricker 1973, from memory, not re-read. Neighbouring intervals share an epoch whose noise enters
    with opposite sign; half of them are counted.
    """
    scale = float(np.sign(correlation) * np.sqrt((values**2).sum() / (reference**2).sum()))
    error = 1.96 * abs(scale) * float(np.sqrt(max(1.0 - correlation**2, 0.0) / (n / 2.0)))
    return scale, scale - error, scale + error


def _vertex(lags: NDArray[np.float64], height: NDArray[np.float64], best: int) -> float:
    """Return the top of the parabola through the best lag and its neighbours; the best lag itself at the ends."""
    if best in (0, len(lags) - 1):
        return float(lags[best])
    return float(lags[best] + top_between(*height[best - 1 : best + 2]) * (lags[1] - lags[0]))
