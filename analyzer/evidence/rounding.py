"""What the last digit of a logged speed may hide of the way: a car that keeps its speed keeps the error of rounding too.

A tenth of a knot is five centimetres a second: on a straight at constant speed the way is off by as much as 1.5 m a minute, always to
the same side, where noise of the speed is too small to carry it over the next digit. Errors of rounding are uniform: their variance is the
square of the step over twelve, and as long as the speed stays within one step they add up and not their squares. Told as a variance that grows from
epoch to epoch this would hide steps from one epoch to the next; `rounding.longest` is where both are told well enough.

Source: variance of a uniform distribution; JCGM 100 (GUM), 4.3.7.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analyzer.metrics.channels_values import resolution
from analyzer.settings import thresholds

Floats = NDArray[np.float64]
#: Units in which speeds are logged [m/s]: knots (a nautical mile of 1852 m an hour), km/h, m/s.
UNITS_MPS = (1852.0 / 3600.0, 1.0 / 3.6, 1.0)


def step_of(speed_mps: Floats) -> float:
    """Return the step [m/s] in which speeds are logged; 0 where it is finer than `rounding.least` or none shows."""
    known = speed_mps[np.isfinite(speed_mps)]
    steps = [resolution(np.round(known / unit, 6)) * unit for unit in UNITS_MPS] if len(known) else []
    coarsest = max((step for step in steps if np.isfinite(step)), default=0.0)
    return float(coarsest) if coarsest >= thresholds("analyzer.evidence")["rounding.least"] else 0.0


def rounded_var(t: Floats, speed_mps: Floats) -> Floats:
    """Return the variance (n-1,) [m²] of the way from each epoch to the next by the last digit of the speed; empty where it hides nothing."""
    step = step_of(speed_mps)
    if not step or len(t) < 2:
        return np.zeros(0)
    level = np.where(np.isfinite(speed_mps), np.rint(np.nan_to_num(speed_mps) / step), -1.0).astype(np.int64)
    begins = _runs(level)
    lasting = np.r_[t[begins[1:]], t[-1]] - t[begins]
    slow = thresholds("analyzer.evidence")["standstill.speed"]
    of = np.searchsorted(begins, np.arange(len(t) - 1), side="right") - 1
    var = step**2 / 12 * np.minimum(lasting[of], thresholds("analyzer.evidence")["rounding.longest"]) * np.diff(t)
    return np.where(level[:-1] * step > slow, var, 0.0)


def _runs(level: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return where runs begin within which speed stays on two neighbouring levels."""
    begins, low, high = [0], int(level[0]), int(level[0])
    for k in np.flatnonzero(np.diff(level)) + 1:
        value = int(level[k])
        low, high = min(low, value), max(high, value)
        if high - low > 1:
            begins.append(int(k))
            low = high = value
    return np.asarray(begins, dtype=np.int64)
