"""Where the car surely stands, and how a solution that says otherwise moves there.

A fused solution that leaves a wrong fix at a stand moves, slowly or within a moment, and its own speed agrees. A car that
drives off pushes its accelerometer and turns its wheels; where neither shows it, the move is the solution's.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analyzer import intervals
from analyzer.evidence.chain import covariance
from analyzer.evidence.independent import Independent
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds


def stands(track: Track, motion: Independent) -> Flags:
    """Return whether the car stands, by speed, and through bursts of speed that nothing independent shows."""
    limits = thresholds("analyzer.evidence")
    slow = np.nan_to_num(np.hypot(*track.velocity.T), nan=np.inf) < limits["standstill.speed"]
    for start, end in intervals.runs(~slow):
        short = start > 0 and end < len(slow) and track.t[end] - track.t[start - 1] < limits["rest.burst"]
        still = motion.pushed[start:end]
        if short and np.isfinite(still).all() and np.abs(still).max(initial=0.0) < limits["rest.push"]:
            slow[start:end] = True
    out = np.zeros(len(track), dtype=bool)
    for start, end in intervals.runs(slow):
        # the first and last moments are still, or already, motion below the limit
        first = start + int(np.searchsorted(track.t[start:end], track.t[start] + limits["rest.margin"])) if start else 0
        last = start + int(np.searchsorted(track.t[start:end], track.t[end - 1] - limits["rest.margin"]))
        out[first:max(first, last)] = True
    return out


def moves_at_rest(track: Track, standing: Flags) -> tuple[Floats, Floats, Floats, Floats]:
    """Return spans (k, 2) [s], steps (k, 3) [m], variances (k, 4) and what of the steps was not seen (k, 3) [m] of moves of fixed positions while the car stands.

    Over every window of `rest.window` the medians of its first and last second are compared; sigma is learnt by medians over
    all stands. A move that is under way in the first or the last second of its stand may be seen in part: at its pace a filter settles within
    some seconds, and what the stand did not show of that lies between nothing and the whole: half of it is added, and half is sigma.
    """
    limits = thresholds("analyzer.evidence")
    at, step, under_way = _windows(track, standing & track.fixed)
    if not len(at):
        return np.zeros((0, 2)), np.zeros((0, 3)), np.zeros((0, 4)), np.zeros((0, 3))
    flat = max(1.4826 * float(np.median(np.abs(step[:, :2]))), limits["slew.floor"])
    high = max(1.4826 * float(np.median(np.abs(step[:, 2]))), limits["slew.floor"])
    size = np.hypot(*step[:, :2].T)
    beyond = (size > max(limits["rest.sigmas"] * flat, limits["slew.least"])) | (
        np.abs(step[:, 2]) > max(limits["rest.sigmas"] * high, 2 * limits["slew.least"]))
    found = intervals.runs(beyond)
    best = np.array([start + int(np.argmax(size[start:end] + np.abs(step[start:end, 2]))) for start, end in found], dtype=np.int64)
    beside = np.array([_fastest(under_way[start:end].reshape(-1, 3)) for start, end in found]).reshape(-1, 3) / limits["rest.edge"]
    half = _half_unseen(beside, step[best])
    unseen = (half**2).sum(axis=1)
    spans = at[best][:, None] + limits["rest.window"] / 2 * np.array([[-1.0, 1.0]])
    return spans, step[best] + half, covariance(flat**2 + unseen, high**2 + unseen), half


def _fastest(moves: Floats) -> Floats:
    out: Floats = moves[int(np.argmax((moves**2).sum(axis=1)))]
    return out


def _half_unseen(beside: Floats, step: Floats) -> Floats:
    """Return half (k, 3) [m] of what stands did not show of moves that pass their border at velocities `beside` (k, 3) [m/s]."""
    limits = thresholds("analyzer.evidence")
    pace, whole = (np.sqrt((one**2).sum(axis=1)) for one in (beside, step))
    left = np.maximum(limits["slew.settled"] * pace - whole, limits["rest.goes_on"] * pace)
    left = np.where(pace > limits["rest.under_way"] * whole, np.minimum(left, limits["slew.hidden"]), 0.0)
    half: Floats = (left / 2 / np.maximum(pace, 1e-9))[:, None] * beside
    return half


def _windows(track: Track, use: Flags) -> tuple[Floats, Floats, Floats]:
    """Return the middles (k,) [s] of windows at the stands in `use`, moves over them (k, 3) [m], and those under way at either end (k, 2, 3) [m]."""
    limits = thresholds("analyzer.evidence")
    window, edge = limits["rest.window"], limits["rest.edge"]
    centres: list[float] = []
    moved: list[NDArray[np.float64]] = []
    under_way: list[Floats] = []
    for start, end in intervals.runs(use):
        t = track.t[start:end]
        known = len(centres)
        for first in np.arange(t[0], t[-1] - window, edge):
            early = (t >= first) & (t < first + edge)
            late = (t >= first + window - edge) & (t < first + window)
            if early.any() and late.any():
                centres.append(first + window / 2)
                moved.append(np.median(track.places[start:end][late], axis=0) - np.median(track.places[start:end][early], axis=0))
        under_way.append(_under_way(t, track.places[start:end], edge, len(centres) - known))
    return np.asarray(centres), np.nan_to_num(np.asarray(moved)), np.concatenate([np.zeros((0, 2, 3)), *under_way])


def _under_way(t: Floats, places: Floats, edge_s: float, count: int) -> Floats:
    """Return for each of the `count` windows of a stand how the position moves within `edge_s` where the stand begins and ends [m]; 0 inside."""
    out = np.zeros((count, 2, 3))
    for k, first in enumerate((t[0], t[-1] - 2 * edge_s)):
        one, other = ((t >= first) & (t < first + edge_s), (t >= first + edge_s) & (t <= first + 2 * edge_s))
        if count and one.any() and other.any():
            out[-k, k] = np.nan_to_num(np.median(places[other], axis=0) - np.median(places[one], axis=0))
    return out
