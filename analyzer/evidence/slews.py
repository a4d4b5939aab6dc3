"""Slow steps of a fused solution: a filter that takes a wrong fix moves there within seconds, without a jump.

The velocity of the solution against independent motion (`independent`) is scanned for pulses of `LENGTHS_S`: the mean in a
window minus the mean of the flanks beside it, times its length, is the step of the position over the window. Sigma of each
length is learnt by medians from the drive itself, around every place; steps along, across and up count together.

Source: matched filter of a pulse in slowly varying noise; 1.4826 times the median absolute value is sigma of a normal.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyzer.evidence.independent import Independent, running_median
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds

#: Lengths of the pulses that are looked for [s]; filters settle within some seconds.
LENGTHS_S = (1.5, 3.0, 5.0, 8.0, 12.0)
AXES = ("across", "along", "up")
#: Variance of a step along an axis that nothing shows [m²].
UNSEEN_VAR = 1e6
#: Steps looked for at most: more than these would be noise, not fixes.
MOST = 40


@dataclass(frozen=True)
class Slews:
    """Slow steps in time order: `spans` (k, 2) seconds, `step` (k, 3) east, north, up [m], `var` (k, 2) per horizontal axis and in height.

    `inside` : per epoch. `sigma_m` : by axis, what a step of five seconds is known to; empty where nothing independent is.
    `shown` : per epoch, both horizontal axes were under watch.
    """

    spans: Floats
    step: Floats
    var: Floats
    inside: Flags
    shown: Flags
    sigma_m: dict[str, float]

    def between(self, first_s: float, last_s: float) -> NDArray[np.int64]:
        """Return the slews that lie between two moments."""
        return np.flatnonzero((self.spans[:, 1] > first_s) & (self.spans[:, 0] < last_s))


@dataclass(frozen=True)
class _Scan:
    """Steps (axes, m) and sigmas of one length, at the middles of windows."""

    length_s: float
    step: Floats
    sigma: Floats


def none_found(count: int) -> Slews:
    """Return that nothing was looked for."""
    off = np.zeros(count, dtype=bool)
    return Slews(np.zeros((0, 2)), np.zeros((0, 3)), np.zeros((0, 2)), off, off, {})


def find_slews(track: Track, motion: Independent) -> Slews:
    """Return the slow steps of the solution against independent motion."""
    limits = thresholds("analyzer.evidence")
    if not motion.sources:
        return none_found(len(track))
    every = max(limits["slew.grid"], track.nominal_s)
    t, values = _on_grid(track, motion, every)
    scans = [_scan(values, every, length) for length in LENGTHS_S if length >= 1.5 * every]
    if not scans:
        return none_found(len(track))
    spans = _peaks(t, values, scans, every)
    step, var = _measured(t, values, spans, scans, track, motion, every=every)
    inside = np.zeros(len(track), dtype=bool)
    for first, last in spans:
        inside |= (track.t >= first) & (track.t <= last)
    middle = scans[min(2, len(scans) - 1)]
    known = {axis: float(np.nanmedian(middle.sigma[k])) for k, axis in enumerate(AXES) if np.isfinite(middle.sigma[k]).any()}
    both = np.isfinite(middle.sigma[:2]).all(axis=0) & (np.nan_to_num(middle.sigma[:2], nan=9.0).max(axis=0) < limits["slew.known"])
    shown = np.interp(track.t, t, both.astype(np.float64)) > 0.5
    return Slews(spans, step, var, inside, shown, known)


def _on_grid(track: Track, motion: Independent, every: float) -> tuple[Floats, Floats]:
    """Return a regular grid and the mean differences in its cells, (3, m); NaN in cells without any."""
    cell = np.floor((track.t - track.t[0]) / every + 1e-6).astype(np.int64)
    count = int(cell[-1]) + 1
    out = np.full((3, count), np.nan)
    for k, axis in enumerate(AXES):
        values = getattr(motion, axis)
        known = np.isfinite(values)
        number = np.bincount(cell[known], minlength=count)
        total = np.bincount(cell[known], values[known], minlength=count)
        out[k] = np.where(number > 0, total / np.maximum(number, 1), np.nan)
    return track.t[0] + (np.arange(count) + 0.5) * every, out


def _window_means(values: Floats, first: int, last: int) -> tuple[Floats, Floats]:
    """Return the mean of cells i+first .. i+last-1 for every i, and the share of them that is known; (axes, m)."""
    count = values.shape[1]
    known = np.isfinite(values)
    total = np.concatenate([np.zeros((len(values), 1)), np.cumsum(np.where(known, values, 0.0), axis=1)], axis=1)
    number = np.concatenate([np.zeros((len(values), 1)), np.cumsum(known, axis=1)], axis=1)
    low, high = np.clip(np.arange(count) + first, 0, count), np.clip(np.arange(count) + last, 0, count)
    some = number[:, high] - number[:, low]
    return (total[:, high] - total[:, low]) / np.maximum(some, 1), some / (last - first)


def _steps(values: Floats, every: float, length_s: float) -> tuple[Floats, Flags]:
    """Return the steps over windows of one length, (axes, m) [m], and whether both flanks were there."""
    half = max(1, round(length_s / 2 / every))
    flank = max(2, round(thresholds("analyzer.evidence")["slew.flank"] / every))
    core, filled = _window_means(values, -half, half)
    left, has_left = _window_means(values, -half - flank, -half)
    right, has_right = _window_means(values, half, half + flank)
    on_left, on_right = has_left > 0.6, has_right > 0.6
    beside = np.where(on_left & on_right, (left + right) / 2, np.where(on_left, left, right))
    return np.where((filled > 0.75) & (on_left | on_right), (core - beside) * length_s, np.nan), on_left & on_right


def _scan(values: Floats, every: float, length_s: float) -> _Scan:
    """Return the steps over windows of one length and their learnt sigmas, with one flank and with both."""
    limits = thresholds("analyzer.evidence")
    step, both = _steps(values, every, length_s)
    sigma = np.full(step.shape, np.nan)
    around = max(5, round(limits["slew.around"] / every))
    for k in range(len(step)):
        for kind in (both[k], ~both[k]):
            here = kind & np.isfinite(step[k])
            if here.sum() < 20:
                continue
            size = np.where(here, np.abs(step[k]), np.nan)
            usual = 1.4826 * float(np.nanmedian(size))
            near = 1.4826 * running_median(size, around)
            sigma[k, here] = np.maximum(near, 0.7 * usual)[here]
    return _Scan(length_s, step, np.maximum(sigma, limits["slew.floor"]))


def _peaks(t: Floats, values: Floats, scans: list[_Scan], every: float) -> Floats:
    """Return the windows (k, 2) [s] of pulses, strongest first taken, in time order.

    What was found is blanked before the next is looked for: beside a pulse its own flanks would pass for another.
    """
    limits = thresholds("analyzer.evidence")
    left = values.copy()
    found: list[tuple[float, float]] = []
    for _ in range(MOST):
        best, at, length_s = 0.0, 0, 0.0
        for scan in scans:
            score = _score(_steps(left, every, scan.length_s)[0], scan.sigma, limits["slew.least"])
            top = int(np.argmax(score))
            if score[top] > best:
                best, at, length_s = float(score[top]), top, scan.length_s
        if best <= limits["slew.sigmas"]:
            break
        first, last = t[at] - length_s / 2 - limits["slew.margin"], t[at] + length_s / 2 + limits["slew.margin"]
        found.append((first, last))
        left[:, (t >= first) & (t <= last)] = np.nan
    return np.asarray(sorted(found), dtype=np.float64).reshape(-1, 2)


def _score(step: Floats, sigma: Floats, least: float) -> Floats:
    """Return how many sigmas the axes together stand out; 0 where none is large by itself."""
    ratio = np.nan_to_num(step / sigma)
    large = (np.nan_to_num(np.abs(step)) > least) & (np.abs(ratio) > 3.0)
    return np.where(large.any(axis=0), np.sqrt((ratio**2).sum(axis=0)), 0.0)


def _measured(
    t: Floats, values: Floats, spans: Floats, scans: list[_Scan], track: Track, motion: Independent, *, every: float
) -> tuple[Floats, Floats]:
    """Return the step of each span in east, north, up and its variances."""
    limits = thresholds("analyzer.evidence")
    direction = np.nan_to_num(motion.direction[np.clip(np.searchsorted(track.t, t), 0, len(track) - 1)])
    steps, variances = np.zeros((len(spans), 3)), np.full((len(spans), 2), UNSEEN_VAR)
    lengths = np.array([s.length_s for s in scans])
    for k, (first, last) in enumerate(spans):
        inside = (t >= first) & (t <= last)
        beside = ((t >= first - limits["slew.flank"]) & (t < first)) | ((t > last) & (t <= last + limits["slew.flank"]))
        nearest = scans[int(np.argmin(np.abs(lengths - (last - first))))]
        at = int(np.argmin(np.abs(t - (first + last) / 2)))
        grown = ((last - first) / nearest.length_s) ** 1.5
        pulse, sigma = np.zeros((3, int(inside.sum()))), np.full(3, np.nan)
        for axis in range(3):
            usual = nearest.sigma[axis, at] if np.isfinite(nearest.sigma[axis, at]) else float(np.nanmedian(nearest.sigma[axis])) if np.isfinite(nearest.sigma[axis]).any() else np.nan
            if not np.isfinite(usual) or not np.isfinite(values[axis, inside]).any():
                continue
            base = float(np.nanmedian(values[axis, beside])) if np.isfinite(values[axis, beside]).any() else 0.0
            pulse[axis] = np.nan_to_num(values[axis, inside] - base)
            sigma[axis] = usual * max(grown, 1.0)
        east = direction[inside, 0] * pulse[1] - direction[inside, 1] * pulse[0]
        north = direction[inside, 1] * pulse[1] + direction[inside, 0] * pulse[0]
        steps[k] = np.array([east.sum(), north.sum(), pulse[2].sum()]) * every
        size = float(np.hypot(*steps[k, :2]))
        across, along = sigma[0], sigma[1]
        if np.isfinite(across) and np.isfinite(along):
            variances[k, 0] = max(across, along) ** 2
        elif np.isfinite(across) or np.isfinite(along):
            variances[k, 0] = np.nansum([across, along]) ** 2 + (limits["slew.half_seen"] * size) ** 2
        variances[k, 1] = sigma[2] ** 2 if np.isfinite(sigma[2]) else UNSEEN_VAR
    return steps, variances
