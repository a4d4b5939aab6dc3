"""Steps of the solution against independent motion, over windows of one length at every place, and their learnt sigmas."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analyzer.evidence.independent import Independent, running_median
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds

#: Cells that a ruler is learnt from at least, and how much worse than in quiet driving between known flanks it may be.
LEAST_CELLS, MOST_WORSE = 40, 3.0
#: How much worse a step across, along and up with one flank is known at least than one with both: a walk seen against one side
#: (computed, square root of 3); up beside a stand pitch is that of braking or starting, and drifts where nothing holds it on the far side.
ONE_FLANK = (1.7, 1.7, 4.0)

#: By how much more two flanks differ from each other than the window from both where one of them alone stepped (computed: 2, a pulse has 0).
FLANKS_DIFFER = 1.7

#: Speed below which the noise of positions, not of angles, is what a step across the track or in height is known to [m/s].
STILL_MPS = 20.0


@dataclass(frozen=True)
class Scan:
    """Steps (axes, m) and sigmas of one length, at the middles of windows; `flank` where not the window but one beside it stepped."""

    length_s: float
    step: Floats
    sigma: Floats
    flank: Flags


def on_grid(track: Track, motion: Independent, every: float) -> tuple[Floats, Floats, Floats]:
    """Return a regular grid, what flanks are held against in its cells (3, m), and what makes velocities of it (3, m).

    Directions of travel and of climb as angles, and along the track the energy: their slow errors do not change with
    speed, those of velocities do. NaN in cells without any.
    """
    cell = np.floor((track.t - track.t[0]) / every + 1e-6).astype(np.int64)
    count = int(cell[-1]) + 1
    speed = np.maximum(np.nan_to_num(np.hypot(*track.velocity.T)), 1.0)
    out = np.full((3, count), np.nan)
    up = motion.up if "up" in motion.sources else motion.slope
    for k, values in enumerate((motion.across / speed, motion.along * speed, up / speed)):
        known = np.isfinite(values)
        number = np.bincount(cell[known], minlength=count)
        total = np.bincount(cell[known], values[known], minlength=count)
        out[k] = np.where(number > 0, total / np.maximum(number, 1), np.nan)
    t = track.t[0] + (np.arange(count) + 0.5) * every
    fast = np.interp(t, track.t, speed)
    return t, out, np.stack([fast, 1 / fast, fast])


def driving_of(t: Floats, track: Track, length_s: float) -> tuple[Flags, Floats]:
    """Return whether the car turns, brakes or speeds up much within a window and its flanks, and its change of speed [m/s]."""
    limits = thresholds("analyzer.evidence")
    # where velocity is not known the car did not stand: what is known on both sides leads across
    known = np.isfinite(track.velocity).all(axis=1)
    if not known.any():
        return np.zeros(len(t), dtype=bool), np.zeros(len(t))
    speed = np.hypot(*track.velocity[known].T)
    course = np.unwrap(np.arctan2(*track.velocity[known].T))
    reach = length_s / 2 + limits["slew.flank"] / 2
    change = [np.abs(np.interp(t + reach, track.t[known], x) - np.interp(t - reach, track.t[known], x)) for x in (course, speed)]
    return (change[0] > limits["slew.turn"]) | (change[1] > limits["slew.change"]), change[1]


def _window_means(values: Floats, first: int, last: int) -> tuple[Floats, Floats]:
    """Return the mean of cells i+first .. i+last-1 for every i, and the share of them that is known; (axes, m)."""
    count = values.shape[1]
    known = np.isfinite(values)
    total = np.concatenate([np.zeros((len(values), 1)), np.cumsum(np.where(known, values, 0.0), axis=1)], axis=1)
    number = np.concatenate([np.zeros((len(values), 1)), np.cumsum(known, axis=1)], axis=1)
    low, high = np.clip(np.arange(count) + first, 0, count), np.clip(np.arange(count) + last, 0, count)
    some = number[:, high] - number[:, low]
    return (total[:, high] - total[:, low]) / np.maximum(some, 1), some / (last - first)


def steps_over(values: Floats, gain: Floats, every: float, length_s: float) -> tuple[Floats, Flags, Flags]:
    """Return the steps over windows of one length, (axes, m) [m], whether both flanks were there, and where a flank moved."""
    half = max(1, round(length_s / 2 / every))
    flank = max(2, round(thresholds("analyzer.evidence")["slew.flank"] / every))
    core, filled = _window_means(values, -half, half)
    left, has_left = _window_means(values, -half - flank, -half)
    right, has_right = _window_means(values, half, half + flank)
    on_left, on_right = has_left > 0.6, has_right > 0.6
    beside = np.where(on_left & on_right, (left + right) / 2, np.where(on_left, left, right))
    # where a flank stands out more than the window itself, the flank is the step, by itself or from the other
    alone = (np.abs(core) < np.where(on_left, np.abs(left), 0.0)) | (np.abs(core) < np.where(on_right, np.abs(right), 0.0))
    flank_only = alone | (on_left & on_right & (np.abs(right - left) > FLANKS_DIFFER * np.abs(core - beside)))
    step = np.where((filled > 0.75) & (on_left | on_right), (core - beside) * gain * length_s, np.nan)
    return step, on_left & on_right, flank_only


def _weight(gain: Floats) -> Floats:
    """Return how much less a step is known in each cell (axes, m): directions are held against angles, whose errors grow with speed."""
    weight = np.ones_like(gain)
    weight[[0, 2]] = np.hypot(gain[[0, 2]], STILL_MPS)
    return weight


def scan_length(values: Floats, gain: Floats, every: float, length_s: float, *, driving: tuple[Flags, Floats]) -> Scan:
    """Return the steps over windows of one length and their learnt sigmas.

    With one flank and with both, in quiet and in busy driving, each for itself; `driving` as from `driving_of`.
    """
    limits = thresholds("analyzer.evidence")
    busy, change = driving
    step, both, flank = steps_over(values, gain, every, length_s)
    weight = _weight(gain)
    sigma = np.full(step.shape, np.nan)
    around = max(5, round(limits["slew.around"] / every))
    for k in range(len(step)):
        plain = np.nan
        for flanked, driven in ((True, ~busy), (True, busy), (False, ~busy), (False, busy)):
            here = (both[k] == flanked) & driven & np.isfinite(step[k])
            if not here.any():
                continue
            size = np.where(here, np.abs(step[k]) / weight[k], np.nan)
            usual = 1.4826 * float(np.nanmedian(size)) if here.sum() >= LEAST_CELLS else np.nan
            # where few or none were driven otherwise, the slow step itself would be the ruler
            usual = float(np.fmin(usual, MOST_WORSE * plain))
            if not flanked:
                usual = float(np.fmax(usual, ONE_FLANK[k] * plain))
            if not np.isfinite(usual):
                continue
            plain = usual if not np.isfinite(plain) else plain
            near = 1.4826 * running_median(size, around)
            sigma[k, here] = (np.clip(near, 0.7 * usual, 1.5 * usual) * weight[k])[here]
    # a percent of scale is enough to make a pulse of a change of speed, or of a burst of speed within the window
    burst, _, _ = steps_over(np.where(np.isfinite(values[1]), gain[0], np.nan)[None, :], np.ones((1, len(gain[0]))), every, length_s)
    sigma[1] = np.hypot(sigma[1], limits["slew.scale"] * np.fmax(change * length_s, np.abs(burst[0])))
    return Scan(length_s, step, np.maximum(sigma, limits["slew.floor"]), flank)
