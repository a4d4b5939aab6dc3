"""Where the car stands by its Doppler speed, so that its position may be tested against that, and where it only creeps.

Speed at rest is noise of some centimetres a second. What a gentle start or stop, or a queue, shows is of that size too, and goes on for
seconds: taken for rest, the way that the car covers meanwhile would pass for an error of the position.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from analyzer import intervals
from analyzer.evidence.learnt import SIGMA_PER_MEDIAN
from analyzer.settings import thresholds

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


def between(t: Floats, values: Floats) -> Floats:
    """Return `values` (n,) with those that are missing only since they come at a lower rate put in between their neighbours."""
    known = np.flatnonzero(np.isfinite(values))
    if len(known) < 2 or len(known) == len(values):
        return values
    apart = np.diff(t[known])
    near = apart <= 1.5 * float(np.median(apart))
    interval = np.clip(np.searchsorted(known, np.arange(len(values)), side="right") - 1, 0, len(near) - 1)
    inside = (np.arange(len(values)) >= known[0]) & (np.arange(len(values)) <= known[-1]) & near[interval]
    return np.where(inside, np.interp(t, t[known], values[known]), values)


def standing_by_speed(t: Floats, speed: Floats, nominal_s: float, *, fused: bool = False) -> Flags:
    """Return whether the vehicle stands by its Doppler speed alone, so that positions may be tested against it.

    Medians over `standstill.average` keep single noisy speeds from breaking a stand. Where speed comes at a lower rate than positions
    it is taken from its neighbours. A stand ends where the speed exceeds the noise that it shows at rest: a gentle start goes on below any
    limit for seconds. Not so in a `fused` solution, whose speed shows its own slow steps as well.
    """
    limits = thresholds("analyzer.evidence")
    width = 2 * int(limits["standstill.average"] / 2 / nominal_s) + 1
    smooth = median_filter(np.nan_to_num(between(t, speed), nan=1e3), width, mode="nearest")
    slow = smooth < limits["standstill.speed"]
    for start, end in [] if fused else intervals.runs(slow):
        over = smooth[start:end] - np.median(smooth[start:end])
        noise = SIGMA_PER_MEDIAN * float(np.median(np.abs(over)))
        beyond = over > max(limits["standstill.noises"] * noise, limits["standstill.stirs"])
        calm = np.flatnonzero(~beyond)
        slow[start:start + calm[0]] = slow[start + calm[-1] + 1:end] = False
    return trimmed(t, slow)


def creeps(t: Floats, places: Floats, velocity: Floats, fixed: Flags) -> Flags:
    """Return where (n,) fixed `places` (n, 2) [m] move as slowly as `velocity` (n, 2) [m/s] says: a car in a queue, which does not stand.

    Held against each other over `creep.window` about each epoch. In a fused solution both come from one filter, and their agreement shows nothing.
    """
    limits = thresholds("analyzer.evidence")
    known = np.flatnonzero(fixed & np.isfinite(velocity).all(axis=1))
    out = np.zeros(len(t), dtype=bool)
    if len(known) < 2:
        return out
    at, here = t[known], places[known]
    pace = velocity[known]
    pace = pace * np.minimum(1.0, limits["standstill.speed"] / np.maximum(np.hypot(*pace.T), 1e-9))[:, None]  # braking beside a stand is no creeping
    way = np.vstack([np.zeros((1, 2)), np.cumsum((pace[1:] + pace[:-1]) / 2 * np.diff(at)[:, None], axis=0)])
    half = limits["creep.window"] / 2
    low, high = np.searchsorted(at, at - half - 1e-6), np.searchsorted(at, at + half + 1e-6) - 1
    driven, moved = way[high] - way[low], here[high] - here[low]
    far = np.hypot(*driven.T) > limits["creep.least_way"]
    out[known] = far & (np.hypot(*(moved - driven).T) < limits["creep.agrees"] * np.hypot(*driven.T))
    return out


def long_ones(t: Floats, standing: Flags) -> Flags:
    """Return the stands that are long enough."""
    out = standing.copy()
    for start, end in intervals.runs(standing):
        out[start:end] = t[end - 1] - t[start] >= thresholds("analyzer.evidence")["standstill.shortest"]
    return out


def trimmed(t: Floats, slow: Flags) -> Flags:
    """Return the stands among slow epochs: long enough, and without their first and last moments, which are still motion.

    A stand ends where epochs are missing for longer than `standstill.pause`: what the car did meanwhile nobody knows.
    """
    limits = thresholds("analyzer.evidence")
    margin = limits["standstill.margin"]
    standing = np.zeros(len(t), dtype=bool)
    paused = np.r_[False, np.diff(t) > limits["standstill.pause"]]
    for start, end in intervals.equal_runs(slow, paused[:len(t)]):
        if not slow[start]:
            continue
        if t[end - 1] - t[start] >= limits["standstill.shortest"] + 2 * margin:
            first = start + int(np.searchsorted(t[start:end], t[start] + margin)) if start else start
            last = start + int(np.searchsorted(t[start:end], t[end - 1] - margin)) if end < len(t) else end
            standing[first:last] = True
    return standing
