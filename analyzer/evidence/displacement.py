"""Positions against the path that velocity integrates to: what is left is position error plus slow velocity error.

``residual = position - integral of velocity``. A position step without motion stays a step in it; motion drops out.
The step from one epoch to the next carries a variance of its own where velocity is missing or epochs are.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicHermiteSpline, CubicSpline

from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds


def integrate(t: Floats, velocity: Floats) -> tuple[Floats, Floats]:
    """Return the displacement from each epoch to the next, (n-1, 2) [m], and the variance of its truncation (n-1,) [m²].

    Trapezoid with the end correction of Euler and Maclaurin, dt²/12 times the change of acceleration, accelerations
    from a cubic spline: what the integral of that spline is, at low rates. In a slalom of a gate every 2.5 s, known once a second,
    it misses 0.6 % of the way across; central differences miss 3.6 %. What the correction amounts to measures what the sampling
    cannot show.
    """
    dt = np.diff(t)[:, None]
    mean = (velocity[1:] + velocity[:-1]) / 2 * dt
    if len(t) < 3:
        return mean, np.zeros(len(mean))
    limits = thresholds("analyzer.evidence")
    # nothing is known of what the car did in a pause: its square times the accelerations at both ends would be a way of kilometres
    along = dt <= limits["bridge.longest_hole"] * max(1.0, float(np.median(dt)))
    correction = np.where(along, dt**2 / 12 * np.diff(_acceleration(t, velocity), axis=0), 0.0)
    return np.asarray(mean - correction), np.asarray((limits["bridge.truncation"] * correction).max(axis=1) ** 2)


def _acceleration(t: Floats, velocity: Floats) -> Floats:
    """Return accelerations (n, 2) [m/s²] from splines between pauses; central differences where there is too little for one.

    At the ends their change is taken for none: with none given, a noisy last velocity would bend the spline far off. Where velocity is
    known more often than `bridge.coarse` central differences do as well, with less of its noise.
    """
    step = np.diff(t)
    beside = step > thresholds("analyzer.evidence")["bridge.coarse"]
    coarse = np.r_[beside, False] | np.r_[False, beside]
    ends = np.flatnonzero(step > thresholds("analyzer.evidence")["bridge.longest_hole"] * max(1.0, float(np.median(step)))) + 1
    out = np.gradient(velocity, t, axis=0)
    for first, last in pairwise([0, *ends.tolist(), len(t)]):
        if last - first > 3 and coarse[first:last].any():
            bent = CubicSpline(t[first:last], velocity[first:last], bc_type="natural")(t[first:last], 1)
            out[first:last] = np.where(coarse[first:last, None], bent, out[first:last])
    return np.asarray(out)


def residual(track: Track, *, delay_s: float = 0.0) -> tuple[Floats, Floats, Floats]:
    """Return the residual (n, 2) [m], the extra variance of pauses and the variance of truncation of each step (n-1,) [m²].

    `delay_s` is by how much velocity is later than positions (`late_velocity`): the path is taken from that much further on, at the
    end of the log with the last velocity.

    Between two epochs with velocity the way is integrated; a pause of `gap` seconds between them, of epochs or of
    velocity, adds ``(gap_growth gap^2.5)²``, the error of interpolating the velocity of a car across it. Beside a stand
    speeds below the limit for rest count as none; what they may be is added. Where velocity is missing for longer than
    `bridge.longest_hole` nothing is known of the way, but that a car gets no further than ``blind gap``: it keeps its direction for
    longer than an epoch, so that lengths add up and not variances. Where the drive itself tells what the way across may be off
    (`carried`) that counts.
    """
    limits = thresholds("analyzer.evidence")
    dt = np.diff(track.t)
    known = np.flatnonzero(track.measured)
    if len(known) < 2:
        return track.places[:, :2].copy(), _farthest(dt) ** 2, np.zeros(len(dt))
    velocity = filled_velocity(track, known)
    after = np.clip(np.searchsorted(known, np.arange(1, len(track))), 1, len(known) - 1)
    hole = track.t[known[after]] - track.t[known[after - 1]]
    outside = (np.arange(1, len(track)) > known[-1]) | (np.arange(len(track) - 1) < known[0])
    pause = hole > limits["bridge.longest_usual"] * track.nominal_s
    if len(track.led):
        pause &= ~(track.led[1:] | track.led[:-1])
    extra = np.where(pause, np.minimum(limits["bridge.gap_growth"] * hole**2.5, _farthest(hole)) ** 2 * dt / hole, 0.0)
    blind = outside | ((hole > limits["bridge.longest_hole"]) & (dt < hole * 0.999))
    untold = np.where(np.arange(len(dt)) < known[0], track.t[known[0]] - track.t[0], track.t[-1] - track.t[known[-1]])
    untold = np.maximum(np.where(outside, untold, hole), track.nominal_s)
    extra = np.where(blind, _farthest(untold) ** 2 * np.maximum(dt, track.nominal_s) / untold, extra)
    if len(track.carried):
        extra = np.where(np.isfinite(track.carried_var), track.carried_var, extra)
    extra = extra + _at_rest_edges(velocity, dt)
    path, truncated = _path(track.t, velocity, known if len(track.led) else np.arange(len(track)))
    if delay_s:
        beyond = np.maximum(track.t + delay_s - track.t[-1], 0.0)
        path = CubicHermiteSpline(track.t, path, velocity)(np.minimum(track.t + delay_s, track.t[-1])) + beyond[:, None] * velocity[-1]
        truncated = truncated + (limits["late.braking"] / 2 * beyond[1:] ** 2) ** 2
    if len(track.rounded_var):
        truncated = truncated + track.rounded_var
    return track.places[:, :2] - path, extra, truncated


def _farthest(seconds: Floats) -> Floats:
    """Return how far [m] a car may get without a trace in so many seconds; no more than `bridge.farthest`."""
    limits = thresholds("analyzer.evidence")
    return np.asarray(np.minimum(limits["bridge.blind"] * seconds, limits["bridge.farthest"]))


def _path(t: Floats, velocity: Floats, known: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Return the way (n, 2) [m] since the first epoch, and the variance of truncation of each step (n-1,) [m²].

    It is integrated from one epoch with a velocity of its own, `known`, to the next, and put in between them with both velocities.
    """
    moved, truncated = integrate(t[known], velocity[known])
    path = np.vstack([np.zeros((1, 2)), np.cumsum(moved, axis=0)])
    if len(known) == len(t):
        return path, truncated
    inside = np.clip(t, t[known[0]], t[known[-1]])
    between = CubicHermiteSpline(t[known], path, velocity[known])(inside) + (t - inside)[:, None] * velocity
    return between, np.diff(np.interp(t, t[known], np.r_[0.0, np.cumsum(truncated)]))


def filled_velocity(track: Track, known: NDArray[np.int64]) -> Floats:
    """Return velocities (n, 2) [m/s] with those between the epochs `known` interpolated, or as they were carried across."""
    filled = np.column_stack([np.interp(track.t, track.t[known], track.velocity[known, axis]) for axis in (0, 1)])
    return np.where(np.isfinite(track.carried), track.carried, filled) if len(track.carried) else filled


def _at_rest_edges(velocity: Floats, dt: Floats) -> Floats:
    """Return the variance (n-1,) [m²] of the two steps at each end of a stand: uniform up to the limit for rest, dt²/12."""
    zero = (velocity == 0).all(axis=1)
    edge = zero[1:] != zero[:-1]
    inner = zero[1:] & zero[:-1] & (np.r_[edge[1:], False] | np.r_[False, edge[:-1]])
    return np.asarray(np.where(edge | inner, (thresholds("analyzer.evidence")["standstill.speed"] * dt) ** 2 / 12, 0.0))


def lagged(values: Floats, lag: int, usable: Flags) -> Floats:
    """Return differences of `values` over `lag` epochs where both ends are `usable` and no break lies between."""
    if lag >= len(values):
        return np.empty((0, *values.shape[1:]))
    stretch = np.cumsum(np.r_[True, ~usable[1:] | ~usable[:-1]])
    both = usable[lag:] & usable[:-lag] & (stretch[lag:] == stretch[:-lag])
    return np.asarray((values[lag:] - values[:-lag])[both])


def robust_sigma(values: NDArray[np.float64]) -> float:
    """Return 1.4826 times the median absolute value: sigma of a normal sample about zero, blind to a minority."""
    finite = np.abs(values[np.isfinite(values)])
    return float(1.4826 * np.median(finite)) if len(finite) else np.nan
