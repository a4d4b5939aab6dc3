"""Velocity in other axes, or of another scale, than the positions it is logged with.

Where positions came from a plane with one length of a degree for all, or velocity from a map grid, or the speed has a scale of its
own, the residual ``position - integral of velocity`` grows with the way driven: a few tenths of a per mille are decimetres in a
minute, and look like a slow swing of the position wherever the car drives far one way. The change of the residual over windows
is fitted by the ways east and north and by these times the place, which tells a scale or a direction that changes along the route::

    east   a1 E + a2 N + a3 ∫ n dE + a4 ∫ e dN          north  b1 N + b2 E + b3 ∫ e dE + b4 ∫ n dN

What is certain is taken out; how far the way across a gap may still be off with it is told as well. Multipath and wrong fixes do not
follow the way driven.

Source: scale factor and convergence of map grids, IOGP Guidance Note 7-2; robust regression with the weights of Huber (1964), from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analyzer import intervals
from analyzer.evidence.displacement import filled_velocity
from analyzer.evidence.learnt import SIGMA_PER_MEDIAN
from analyzer.evidence.sensor_errors import certain_shares
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds

#: Columns of `_ways` that explain the residual east and north; the first is the way along the axis itself.
TERMS = ((0, 1, 2, 3), (1, 0, 4, 5))


@dataclass(frozen=True)
class Askew:
    """`part` (n, 2) [m] of the residual that follows the way driven; `share` [m/m] of the way it amounts to (root mean square).

    `unsure_var` (n-1,) [m²] : what each step between epochs that do not count adds to the variance of the way across them, per axis.
    """

    share: float
    part: Floats
    unsure_var: Floats


def askew_velocity(track: Track, residual: Floats, usable: Flags) -> Askew:
    """Return what of `residual` (n, 2) [m] surely follows the way driven: nothing where that is not certain.

    Parameters
    ----------
    track : of the drive.
    residual : position against integrated velocity [m].
    usable : (n,) epochs whose position and velocity count.
    """
    limits = thresholds("analyzer.evidence")
    ways = _ways(track, usable)
    rows = track.learnt.rows("askew", *_by_window(track, np.column_stack([residual, ways]), usable))
    found, unsure = np.zeros((2, ways.shape[1])), np.diag([limits["askew.usual"] ** 2] * 2 + [0.0] * 2)[None].repeat(2, axis=0)
    if len(rows) >= limits["askew.least_windows"]:
        for axis, terms in enumerate(TERMS):
            found[axis, terms] = _certain(rows[:, 2 + np.array(terms)], rows[:, axis])
            unsure[axis] = _unsure(rows[:, 2 + np.array(terms)], rows[:, axis] - rows[:, 2:] @ found[axis], found[axis, terms])
    changed, way = rows[:, 2:] @ found.T, rows[:, 2:4]
    share = float(np.sqrt((changed**2).sum() / (way**2).sum())) if found.any() else 0.0
    return Askew(share, ways @ found.T, _unsure_var(ways, unsure, usable))


def _unsure(ways: Floats, left: Floats, taken: Floats) -> Floats:
    """Return the mean square (4, 4) of the shares of the `ways` (m, 4) of an axis by what is `left` (m,) of it once shares `taken` (4,) are out.

    Where no way led, a share may be as large as what was taken elsewhere, and as what is usual. One that shows, and is not certain enough to
    be taken out, is part of it.
    """
    limits = thresholds("analyzer.evidence")
    scale = max(limits["askew.widened"] * SIGMA_PER_MEDIAN * float(np.median(np.abs(left))), 1e-4)
    size = np.maximum(np.abs(taken).reshape(2, 2).max(axis=1), [limits["askew.usual"], 1e-12])
    cov = np.linalg.inv(ways.T @ ways / scale**2 + np.diag(1 / np.repeat(size, 2) ** 2))
    mean = cov @ ways.T @ left / scale**2
    return np.asarray(cov + np.outer(mean, mean), dtype=np.float64)


def _possible() -> Floats:
    """Return sigma of the shares (4,) of an axis before looking [m/m, m/m, 1/km, 1/km]."""
    limits = thresholds("analyzer.evidence")
    return np.repeat([limits["askew.possible"], limits["askew.by_place"]], 2)


def _unsure_var(ways: Floats, unsure: Floats, usable: Flags) -> Floats:
    """Return the variance of each step (n-1,) [m²]: over a gap they sum up to that of the whole way across it, since the share is the same all along."""
    step = np.diff(ways, axis=0)
    out, length = np.zeros(len(step)), np.hypot(*step[:, :2].T)
    for first, end in intervals.runs(~(usable[1:] & usable[:-1])):
        way, driven = step[first:end].sum(axis=0), length[first:end].sum()
        if driven > 0:
            across = max(float(way[list(terms)] @ cov @ way[list(terms)]) for cov, terms in zip(unsure, TERMS, strict=True))
            out[first:end] = across * length[first:end] / driven
    return out


def _ways(track: Track, usable: Flags) -> Floats:
    """Return the ways east and north since the start [m], and their integrals over the place [m km] as in the rule above, (n, 6)."""
    known = np.flatnonzero(np.isfinite(track.velocity).all(axis=1))
    if len(known) < 2:
        return np.zeros((len(track), 6))
    velocity = filled_velocity(track, known)
    step = (velocity[1:] + velocity[:-1]) / 2 * np.diff(track.t)[:, None]
    path = np.vstack([np.zeros((1, 2)), np.cumsum(step, axis=0)])
    place = path + (np.median((track.places[:, :2] - path)[usable], axis=0) if usable.any() else 0.0)
    (east, north), (e, n) = step.T, (place[1:] + place[:-1]).T / 2000.0
    return np.vstack([np.zeros((1, 6)), np.cumsum(np.column_stack([east, north, n * east, e * north, e * east, n * north]), axis=0)])


def _by_window(track: Track, series: Floats, usable: Flags) -> tuple[Floats, Floats]:
    """Return the change of `series` (n, k) over windows of `askew.window` in motion, (m, k), and when they begin [s]."""
    limits = thresholds("analyzer.evidence")
    torn = ~(usable[1:] & usable[:-1]) | (np.diff(track.t) > limits["bridge.longest_usual"] * track.nominal_s)
    window = np.floor((track.begun_s + track.t) / limits["askew.window"])
    begins = np.flatnonzero(np.r_[True, torn | (np.diff(window) > 0)])
    ends = np.r_[begins[1:], len(track)] - 1
    whole = usable[begins] & (track.t[ends] - track.t[begins] > 0.8 * limits["askew.window"])
    change = series[ends[whole]] - series[begins[whole]]
    far = np.hypot(change[:, 2], change[:, 3]) > limits["independent.least_speed"] * limits["askew.window"]
    return change[far], track.t[begins[whole]][far]


def _certain(ways: Floats, change: Floats) -> Floats:
    """Return the shares (4,) of the `ways` (m, 4) in `change` (m,), zero for those that are not certain."""
    along = np.maximum((ways[:, :2] ** 2).sum(axis=0), 1e-9)
    # about the middle of the route, so that a scale and its change with the place are told apart
    middle = np.array([0.0, 0.0, ways[:, 2] @ ways[:, 0] / along[0], ways[:, 3] @ ways[:, 1] / along[1]])
    sigmas = thresholds("analyzer.evidence")["askew.sigmas"]
    share = certain_shares(ways - middle * ways[:, [0, 1, 0, 1]], change, sigmas, usual=_possible())
    share[:2] -= (middle * share)[2:]
    return share
