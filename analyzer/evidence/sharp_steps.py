"""Steps of one epoch in plan and in height at once, at rates at which velocity wanders too much between epochs to show them.

A receiver that takes or leaves a wrong fix moves plan and height within one epoch. Each of both steps may be hidden by itself: in plan by
the wander of velocity over the seconds that medians need, in height by a kerb. Both at the same epoch, each far beyond the steps around
it, and staying, are neither road nor driving.

Source: 1.4826 times the median absolute value is sigma of a normal, 0.8493 times the median length is that of both axes (Rayleigh).
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import median_filter

from analyzer.evidence.learnt import SIGMA_PER_MEDIAN
from analyzer.evidence.track import Floats
from analyzer.settings import thresholds

#: Sigma per axis over the median length of a pair of normal axes (computed: 1 over the square root of 2 ln 2).
SIGMA_PER_LENGTH = 0.8493


def sharp_steps(residual: Floats, up: Floats, every_s: float, truncated: Floats | None = None) -> list[int]:
    """Return the rows at which plan and height step at once and stay, or plan alone so far that nothing but a fix does, inside one fixed stretch.

    Parameters
    ----------
    residual : (n, 2) positions less integrated velocity [m].
    up : (n,) heights [m].
    every_s : usual interval between rows [s].
    truncated : (n-1,) variance of the residual's steps where speed changes between rows as nobody logged [m²]; none without.
    """
    limits = thresholds("analyzer.evidence")
    side = max(3, round(limits["stretch.jump_window"] / every_s))
    if len(up) < 4 * side or not np.isfinite(up).all():
        return []
    plan = np.hypot(*np.diff(residual, axis=0).T)
    climb = np.diff(up)
    rise = np.abs(climb - median_filter(climb, size=7, mode="nearest"))
    around = 2 * max(10, round(limits["sharp.around"] / every_s)) + 1
    least = _least(plan, SIGMA_PER_LENGTH, limits["stretch.least_jump"], around)
    both = np.stack([plan / least, rise / _least(rise, SIGMA_PER_MEDIAN, limits["height.least_jump"], around)])
    enough = ((both**2).sum(axis=0) > 2) & (both.min(axis=0) > limits["sharp.either"])
    alone = plan > limits["sharp.alone"] * np.hypot(least, limits["stretch.jump_sigmas"] * np.sqrt(0.0 if truncated is None else truncated))
    return [int(at) + 1 for at in np.flatnonzero(enough | alone) if _stays(residual, up, int(at) + 1, side, alone=bool(alone[at]))]


def _least(steps: Floats, ratio: float, floor_m: float, around: int) -> Floats:
    """Return what a step must exceed: some sigmas of the drive and of the steps around it, and `floor_m`."""
    near = median_filter(steps, size=min(around, len(steps)), mode="nearest")
    usual = np.maximum(near, float(np.median(steps))) * ratio
    return np.maximum(thresholds("analyzer.evidence")["stretch.jump_sigmas"] * usual, floor_m)


def _stays(residual: Floats, up: Floats, at: int, side: int, *, alone: bool) -> bool:
    """Return whether half of the step to row `at` is still there in the medians of both sides, in plan and in height."""
    if at < side or at + side > len(up):
        return False
    before, behind = slice(at - side, at), slice(at, at + side)
    slope = float(np.median(np.diff(up[at - side:at + side])))
    plan, climb = residual[at] - residual[at - 1], up[at] - up[at - 1] - slope
    left = np.median(residual[behind], axis=0) - np.median(residual[before], axis=0)
    climbed = np.median(up[behind]) - np.median(up[before]) - side * slope
    return bool(left @ plan >= 0.5 * (plan @ plan) and (alone or climbed * climb >= 0.5 * climb**2))
