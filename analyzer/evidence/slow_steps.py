"""Slow steps of a satellite-only solution: multipath that comes or goes within seconds to half a minute.

Over windows of `LENGTHS_S` the residual against integrated Doppler changes by more than this drive's Doppler wanders in that
time (`noise.Noise.wander`). Multipath that moves slower than Doppler itself drifts cannot be seen this way.

Source: difference of a random walk with slowly changing rate against its learnt standard deviation.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from analyzer import intervals
from analyzer.evidence.noise import Noise
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds

LENGTHS_S = (4.0, 6.0, 9.0, 13.0, 19.0, 28.0, 40.0)
#: Spacing at which windows are looked at [s].
EVERY_S = 0.5


def slow_spans(
    track: Track, residual: Floats, noise: Noise, *, usable: Flags, coarse: Floats, lost_var: Floats, least_sigmas: float
) -> tuple[Floats, Floats]:
    """Return the windows (k, 2) [s] over which the residual of `usable` epochs moves beyond its wander, and by how many sigmas.

    `coarse` (n,) says how much noisier positions are around each epoch, `lost_var` (n-1,) what sampling and pauses hide [m²].
    Windows do not overlap; stronger ones are taken first.
    """
    every = max(EVERY_S, track.nominal_s)
    if not noise.learnt or len(track) < 20:
        return np.zeros((0, 2)), np.zeros(0)
    t, scores = _scores(track, residual, noise, every, usable=usable, coarse=coarse, lost_var=lost_var)
    found: list[tuple[float, float, float]] = []
    while scores.max(initial=0.0) > least_sigmas:
        which, at = np.unravel_index(int(np.argmax(scores)), scores.shape)
        half = LENGTHS_S[which] / 2
        found.append((t[at] - half, t[at] + half, float(scores[which, at])))
        for k, length in enumerate(LENGTHS_S):
            scores[k, np.abs(t - t[at]) < half + length / 2] = 0.0
    out = np.asarray(sorted(found), dtype=np.float64).reshape(-1, 3)
    return out[:, :2], out[:, 2]


def _scores(
    track: Track, residual: Floats, noise: Noise, every: float, *, usable: Flags, coarse: Floats, lost_var: Floats
) -> tuple[Floats, Floats]:
    """Return a regular grid and, per length, change over sigma of the window about each of its places."""
    limits = thresholds("analyzer.evidence")
    cell = np.floor((track.t - track.t[0]) / every + 1e-6).astype(np.int64)
    count = int(cell[-1]) + 1
    middle = pd.DataFrame(np.where(usable[:, None], residual, np.nan)).groupby(cell).median().reindex(range(count)).to_numpy()
    rough = pd.Series(coarse).groupby(cell).max().reindex(range(count)).ffill().to_numpy()
    t = track.t[0] + (np.arange(count) + 0.5) * every
    moving = np.cumsum(1.0 - np.interp(t, track.t, track.standing.astype(np.float64))) * every
    piece = np.cumsum(~np.isfinite(middle[:, 0]))
    table = np.array([0.0, *(noise.wander(s) for s in np.arange(1.0, 61.0))])
    hidden = np.interp(t, track.t, np.r_[0.0, np.cumsum(lost_var)])
    alone = max(limits["slow.own"], limits["slow.own_white"] * noise.white_m) ** 2
    white = 2 * noise.white_m**2 / max(1.0, every / track.nominal_s / 1.57)
    scores = np.zeros((len(LENGTHS_S), count))
    for k, length in enumerate(LENGTHS_S):
        lag = round(length / every)
        if lag < 2 or lag >= count:
            continue
        change = np.hypot(*(middle[lag:] - middle[:-lag]).T)
        wander = np.interp(moving[lag:] - moving[:-lag], np.arange(61.0), table)
        worse = np.maximum(rough[lag:], rough[:-lag]) ** 2
        sigma = np.sqrt(wander**2 + (2 * alone * min(1.0, length / 30.0) + white) * worse + hidden[lag:] - hidden[:-lag])
        score = np.where((piece[lag:] == piece[:-lag]) & (change > limits["slew.least"]), change / sigma, 0.0)
        scores[k, lag // 2:lag // 2 + len(score)] = np.nan_to_num(score)
    return t, scores


def excursions(
    track: Track, residual: Floats, noise: Noise, *, usable: Flags, coarse: Floats, lost_var: Floats,
    slow: Floats,
) -> Floats:
    """Return how far each epoch may be off within an excursion whose ends were seen as slow steps [m]; 0 outside.

    A step beyond `slow.sigmas` is certain by itself; fainter ones count beside one, or two of them beside each other. What
    lies between steps less than `slow.apart` from each other is doubtful, since multipath may move there slower than Doppler
    drifts; beside a step without a partner that side is on which the smoothed slow error `slow` (n, 2) is larger, for
    `slow.alone`, or both where it does not tell.
    """
    limits = thresholds("analyzer.evidence")
    out = np.zeros(len(track))
    spans, score = slow_spans(
        track, residual, noise, usable=usable, coarse=coarse, lost_var=lost_var, least_sigmas=limits["slow.partner"])
    if not len(spans):
        return out
    certain = _certain(spans, score)
    if not certain.any():
        return out
    gap = np.maximum(spans[:, None, 0] - spans[None, certain, 1], spans[None, certain, 0] - spans[:, None, 1]).min(axis=1)
    spans = spans[gap <= limits["slow.apart"]]
    group = np.cumsum(np.r_[0, spans[1:, 0] - spans[:-1, 1] > limits["slow.apart"]])
    for number in np.unique(group):
        inside = group == number
        first, last = spans[inside, 0].min(), spans[inside, 1].max()
        before = after = limits["slow.edge"]
        if inside.sum() == 1:
            before, after = _sides(track, slow, first, last)
        here = (track.t >= first - before) & (track.t <= last + after)
        here |= _reaching(track, slow, first, last)
        out[here] = np.maximum(out[here], _largest(track, residual, usable, spans[inside]))
    return out


def _certain(spans: Floats, score: Floats) -> Flags:
    """Return which steps are certain: by themselves, or as two faint ones near each other."""
    limits = thresholds("analyzer.evidence")
    out = np.asarray(score > limits["slow.sigmas"])
    fair = np.flatnonzero(score > limits["slow.pair"])
    close = spans[fair[1:], 0] - spans[fair[:-1], 1] <= limits["slow.apart"]
    out[fair[:-1][close]] = True
    out[fair[1:][close]] = True
    return out


def _largest(track: Track, residual: Floats, usable: Flags, spans: Floats) -> float:
    """Return the largest change of the residual over the spans [m]."""
    size = 0.0
    for first, last in spans:
        at = np.flatnonzero((track.t >= first) & (track.t <= last) & usable)
        if len(at) > 1:
            size = max(size, float(np.hypot(*(residual[at[-1]] - residual[at[0]]))))
    return size


def _sides(track: Track, slow: Floats, first: float, last: float) -> tuple[float, float]:
    """Return for how long epochs before and after a step without a partner are doubtful [s]."""
    limits = thresholds("analyzer.evidence")
    size = np.hypot(*slow.T)
    reach, edge = limits["slow.alone"], limits["slow.edge"]
    sides = [(track.t >= first - reach) & (track.t < first), (track.t > last) & (track.t <= last + reach)]
    before, after = (float(size[x].mean()) if x.any() else 0.0 for x in sides)
    if before > limits["slow.telling"] * after:
        return reach, edge
    return (edge, reach) if after > limits["slow.telling"] * before else (reach, reach)


def _reaching(track: Track, slow: Floats, first: float, last: float) -> Flags:
    """Return the epochs to which the smoothed error stays large without a break from the steps on, at most `slow.apart` away."""
    limits = thresholds("analyzer.evidence")
    size = np.hypot(*slow.T)
    usual = track.learnt.quantile("slow_size", size[track.fixed], empty=0.0, when_s=track.t[track.fixed])
    large = size > max(limits["slow.large"] * usual, limits["slew.least"])
    near = (track.t >= first - limits["slow.apart"]) & (track.t <= last + limits["slow.apart"])
    out = np.zeros(len(track), dtype=bool)
    for start, end in intervals.runs(large & near):
        if track.t[start] <= last and track.t[end - 1] >= first:
            out[start:end] = True
    return out
