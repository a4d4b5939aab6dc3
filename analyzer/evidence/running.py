"""Running medians, white noise and nearest evidence along a series; linear in its length."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.evidence.learnt import Learnt

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


#: Windows in which noise is taken as constant, in epochs: enough for a median, short beside a stretch of trees.
LOCAL_EPOCHS = 31
#: Beyond this step [s] a car's own accelerations show in second differences.
SMOOTH_S = 0.3
#: 95th percentile over median of the absolute value of a normal.
P95_PER_MEDIAN = 1.959963984540054 / 0.6744897501960817


def white_noise(
    t: Floats, values: Floats, known: Flags | None = None, *, learnt: Learnt | None = None, key: str = "white"
) -> tuple[float, Floats]:
    """Return the 95 % size of the white noise of a smooth series, and how much rougher each place is (1 and more).

    From second differences at the usual interval, divided by sqrt(6): the larger of their counted 95th percentile and
    that of a normal with the same median, so that heavy tails count; at steps beyond `SMOOTH_S` only the median, since
    tails are then motion. NaN and ones for fewer than ten of them.
    """
    use = np.isfinite(values) if known is None else known & np.isfinite(values)
    flat = np.ones(len(t))
    if use.sum() < 12:
        return float("nan"), flat
    step = np.diff(t)
    even = step < 1.5 * float(np.median(step))
    whole = use[2:] & use[1:-1] & use[:-2] & even[1:] & even[:-1]
    second = np.where(whole, np.abs(values[2:] - 2 * values[1:-1] + values[:-2]), np.nan)
    if whole.sum() < 10:
        return float("nan"), flat
    seen, learnt = second[whole], learnt or Learnt()
    usual = learnt.quantile(key, seen)
    size = P95_PER_MEDIAN * usual / float(np.sqrt(6.0))
    if float(np.median(step)) > SMOOTH_S:
        return size, flat
    size = max(size, learnt.quantile(key, seen, 0.95) / float(np.sqrt(6.0)))
    local = pd.Series(np.r_[np.nan, second, np.nan]).rolling(LOCAL_EPOCHS, center=True, min_periods=5).median()
    rough = local.ffill().bfill().to_numpy(np.float64) / usual if usual > 0 else flat
    return size, np.maximum(np.nan_to_num(rough, nan=1.0), 1.0)


def lasting(
    t: Floats, difference: Floats, *, width_s: float, learnt: Learnt | None = None, key: str = "lasting"
) -> tuple[Floats, Flags]:
    """Return the size of the lasting part of a difference beyond its own uncertainty, and where it is known.

    The running median over `width_s` is held against its sigma, learnt from the medians of the whole series (robust, so
    that a minority of wrong stretches does not hide itself); its size above twice that sigma counts.
    """
    size, has = np.zeros(len(t)), np.zeros(len(t), dtype=bool)
    if len(t) < 3 or not np.isfinite(difference).any():
        return size, has
    width = max(1, round(width_s / float(np.median(np.diff(t)))))
    least = max(1, width // 2)
    middle = pd.Series(difference).rolling(width, center=True, min_periods=least).median().to_numpy(np.float64)
    has = np.isfinite(middle)
    if not has.any():
        return size, has
    usual = (learnt or Learnt()).sigma(key, middle[has])
    size[has] = np.where(np.abs(middle[has]) > 2.0 * usual, np.abs(middle[has]), 0.0)
    return size, has


def nearest_known(t: Floats, values: Floats, known: Flags, reach_s: float) -> tuple[Floats, Flags]:
    """Return `values` of the nearest known epoch within `reach_s`, the larger of both sides, and where there is one."""
    at = np.flatnonzero(known)
    if not len(at):
        return np.zeros(len(t)), np.zeros(len(t), dtype=bool)
    after = np.searchsorted(at, np.arange(len(t)))
    left, right = at[np.clip(after - 1, 0, len(at) - 1)], at[np.clip(after, 0, len(at) - 1)]
    left = np.where(known, np.arange(len(t)), left)
    out, seen = np.zeros(len(t)), np.zeros(len(t), dtype=bool)
    for side in (left, right):
        inside = np.abs(t - t[side]) <= reach_s
        out = np.where(inside, np.maximum(out, values[side]), out)
        seen |= inside
    return out, seen
