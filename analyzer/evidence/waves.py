"""Slow multipath: swings of the position of half a minute to some minutes that velocity knows nothing of.

The residual of right fixed positions is the walk of integrated velocity errors, a usual slow position error and white noise;
a Kalman filter with that model whitens it. Against it stands the same plus a swing that begins and ends at zero::

    m(t) = sum over j of b_j s_j((t - a) / L),   b_j normal with zero mean

with sines of half periods from `wave.fastest` on, or one period on a plateau that sets in and ends within `wave.edge`,
for every begin a and length L. Both are linear and normal, so the logarithm of the Bayes factor is closed::

    ln B = 1/2 (z'B (B'B + P)^-1 B'z - ln det(I + P^-1/2 B'B P^-1/2)),   z, B whitened, P the prior precision of b

summed over both axes. All begins of one length run through the filter side by side: linear in the length of the drive.

Source: generalised likelihood of a signal of unknown shape in coloured noise by whitening, e.g. Van Trees, Detection,
Estimation, and Modulation Theory, part I, section 4.3, and the normal linear model with conjugate prior; from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from analyzer.evidence.noise import Noise
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.evidence.whitening import Whitening, whitened, whitening_of
from analyzer.settings import thresholds

#: Lengths of swings that are tried [s], and the share of the length by which begins lie apart.
LENGTHS_S = (40.0, 60.0, 90.0, 135.0, 200.0)
APART = 0.125
#: After its end a swing still shows in the whitened residual for about this long [s].
TAIL_S = 45.0
#: Swings less likely than this are left out of the mean.
LEAST_SHARE = 1e-5
#: Swings further apart than this do not vie with each other [s].
NEAR_S = 300.0
#: Rounds of looking: so many swings at most within `NEAR_S`.
MOST = 6


@dataclass(frozen=True)
class Waves:
    """Swings: `spans` (k, 2) [s] and `log_odds` (k,) of those that are certain, and per epoch `size` (n,) [m].

    `size` is the root mean square length of the horizontal swing, over all that might be: certain or not.
    """

    spans: Floats
    log_odds: Floats
    size: Floats

    def certain(self, t: Floats) -> Flags:
        """Return which moments `t` (n,) [s] lie in a swing that is certain."""
        out = np.zeros(len(t), dtype=bool)
        for start, end in self.spans:
            out |= (t >= start) & (t <= end)
        return out


@dataclass(frozen=True)
class _Tried:
    """Swings of `count` places: begins `first` (m,), log Bayes factors `odds` (m,), coefficients `fit` (m, J, 2), `cov` (m, J, J), sines `shape`."""

    count: int
    first: NDArray[np.int64]
    odds: Floats
    fit: Floats
    cov: Floats
    shape: Floats


def no_waves(count: int) -> Waves:
    """Return that nothing was looked for in `count` epochs."""
    return Waves(np.zeros((0, 2)), np.zeros(0), np.zeros(count))


def find_waves(track: Track, residual: Floats, noise: Noise, *, usable: Flags, coarse: Floats, lost_var: Floats) -> Waves:
    """Return the swings in `residual` (n, 2) of `usable` epochs.

    Each round weighs every begin and length against no (further) swing and against all others near it; the likeliest swings
    are taken out where they are certain, and the next round begins. What the last one says of the size at each moment is added.

    Parameters
    ----------
    coarse : (n,) how much noisier positions are around each epoch than usual.
    lost_var : (n-1,) variance of the way from each epoch to the next beyond `noise` [m²].
    """
    if not noise.learnt or usable.sum() * track.nominal_s < LENGTHS_S[0]:
        return no_waves(len(track))
    grid = whitening_of(track, residual, noise, usable=usable, coarse=coarse, lost_var=lost_var)
    every = float(grid.t[1] - grid.t[0])
    found: list[tuple[float, float, float]] = []
    total, spread = np.zeros((len(grid.t), 2)), np.zeros(len(grid.t))
    for _ in range(MOST):
        white = whitened(grid, grid.value - total)
        tried = [_scan(grid, white, max(2, round(length / every)), every, quick) for length in LENGTHS_S for quick in (False, True)
                 if length < 1.5 * len(grid.t) * every]
        middle_s = np.concatenate([grid.t[0] + every * (x.first + x.count / 2) for x in tried])
        prior = np.concatenate([np.full(len(x.first), _log_prior(x.count * every)) for x in tried])
        weight = np.concatenate([x.odds for x in tried]) + prior + _log_again(middle_s, found)
        blunt = _blunted(middle_s + track.begun_s, weight)
        share = np.exp(blunt - np.logaddexp(0.0, _nearby(middle_s + track.begun_s, blunt)))
        mean, square = _moments(grid, tried, share * np.concatenate([_told(x.odds) for x in tried]))
        certain = _apart(middle_s, weight)
        if not certain:
            spread += square
            break
        for which in certain:
            first, swing = _likeliest(grid, tried, which)
            inside = slice(first, first + len(swing))
            total[inside] += swing
            near = np.abs(grid.t - middle_s[which]) <= NEAR_S
            spread[near] = np.maximum(spread, square - (mean**2).sum(axis=1))[near]
            found.append((float(grid.t[first] - every / 2), float(grid.t[first] + (len(swing) - 0.5) * every), float(weight[which])))
    seen = np.asarray(sorted(found)).reshape(-1, 3)
    return Waves(seen[:, :2], seen[:, 2], np.sqrt(np.interp(track.t, grid.t, (total**2).sum(axis=1) + spread)))


def _nearby(middle_s: Floats, weight: Floats) -> Floats:
    """Return the logarithm of the summed weight of all swings whose middles lie within `NEAR_S` (in bins of an eighth)."""
    return np.asarray(logsumexp(_around(middle_s, weight, np.logaddexp), axis=1)[_bins(middle_s)], dtype=np.float64)


def _blunted(middle_s: Floats, weight: Floats) -> Floats:
    """Return weights of which the largest within `NEAR_S` is no more than `wave.sharpest`, others less in proportion.

    At rest a swing stands out so far that the shape which fits best to a millimetre would rule out all others; shapes are
    no truer than that, and where the car then drives on, only the others tell for how long the swing may last.
    """
    most = _around(middle_s, weight, np.maximum).max(axis=1)[_bins(middle_s)]
    return np.asarray(weight * np.minimum(1.0, thresholds("analyzer.evidence")["wave.sharpest"] / np.maximum(most, 1e-9)), dtype=np.float64)


def _bins(middle_s: Floats) -> NDArray[np.int64]:
    bins = np.floor(middle_s / (NEAR_S / 8)).astype(np.int64)
    return np.asarray(bins - bins.min(), dtype=np.int64)


def _around(middle_s: Floats, weight: Floats, joined: np.ufunc) -> Floats:
    """Return per bin (k, 17) the weights of the bins around it, those of one bin `joined`."""
    bins = _bins(middle_s)
    each = np.full(int(bins.max()) + 17, -np.inf)
    joined.at(each, bins + 8, weight)
    return np.lib.stride_tricks.sliding_window_view(each, 17)


def _apart(middle_s: Floats, weight: Floats) -> list[int]:
    """Return the certain swings, likeliest first, that lie further than `NEAR_S` from each other."""
    limits = thresholds("analyzer.evidence")
    out: list[int] = []
    left = np.where(weight >= limits["wave.certain"], weight, -np.inf)
    while np.isfinite(left).any():
        out.append(int(np.argmax(left)))
        left[np.abs(middle_s - middle_s[out[-1]]) <= NEAR_S] = -np.inf
    return out


def _log_again(middle_s: Floats, found: list[tuple[float, float, float]]) -> Floats:
    """Return by how much more likely, as a logarithm, a swing is near one that was found."""
    limits = thresholds("analyzer.evidence")
    near = np.zeros(len(middle_s), dtype=bool)
    for start, end, _ in found:
        near |= (middle_s > start - NEAR_S) & (middle_s < end + NEAR_S)
    return np.where(near, np.log(limits["wave.again"]), 0.0)


def _told(odds: Floats) -> Floats:
    """Return the share of a swing's probability that the data speak for: nothing where they only cannot exclude it."""
    return np.asarray(1.0 - np.exp(-np.maximum(odds, 0.0)))


def _log_prior(length_s: float) -> float:
    """Return the logarithm of the probability of a swing of this length at one begin."""
    rate = thresholds("analyzer.evidence")["wave.per_hour"] / 3600
    return float(np.log(rate * APART * length_s / (2 * len(LENGTHS_S))))


def _shapes(count: int, every: float, quick: bool) -> tuple[Floats, float]:
    """Return the shapes (count, J) of a swing of `count` places and the variance of each coefficient [m²].

    Sines that vanish at both ends; or, for a swing that sets in and ends within `wave.edge`, one period on such a plateau.
    """
    limits = thresholds("analyzer.evidence")
    through = (np.arange(count)[:, None] + 0.5) / count
    if quick:
        rise = np.minimum(through, 1 - through) * count * every / limits["wave.edge"]
        plateau = 0.5 - 0.5 * np.cos(np.pi * np.minimum(rise, 1.0))
        shapes = plateau * np.hstack([np.ones_like(through), np.cos(2 * np.pi * through), np.sin(2 * np.pi * through)])
    else:
        shapes = np.sin(np.pi * through * np.arange(1.0, max(1, int(count * every / limits["wave.fastest"])) + 1))
    return shapes, float(limits["wave.size"] ** 2 / (shapes**2).mean(axis=0).sum())


def _projected(grid: Whitening, white: Floats, first: NDArray[np.int64], shapes: Floats, every: float) -> tuple[Floats, Floats]:
    """Return B'B (m, J, J) and B'z (m, J, 2) of the `shapes` (count, J) that begin at places `first` (m,)."""
    count, size = shapes.shape
    gram, seen = np.zeros((len(first), size, size)), np.zeros((len(first), size, 2))
    state = np.zeros((len(first), size, 3))
    for i in range(count + round(TAIL_S / every)):
        at = first + i
        inside = (at >= 0) & (at < len(grid.t))
        place = np.clip(at, 0, len(grid.t) - 1)
        shape = shapes[i] if i < count else np.zeros(size)
        row, ahead = grid.whiten(state, np.broadcast_to(shape, (len(first), size)), place)
        row = np.where(inside[:, None], row, 0.0)
        state = np.where(inside[:, None, None], ahead, state)
        gram += row[:, :, None] * row[:, None, :]
        seen += row[:, :, None] * white[place][:, None, :]
    return gram, seen


def _scan(grid: Whitening, white: Floats, count: int, every: float, quick: bool) -> _Tried:
    """Return every begin of swings of `count` places with log Bayes factor, coefficients and their covariance."""
    hop = max(1, round(count * APART))
    first = np.arange(-count // 2 + (count // 2 - grid.origin) % hop, len(grid.t) - count // 2, hop)
    shapes, var = _shapes(count, every, quick)
    gram, seen = _projected(grid, white, first, shapes, every)
    cov: Floats = np.asarray(np.linalg.inv(gram + np.eye(gram.shape[1]) / var), dtype=np.float64)
    fit: Floats = np.asarray(cov @ seen, dtype=np.float64)
    odds = 0.5 * (seen * fit).sum(axis=(1, 2)) + np.linalg.slogdet(cov)[1] - gram.shape[1] * np.log(var)
    return _Tried(count, first, odds, fit, cov, shapes)


def _moments(grid: Whitening, tried: list[_Tried], share: Floats) -> tuple[Floats, Floats]:
    """Return the mean swing (k, 2) [m] and its mean squared length (k,) [m²] that the weights `share` of all that was tried say."""
    mean, square = np.zeros((len(grid.t), 2)), np.zeros(len(grid.t))
    at = 0
    for some in tried:
        for k in np.flatnonzero(share[at:at + len(some.first)] > LEAST_SHARE):
            swing = some.shape @ some.fit[k]
            length = (swing**2).sum(axis=1) + 2 * np.einsum("ij,jk,ik->i", some.shape, some.cov[k], some.shape)
            place = some.first[k] + np.arange(some.count)
            inside = (place >= 0) & (place < len(square))
            mean[place[inside]] += share[at + k] * swing[inside]
            square[place[inside]] += share[at + k] * length[inside]
        at += len(some.first)
    return mean, square


def _likeliest(grid: Whitening, tried: list[_Tried], which: int) -> tuple[int, Floats]:
    """Return the first place and the swing (k, 2) of number `which` of all that was tried, as far as the drive reaches."""
    for some in tried:
        if which < len(some.first):
            first = int(some.first[which])
            swing = some.shape @ some.fit[which]
            return max(first, 0), swing[max(-first, 0):max(len(grid.t) - first, 0)]
        which -= len(some.first)
    raise IndexError(which)
