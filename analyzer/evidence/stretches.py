"""Cut the fixed epochs into stretches with one offset each, and measure the steps between neighbours.

A new stretch begins where fixed is reached again, behind a gap, at a change of station, and where the residual jumps
within fixed. A step is the difference of medians over `stretch.end_window` at both ends; its variance is white noise over
the epochs used plus the wander of the bridge between them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyzer import intervals
from analyzer.evidence.noise import Noise
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Stretches:
    """Fixed stretches in order.

    Attributes
    ----------
    spans : (k, 2) [start, end) epochs.
    steps, step_var : (k-1, 2) [m] and (k-1,) [m²] between neighbours.
    by_jump : (k,) whether the stretch began with a jump inside fixed.
    id : per epoch, -1 outside.
    """

    spans: Ints
    steps: Floats
    step_var: Floats
    by_jump: Flags
    id: Ints

    def __len__(self) -> int:
        return len(self.spans)


def cut(track: Track, residual: Floats, extra_var: Floats, noise: Noise, breaks: Flags) -> Stretches:
    """Return the stretches of `track`; `breaks[i]` true begins a new one at epoch i (station or base change)."""
    gap = np.r_[False, np.diff(track.t) > max(thresholds("analyzer.evidence")["stretch.gap"], 1.5 * track.nominal_s)]
    spans = intervals.equal_runs(track.fixed, gap | breaks)
    spans = spans[track.fixed[spans[:, 0]]] if len(spans) else spans
    pieces: list[tuple[int, int]] = []
    by_jump: list[bool] = []
    for start, end in spans:
        at = [int(start), *jumps_in(residual[start:end], track, noise, int(start)), int(end)]
        pieces += list(zip(at[:-1], at[1:], strict=True))
        by_jump += [False] + [True] * (len(at) - 2)
    whole = np.asarray(pieces, dtype=np.int64).reshape(-1, 2)
    ids = np.full(len(track), -1, dtype=np.int64)
    for number, (start, end) in enumerate(whole):
        ids[start:end] = number
    steps, variances = _steps(whole, track, residual, extra_var, noise)
    return Stretches(whole, steps, variances, np.asarray(by_jump, dtype=bool), ids)


def jumps_in(residual: Floats, track: Track, noise: Noise, offset: int) -> list[int]:
    """Return epochs (from the start of the track) at which the residual jumps and stays, inside one fixed stretch.

    The medians of `stretch.jump_window` before and after must differ by more than `stretch.jump_sigmas` of their own
    noise and by more than `stretch.least_jump`; single spikes do not move a median.
    """
    limits = thresholds("analyzer.evidence")
    stride = max(1, int(0.1 / track.nominal_s))
    thin = residual[::stride]
    half = max(3, round(limits["stretch.jump_window"] / (track.nominal_s * stride)))
    if len(thin) < 2 * half + 1:
        return []
    medians = _running_median(thin, half)
    change = np.hypot(*(medians[half:] - medians[:-half]).T)
    span_s = np.array([half * stride * track.nominal_s])
    sigma = np.sqrt(2 * (1.57 * noise.white_m**2 / half) + noise.bridge_sigma(span_s)[0] ** 2)
    beyond = change > max(limits["stretch.jump_sigmas"] * sigma, limits["stretch.least_jump"])
    found: list[int] = []
    for start, end in intervals.runs(beyond):
        centre = (int(start + np.argmax(change[start:end])) + half) * stride
        first = max(centre - half * stride, 1)
        step = np.hypot(*np.diff(residual[first - 1:centre + half * stride], axis=0).T)
        at = first + int(np.argmax(step))
        if 1 < at < len(residual) - 1 and (not found or at - (found[-1] - offset) >= half * stride):
            found.append(offset + at)
    return found


def _running_median(values: Floats, width: int) -> Floats:
    """Return medians of `width` successive rows, (n - width + 1, 2)."""
    from numpy.lib.stride_tricks import sliding_window_view

    return np.median(sliding_window_view(values, width, axis=0), axis=-1)


def _steps(spans: Ints, track: Track, residual: Floats, extra_var: Floats, noise: Noise) -> tuple[Floats, Floats]:
    """Return the steps between neighbouring stretches and their variances."""
    count = max(len(spans) - 1, 0)
    steps, variances = np.zeros((count, 2)), np.empty(count)
    width = max(1, round(thresholds("analyzer.evidence")["stretch.end_window"] / track.nominal_s))
    gathered = np.r_[0.0, np.cumsum(extra_var)]
    walk = np.r_[0.0, np.cumsum(np.where(track.standing[1:] & track.standing[:-1], 0.0, np.diff(track.t)))]
    for k in range(count):
        before = np.arange(max(spans[k, 0], spans[k, 1] - width), spans[k, 1])
        after = np.arange(spans[k + 1, 0], min(spans[k + 1, 1], spans[k + 1, 0] + width))
        steps[k] = np.median(residual[after], axis=0) - np.median(residual[before], axis=0)
        centre = before[len(before) // 2], after[len(after) // 2]
        variances[k] = (
            1.57 * noise.white_m**2 * (1 / len(before) + 1 / len(after)) + noise.walk_m2ps * (walk[centre[1]] - walk[centre[0]])
            + gathered[spans[k + 1, 0]] - gathered[spans[k, 1] - 1]
        )
    return steps, variances
