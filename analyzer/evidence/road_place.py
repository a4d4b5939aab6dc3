"""Where heights are a matter of place in a recording: elsewhere passes of one place have nothing to say of each other."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from analyzer.evidence.learnt import SIGMA_PER_MEDIAN, Learnt
from analyzer.evidence.track import Flags, Floats
from analyzer.settings import thresholds

#: Time over which two passes along each other are followed [s].
LAG_S = 10.0
#: Sigma of a normal sample about zero over the lower quartile of its absolute values.
SIGMA_PER_QUARTILE = 3.1383


def of_place(at_s: Floats, other_s: Floats, off_m: Floats, *, learnt: Learnt, begun_s: float) -> Flags:
    """Return which pairs of passes at `at_s` and `other_s` (p,) that are `off_m` apart [m] are heights of one place: all, some or none.

    Two passes that run along each other keep their difference for `LAG_S`, also where one of them is off, and hardly ever does it
    go on changing as slopes differ that are none of one road. Where it does (storeys of a car park, a ramp beside the road), only
    those that are followed and keep together tell of one place, well away from there. Where passes only cross, the better part
    of all pairs must agree.
    """
    limits = thresholds("analyzer.evidence")
    away = _along(at_s, other_s, off_m)
    when_s = at_s - begun_s
    change = np.abs(away[:, -1] - off_m)
    known = np.isfinite(change)
    middle = SIGMA_PER_MEDIAN * learnt.quantile("road.lasting", change[known], empty=float("nan"), when_s=when_s[known])
    better = SIGMA_PER_QUARTILE * learnt.quantile("road.agree", np.abs(off_m), 0.25, empty=float("inf"), when_s=when_s)
    steps = np.abs(np.diff(away, axis=1))
    followed = np.isfinite(steps).sum(axis=1) >= 3
    going_on = np.full(len(off_m), np.nan)
    going_on[followed] = np.nanmedian(steps[followed], axis=1)  # a step of a fix is in one of them, or in two
    parting = learnt.quantile("road.parting", going_on[followed], 1 - limits["road.parting_share"], empty=0.0, when_s=when_s[followed])
    if learnt.count("road.lasting", int(known.sum())) < limits["road.least_lasting"]:
        return np.full(len(off_m), bool(better <= limits["road.most"]))
    if parting <= limits["road.parting"] or not middle <= limits["road.changes"]:
        return np.full(len(off_m), bool(middle <= limits["road.changes"]))
    return _together(at_s, other_s, going_on)


def _together(at_s: Floats, other_s: Floats, going_on_m: Floats) -> Flags:
    """Return which pairs go on by little, `going_on_m` (p,) [m], with none that parts within `road.parting_clear` of either pass."""
    limits = thresholds("analyzer.evidence")
    together = going_on_m <= limits["road.parting"]
    parting = going_on_m > limits["road.parting"]
    at = np.r_[-np.inf, np.unique(np.r_[at_s[parting], other_s[parting]]), np.inf]
    for pass_s in (at_s, other_s):
        behind = np.searchsorted(at, pass_s)
        together &= np.minimum(pass_s - at[behind - 1], at[behind] - pass_s) > limits["road.parting_clear"]
    return np.asarray(together)


def _along(at_s: Floats, other_s: Floats, off_m: Floats) -> Floats:
    """Return the differences (p, 5) of the same two passes from `LAG_S` before to `LAG_S` after each pair [m]; NaN where they do not run along each other.

    Passes run the same way or against each other: whichever is followed further.
    """
    seen = np.column_stack([at_s, other_s])
    tree = cKDTree(seen)
    ways = np.full((2, len(off_m), 5), np.nan)
    for way, out in zip((1.0, -1.0), ways, strict=True):
        for column, lag in enumerate(np.linspace(-LAG_S, LAG_S, 5)):
            away, there = (np.asarray(x) for x in tree.query(seen + lag * np.array([1.0, way]), distance_upper_bound=LAG_S / 4))
            known = np.isfinite(away)
            out[known, column] = off_m[there[known]]
    further = np.isfinite(ways).sum(axis=2).argmax(axis=0)
    return np.asarray(ways[further, np.arange(len(off_m))], dtype=np.float64)
