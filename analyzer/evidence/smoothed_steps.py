"""Steps that a receiver draws out over some seconds, because it smooths its positions by carrier phase or speed.

A wrong fix that is mended, or taken, is one step of what the receiver measures. Where it carries positions on by the measured motion and
pulls them to new ones, the log shows an exponential approach with a time constant of about a second: no two epochs differ by much, but
within a few seconds the position has moved against its velocity, and before and behind it lies still. Multipath at a stand takes
longer, and what wanders under trees does not lie still beside it.

Source: step response of a first-order filter, any textbook on signals; time constants of receivers are common practice.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import maximum_filter1d

from analyzer import intervals
from analyzer.evidence.noise import Noise
from analyzer.evidence.track import Floats
from analyzer.settings import thresholds

#: Seconds between the places that are looked at, and the width of the medians [s].
GRID_S, SIDE_S = 0.2, 1.0
#: Shares of a step between which it counts as under way.
BEGUN, ENDED = 0.08, 0.92


def smoothed_steps(
    residual: Floats, velocity: Floats, every_s: float, noise: Noise, *, coarse: Floats, truncated: Floats
) -> list[tuple[int, int]]:
    """Return first row and row behind of every drawn-out step inside one fixed stretch, in order.

    What a change of velocity leaves in the residual, by a clock that is late or an antenna that turns about the car, is no step of the fix.

    Parameters
    ----------
    residual : (n, 2) positions less integrated velocity [m].
    velocity : (n, 2) east, north [m/s].
    every_s : usual interval between rows [s]; from `GRID_S` on a step is as sharp as the rows, and none is returned.
    noise : white noise and wander of the residual on this drive.
    coarse : (n,) how much noisier positions are than usual, at least 1.
    truncated : (n-1,) variance of what the way between rows lacks [m²].
    """
    limits = thresholds("analyzer.evidence")
    stride = max(1, round(GRID_S / every_s))
    side, ramp = round(SIDE_S / (stride * every_s)), round(limits["smoothed.longest"] / (stride * every_s))
    thin, reach = residual[::stride], side + ramp
    if every_s > GRID_S or len(thin) < reach + 3 * side + 1:
        return []
    medians = np.median(np.lib.stride_tricks.sliding_window_view(thin, side, axis=0), axis=-1)
    step = medians[reach:] - medians[:-reach]
    size, far = np.hypot(*step.T), reach + side // 2
    lost, pace = np.r_[0.0, np.cumsum(truncated)][::stride], velocity[::stride]
    sigma = _rough(coarse[::stride], reach, side)[:len(size)] * np.hypot(2.0 * noise.white_m, noise.wander((reach + side) * stride * every_s))
    sigma = np.sqrt(sigma**2 + lost[far:][:len(size)] - lost[:len(size)])
    own = _beside(step, pace[far:][:len(size)] - pace[side // 2:][:len(size)], limits["smoothed.delay"])
    large = own > np.maximum(limits["smoothed.sigmas"] * sigma, limits["smoothed.least_step"])
    out: list[tuple[int, int]] = []
    for start, end in intervals.runs(large):
        # of all places from which the whole step is seen the middle one has as much rest before it as behind it
        full = start + np.flatnonzero(size[start:end] > ENDED * size[start:end].max())
        span = _under_way(medians, int(full[len(full) // 2]), reach, side)
        if span is not None and (not out or span[0] * stride >= out[-1][1]):
            out.append((span[0] * stride, min(span[1] * stride, len(residual) - 1)))
    return out


def _rough(coarse: Floats, reach: int, side: int) -> Floats:
    """Return the largest of `coarse` over each step: where positions are noisy velocity is too, the same satellites are hidden from both."""
    return np.asarray(maximum_filter1d(coarse, reach + side)[(reach + side // 2) // 2:], dtype=np.float64)


def _beside(step: Floats, changed: Floats, delay_s: float) -> Floats:
    """Return the size (m,) [m] of steps (m, 2) without what changes of velocity (m, 2) make of a clock late by up to `delay_s`."""
    pace = np.hypot(*changed.T)
    along = (step * changed).sum(axis=1) / np.maximum(pace, 1e-9)
    across = np.sqrt(np.maximum((step**2).sum(axis=1) - along**2, 0.0))
    return np.asarray(np.hypot(across, np.maximum(np.abs(along) - delay_s * pace, 0.0)))


def _under_way(medians: Floats, at: int, reach: int, side: int) -> tuple[int, int] | None:
    """Return where the step between the medians `at` and `at + reach` begins and ends; None where it is no single step with rest beside it."""
    limits = thresholds("analyzer.evidence")
    step = medians[at + reach] - medians[at]
    length = float(np.hypot(*step))
    along = (medians[at:at + reach + 1] - medians[at]) @ step / length**2
    beside = [medians[k] for k in (at - side, at + reach + side) if 0 <= k < len(medians)]
    rest = (medians[at], medians[at + reach])
    if len(beside) < 2 or any(np.hypot(*(b - r)) > limits["smoothed.rest"] * length for b, r in zip(beside, rest, strict=True)):
        return None
    first, last = int(np.argmax(along > BEGUN)), int(np.flatnonzero(along < ENDED)[-1]) + 1
    # one way all along, and not all at once: what is sharp is found as a jump
    if last - first > reach - side or (np.diff(along[first:last + 1]) < -BEGUN).any():
        return None
    return at + first, at + last + side


