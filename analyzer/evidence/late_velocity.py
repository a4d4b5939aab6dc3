"""Velocity that comes late: Doppler over an interval, or filtered, shows the car as it was a moment ago.

With a velocity that is late by d the residual ``position - integral of velocity`` holds ``d * velocity``: centimetres to metres
that come and go with the speed of the car and look like swings and jumps of the position. Along the track, over some seconds in
which the car speeds up or brakes, the residual changes by ``d`` times the change of the speed; turning does not enter there. The
median over many such moments, weighted by the squared change, is d. The path is then taken that much further on.

A motorway has too few such moments. There the residual's changes are fitted by those of the velocity, bends included, and by those
of its direction alone, which is what an antenna offset ahead would do: only a change of speed tells the two apart, and its sigma says so.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm
from scipy.stats import t as student

from analyzer.evidence.learnt import SIGMA_PER_MEDIAN
from analyzer.evidence.sensor_errors import robust_fit
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.metrics.correction_age import weighted_percentile
from analyzer.settings import thresholds

#: Sigma of the median of normal values over that of their mean: the root of pi / 2.
MEDIAN_PER_MEAN = 1.2533
#: So many moments in motion, overlapping fourfold, are enough for a fit of three numbers.
LEAST_MOMENTS = 80


def velocity_delay(track: Track, residual: Floats, usable: Flags) -> float:
    """Return by how much velocity is later than positions [s] (negative: earlier); 0 where it is not certain or too much.

    Parameters
    ----------
    residual : (n, 2) position against integrated velocity [m].
    usable : (n,) epochs whose position and velocity count.
    """
    limits = thresholds("analyzer.evidence")
    rows = track.learnt.rows("delay", *_by_window(track, residual, usable))
    joint = track.learnt.of("delay_joint", _by_vectors(track, residual, usable), "rows")
    rows = rows[rows[:, 1] >= limits["late.least_change"] ** 2]
    if len(rows) < limits["late.least_windows"]:
        if not len(joint):
            return 0.0
        share = 1.0 / joint[:, 1] ** 2
        middle, unsure = float(share @ joint[:, 0] / share.sum()), float(limits["late.sigmas"] / np.sqrt(share.sum()))
    else:
        middle, unsure = _middle(rows)
    certain = max(unsure, limits["late.least"]) < abs(middle) <= limits["late.most"]
    return middle if certain else 0.0


def _middle(rows: Floats) -> tuple[float, float]:
    """Return the weighted median of the delays of windows (k, 2) and from which size on it is certain [s].

    The spread of so few is itself known badly: Student's t takes the place of the normal distribution.
    """
    delay, weight = rows.T
    middle = weighted_percentile(delay, weight, 50.0)
    count = float(weight.sum() ** 2 / (weight**2).sum())
    sigma = MEDIAN_PER_MEAN * SIGMA_PER_MEDIAN * weighted_percentile(np.abs(delay - middle), weight, 50.0) / np.sqrt(count)
    sigmas = float(student.isf(norm.sf(thresholds("analyzer.evidence")["late.sigmas"]), max(count - 1.0, 1.0)))
    return middle, sigmas * sigma


def _moments(track: Track, usable: Flags, ends: Flags) -> tuple[NDArray[np.int64], int]:
    """Return the epochs, four to a lag, from which `usable` ones lead to `late.lag` later without a gap, both being `ends`; and that lag."""
    limits = thresholds("analyzer.evidence")
    lag = max(1, round(limits["late.lag"] / track.nominal_s))
    stretch = np.cumsum(np.r_[True, ~(usable[1:] & usable[:-1]) | (np.diff(track.t) > limits["bridge.longest_usual"] * track.nominal_s)])
    return np.flatnonzero(ends[lag:] & ends[:-lag] & (stretch[lag:] == stretch[:-lag]))[:: max(1, lag // 4)], lag


def _by_vectors(track: Track, residual: Floats, usable: Flags) -> Floats:
    """Return one row of delay [s] and its sigma, told from an antenna offset ahead; no row where too little was driven."""
    limits = thresholds("analyzer.evidence")
    speed = np.hypot(*np.nan_to_num(track.velocity).T)
    moving = usable & (speed > limits["alignment.least_speed"])
    at, lag = _moments(track, usable, moving)
    if len(at) < LEAST_MOMENTS:
        return np.zeros((0, 2))
    ahead = track.velocity / np.maximum(speed, 1e-9)[:, None]
    left = np.column_stack([-ahead[:, 1], ahead[:, 0]])
    design = np.stack([(x[at + lag] - x[at]).T.ravel() for x in (track.velocity, ahead, left)], axis=1)
    found, scale = robust_fit(design, (residual[at + lag] - residual[at]).T.ravel())
    # moments overlap fourfold, so that only a quarter of them count
    sigma = 2.0 * scale * float(np.sqrt(np.linalg.pinv(design.T @ design)[0, 0]))
    return np.array([[found[0], sigma]]) if sigma > 0 else np.zeros((0, 2))


def _by_window(track: Track, residual: Floats, usable: Flags) -> tuple[Floats, Floats]:
    """Return rows (k, 2) of delay [s] and mean squared change of speed [m²/s²] of windows in time, and when they lie [s]."""
    limits = thresholds("analyzer.evidence")
    first, lag = _moments(track, usable, usable)
    if not len(first):
        return np.zeros((0, 2)), np.zeros(0)
    velocity = np.nan_to_num(track.velocity)
    speed = np.hypot(*velocity.T)
    between = velocity[first] + velocity[first + lag]
    length = np.hypot(*between.T)
    along = between / np.maximum(length, 1e-9)[:, None]
    faster = (speed[first + lag] - speed[first]) * (length > 0)
    moved = ((residual[first + lag] - residual[first]) * along).sum(axis=1)
    window = np.floor((track.begun_s + track.t[first]) / limits["late.window"]).astype(np.int64)
    window -= window.min()
    energy, count = np.bincount(window, faster**2), np.bincount(window)
    seen = energy > 0
    delay = np.bincount(window, faster * moved)[seen] / energy[seen]
    return np.column_stack([delay, energy[seen] / count[seen]]), np.bincount(window, track.t[first])[seen] / count[seen]

