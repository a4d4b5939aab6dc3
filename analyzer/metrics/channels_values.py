"""Value resolution and true update rate of one recorded channel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analyzer.metrics.inertial_timing import FILE
from analyzer.settings import thresholds


@dataclass(frozen=True)
class Update:
    """How often a channel really changes.

    `kind` is ``every_row``, ``held`` (each value stands for `rows_per_update` rows), ``interpolated`` (straight lines
    between values `rows_per_update` rows apart), ``constant`` or ``irregular`` (repeats without a period: a slow or
    coarse quantity, whose update rate cannot be told).
    """

    kind: str
    rows_per_update: float


def resolution(values: ArrayLike) -> float:
    """Return the step of the grid on which all `values` stand, NaN where no step shows.

    Values on one decimal or binary grid differ by whole steps. Values that all survive a round trip through a 32-bit
    float have at least the spacing of that type at their magnitude (IEEE 754: 24 bits of significand), which is
    3.8e-6 deg at 48 deg.
    """
    array = np.asarray(values, dtype=np.float64)
    level = np.unique(array[np.isfinite(array)])
    if len(level) < 3:
        return np.nan
    largest = float(np.abs(level).max())
    step = _grid(level, largest)
    spacing = np.spacing(np.abs(level).astype(np.float32)).astype(np.float64)
    off = np.abs(level.astype(np.float32).astype(np.float64) - level)
    # Written as text, a 32-bit float is off by up to a hundredth of its spacing; few values could meet that by chance.
    slack = 0.02 * spacing if len(level) >= 20 else 0.0
    if np.all(off <= slack):
        coarse = float(spacing.max())
        return coarse if not np.isfinite(step) else max(step, coarse)
    return step


def _grid(level: NDArray[np.float64], largest: float) -> float:
    """Return the common step of the differences of sorted distinct values (Euclid with rounding), NaN without one."""
    grain = 4.0 * float(np.spacing(largest))
    difference = np.diff(level)
    difference = difference[difference > 8.0 * grain]
    if len(difference) < 2:
        return np.nan
    allowed = 1.0 - thresholds(*FILE)["channels.grid_share"]
    step = float(difference.min())
    for _ in range(40):
        # The rounding of the step grows with the multiple: far multiples say nothing.
        near = difference[difference * grain < 0.02 * step**2]
        if step < 50.0 * grain or len(near) < 2:
            return np.nan
        ratio = near / step
        rest = np.abs(ratio - np.rint(ratio))
        # A few differences fit any step by chance within a tenth: they must fit as well as their digits allow.
        off = rest > (0.1 if len(near) >= 12 else 1e-6 + 2.0 * grain * ratio / step)
        if off.mean() <= allowed:
            return float(near.sum() / np.rint(ratio).sum())
        step = float(rest[off].min()) * step
    return np.nan


def update(values: ArrayLike, times_s: ArrayLike, *, step: float = np.nan) -> Update:
    """Return how often the channel `values` at increasing `times_s` [s] is really updated.

    `step` is its resolution: second differences within two steps are rounding and no bend.
    """
    array = np.asarray(values, dtype=np.float64)
    known = np.isfinite(array)
    moment = np.asarray(times_s, dtype=np.float64)
    series, moment = (array, moment) if known.all() else (array[known], moment[known])
    if len(series) < 3:
        return Update("irregular", np.nan)
    change = np.flatnonzero(np.diff(series) != 0.0)
    if not len(change):
        return Update("constant", np.nan)
    period = _period(change)
    if period >= 1.5:
        return Update("held", period)
    straight = _interpolated(series, moment, step)
    if np.isfinite(straight):
        return Update("interpolated", straight)
    if len(change) >= 0.5 * (len(series) - 1):
        return Update("every_row", 1.0)
    return Update("irregular", np.nan)


def _period(at: NDArray[np.int64]) -> float:
    """Return the period [rows] of the positions `at`, NaN where they have none; 1 where most rows are hit."""
    limit = thresholds(*FILE)
    gap = np.diff(at)
    if len(gap) < limit["channels.least_changes"]:
        return np.nan
    usual = float(np.quantile(gap, 0.05, method="lower"))
    if usual < 2.0:
        return 1.0 if np.mean(gap == 1) >= 0.5 else np.nan
    # A value that comes out equal twice doubles a distance: multiples of the period count.
    centre = float(np.median(gap[gap <= 1.5 * usual]))
    period = float(gap[gap <= 1.5 * centre].mean())
    slack = 0.0 if period < 4.0 and float(period).is_integer() else max(1.0, 0.1 * period) if period >= 4.0 else 0.7
    fits = np.abs(gap - np.maximum(np.rint(gap / period), 1.0) * period) <= slack
    # Without a period a distance fits by chance with the share 2 slack / period.
    chance = min(1.0, (2.0 * slack + 1.0) / period)
    return period if fits.mean() >= max(limit["channels.regular_share"], 0.5 + 0.5 * chance) else np.nan


def _interpolated(series: NDArray[np.float64], moment: NDArray[np.float64], step: float) -> float:
    """Return the distance [rows] of the bends of a piecewise straight channel, NaN where it is none."""
    grain = 4.0 * float(np.spacing(np.abs(series).max()))
    rise = np.diff(series)
    floor = max(grain, 0.0 if not np.isfinite(step) else 2.01 * step)
    usual = float(np.median(np.abs(rise)))
    best = _bends(np.abs(np.diff(rise)) > max(floor, 1e-6 * usual))
    span = np.diff(moment)
    if np.isfinite(best) or not (span > 0).all():
        return best
    # Interpolated over uneven times: bends show in the slope, whose digits end with those of the times (1 microsecond).
    middle = float(np.median(span))
    slope = np.divide(rise, span, out=rise)
    del span
    blur = np.abs(slope)
    blur *= 2e-6 / middle
    blur += floor / middle
    return _bends(np.abs(np.diff(slope)) > blur[1:] + blur[:-1])


def _bends(bent: NDArray[np.bool_]) -> float:
    """Return the period of the bends, NaN where more than half of the rows bend or the bends have no period."""
    if bent.mean() > 0.7:
        return np.nan
    at = np.flatnonzero(bent)
    # A knot that lies between two rows bends at both: neighbours are one knot.
    at = at[np.concatenate([[True], np.diff(at) > 1])] if len(at) else at
    period = _period(at)
    return period if period >= 1.5 else np.nan
