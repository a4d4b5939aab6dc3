"""Whether a sensor was in this car on this drive: what never moves with the solution has not watched it.

A recording of another day, of another car, of zeros, in a wrong unit or with its axes exchanged may be given with the best of
intentions. Over a few seconds the course turns with the yaw, and the speed changes with the forward force or the wheels; a sensor
for which that is not so says nothing of where the car was, and counts as not given.

Source: planar rigid-body kinematics; Pearson's correlation and the slope of least squares.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyzer.settings import thresholds

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Following:
    """How changes of a sensor go with those of the solution.

    Attributes
    ----------
    correlation, scale : Pearson's correlation, and the sensor's change over that of the solution; NaN where the drive cannot tell.
    moved : RMS of the solution's changes.
    """

    correlation: float
    scale: float
    moved: float

    def by(self, least: float, *, widest: float = float("inf")) -> bool:
        """Return whether the sensor follows: a correlation of at least `least` and a scale within a factor of `widest`."""
        return self.correlation >= least and 1 / widest <= self.scale <= widest


def following(t: Floats, own: Floats, theirs: Floats, known: Flags) -> Following:
    """Return how `theirs` (n,) goes with `own` (n,) at the times `t` [s], by changes within `witness.step` of epochs that are all `known`."""
    limits = thresholds("analyzer.evidence")
    use = known & np.isfinite(own) & np.isfinite(theirs)
    last = np.searchsorted(t, t + limits["witness.step"])
    first = np.flatnonzero(last < len(t))
    held = np.r_[0, np.cumsum(use)]
    first = first[held[last[first] + 1] - held[first] == last[first] + 1 - first]
    if len(first) < 3 or t[last[first]].max() - t[first].min() < limits["witness.seconds"]:
        return Following(float("nan"), float("nan"), 0.0)
    mine, other = own[last[first]] - own[first], theirs[last[first]] - theirs[first]
    mine, other = mine - mine.mean(), other - other.mean()  # a bias is no motion
    square, size = float(mine @ mine), float(np.sqrt(mine @ mine * (other @ other)))
    if size == 0.0:
        return Following(0.0, 0.0, float(np.sqrt(square / len(mine))))
    return Following(float(mine @ other) / size, float(mine @ other) / square, float(np.sqrt(square / len(mine))))
