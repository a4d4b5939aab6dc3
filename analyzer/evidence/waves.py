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
import pandas as pd
from numpy.typing import NDArray
from scipy.special import logsumexp

from analyzer.evidence.noise import Noise
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds

#: Lengths of swings that are tried [s], and the share of the length by which begins lie apart.
LENGTHS_S = (40.0, 60.0, 90.0, 135.0, 200.0)
APART = 0.125
#: After its end a swing still shows in the whitened residual for about this long [s].
TAIL_S = 45.0
#: Swings less likely than this are left out of the mean.
LEAST_SHARE = 1e-5
#: Swings of one drive that are looked for.
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


@dataclass(frozen=True)
class _Filter:
    """The whitening filter on a grid: `value` (k, 2), `known` (k,), `moving` (k,) [s] to the next place, gains and scales."""

    t: Floats
    value: Floats
    known: Flags
    moving: Floats
    decay: Floats
    usual: Floats
    gain: Floats
    scale: Floats

    def whiten(self, state: Floats, value: Floats, at: NDArray[np.int64]) -> tuple[Floats, Floats]:
        """Return the whitened `value` (m, …) at places `at` (m,) and the state (m, …, 3) carried to the next place."""
        wide = (slice(None),) + (None,) * (value.ndim - 1)
        known = self.known[at][wide]
        off = np.where(known, value - state[..., 0] - self.usual[at][wide] * state[..., 2], 0.0)
        after = state + self.gain[at].reshape(-1, *(1,) * (value.ndim - 1), 3) * off[..., None]
        ahead = np.stack([
            after[..., 0] + self.moving[at][wide] * after[..., 1], after[..., 1] * self.decay[at, 0][wide], after[..., 2] * self.decay[at, 1][wide],
        ], axis=-1)
        return off * self.scale[at][wide], ahead


def no_waves(count: int) -> Waves:
    """Return that nothing was looked for in `count` epochs."""
    return Waves(np.zeros((0, 2)), np.zeros(0), np.zeros(count))


def find_waves(track: Track, residual: Floats, noise: Noise, *, usable: Flags, coarse: Floats, lost_var: Floats) -> Waves:
    """Return the swings in `residual` (n, 2) of `usable` epochs.

    Each round weighs every begin and length against no (further) swing; what the weights say of the size at each moment is
    kept, the likeliest swing is taken out where it is certain, and the next round begins.

    Parameters
    ----------
    coarse : (n,) how much noisier positions are around each epoch than usual.
    lost_var : (n-1,) variance of the way from each epoch to the next beyond `noise` [m²].
    """
    limits = thresholds("analyzer.evidence")
    if not noise.learnt or usable.sum() * track.nominal_s < LENGTHS_S[0]:
        return no_waves(len(track))
    grid = _filter(track, residual, noise, usable=usable, coarse=coarse, lost_var=lost_var)
    every = float(grid.t[1] - grid.t[0])
    spans: list[tuple[float, float]] = []
    odds: list[float] = []
    total, spread = np.zeros((len(grid.t), 2)), np.zeros(len(grid.t))
    for _ in range(MOST):
        white = _whitened(grid, grid.value - total)
        tried = [_scan(grid, white, max(2, round(length / every)), every, quick) for length in LENGTHS_S for quick in (False, True)
                 if length < 1.5 * len(grid.t) * every]
        prior = [_log_prior(x.count * every, bool(spans)) for x in tried]
        weight = np.concatenate([x.odds + p for x, p in zip(tried, prior, strict=True)])
        share = np.exp(weight - np.logaddexp(0.0, logsumexp(weight)))
        mean, square = _moments(grid, tried, share * np.concatenate([_told(x.odds) for x in tried]))
        which = int(np.argmax(weight))
        if weight[which] < limits["wave.certain"]:
            spread += square
            break
        first, swing = _likeliest(grid, tried, which)
        spread = np.maximum(spread, square - (mean**2).sum(axis=1))
        total[first:first + len(swing)] += swing
        spans.append((float(grid.t[first] - every / 2), float(grid.t[first] + (len(swing) - 0.5) * every)))
        odds.append(float(weight[which]))
    return Waves(np.asarray(spans).reshape(-1, 2), np.asarray(odds), np.sqrt(np.interp(track.t, grid.t, (total**2).sum(axis=1) + spread)))


def _told(odds: Floats) -> Floats:
    """Return the share of a swing's probability that the data speak for: nothing where they only cannot exclude it."""
    return np.asarray(1.0 - np.exp(-np.maximum(odds, 0.0)))


def _log_prior(length_s: float, found: bool) -> float:
    """Return the logarithm of the probability of a swing of this length at one begin; more on a drive that showed one."""
    limits = thresholds("analyzer.evidence")
    rate = limits["wave.per_hour"] / 3600 * (limits["wave.again"] if found else 1.0)
    return float(np.log(rate * APART * length_s / (2 * len(LENGTHS_S))))


def _filter(track: Track, residual: Floats, noise: Noise, *, usable: Flags, coarse: Floats, lost_var: Floats) -> _Filter:
    """Thin the residual to a regular grid and run the variances of the whitening filter over it."""
    limits = thresholds("analyzer.evidence")
    every = max(limits["wave.grid"], track.nominal_s)
    cell = np.floor((track.t - track.t[0]) / every + 1e-6).astype(np.int64)
    count = int(cell[-1]) + 1
    grouped = pd.DataFrame(np.where(usable[:, None], residual, np.nan)).groupby(cell)
    value = grouped.median().reindex(range(count)).to_numpy()
    seen = grouped[0].count().reindex(range(count), fill_value=0).to_numpy(np.float64)
    rough = pd.Series(coarse).groupby(cell).max().reindex(range(count)).ffill().to_numpy()
    t = track.t[0] + (np.arange(count) + 0.5) * every
    standing = np.interp(t, track.t, track.standing.astype(np.float64)) > 0.5
    moving = np.where(standing, 0.0, every)
    lost = np.diff(np.interp(np.r_[t, t[-1] + every], track.t, np.r_[0.0, np.cumsum(lost_var)]))
    known = np.isfinite(value).all(axis=1) & (seen > 0)
    usual = rough * max(limits["wave.usual"], limits["wave.usual_white"] * noise.white_m)
    white = 1.57 * (noise.white_m * rough) ** 2 / np.maximum(seen, 1) + limits["knot.floor"] ** 2
    decay = np.column_stack([np.exp(-moving / noise.time_s), np.full(count, np.exp(-every / limits["wave.usual_time"]))])
    gain, scale = _gains(known, moving, decay, usual, white=white, walk=noise.unsure**2 * noise.walk_m2ps * moving + lost, rate=noise.unsure * max(noise.rate_mps, 1e-4))
    return _Filter(t, np.nan_to_num(value), known, moving, decay, usual, gain, scale)


def _gains(
    known: Flags, moving: Floats, decay: Floats, usual: Floats, *, white: Floats, walk: Floats, rate: float
) -> tuple[Floats, Floats]:
    """Return the gains (k, 3) and 1 over the innovation sigma (k,) of the filter with states walk, rate error, usual error."""
    gain, scale = np.zeros((len(known), 3)), np.zeros(len(known))
    cov = np.diag([1e8, rate**2, 1.0])
    step = np.eye(3)
    for k in range(len(known)):
        if known[k]:
            row = np.array([1.0, 0.0, usual[k]])
            across = cov @ row
            total = float(row @ across) + white[k]
            gain[k], scale[k] = across / total, 1 / np.sqrt(total)
            cov = cov - np.outer(across, across) / total
        step[0, 1], step[1, 1], step[2, 2] = moving[k], decay[k, 0], decay[k, 1]
        cov = step @ cov @ step.T
        cov[0, 0] += walk[k]
        cov[1, 1] += rate**2 * (1 - decay[k, 0] ** 2)
        cov[2, 2] += 1 - decay[k, 1] ** 2
    return gain, scale


def _whitened(grid: _Filter, value: Floats) -> Floats:
    """Return the whitened residual (k, 2)."""
    out, state = np.zeros_like(value), np.zeros((1, 2, 3))
    for k in range(len(value)):
        at = np.array([k])
        row, state = grid.whiten(state, value[None, k], at)
        out[k] = row[0]
    return out


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


def _projected(grid: _Filter, white: Floats, first: NDArray[np.int64], shapes: Floats, every: float) -> tuple[Floats, Floats]:
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


def _scan(grid: _Filter, white: Floats, count: int, every: float, quick: bool) -> _Tried:
    """Return every begin of swings of `count` places with log Bayes factor, coefficients and their covariance."""
    first = np.arange(-count // 2, len(grid.t) - count // 2, max(1, round(count * APART)))
    shapes, var = _shapes(count, every, quick)
    gram, seen = _projected(grid, white, first, shapes, every)
    cov: Floats = np.asarray(np.linalg.inv(gram + np.eye(gram.shape[1]) / var), dtype=np.float64)
    fit: Floats = np.asarray(cov @ seen, dtype=np.float64)
    odds = 0.5 * (seen * fit).sum(axis=(1, 2)) + np.linalg.slogdet(cov)[1] - gram.shape[1] * np.log(var)
    return _Tried(count, first, odds, fit, cov, shapes)


def _moments(grid: _Filter, tried: list[_Tried], share: Floats) -> tuple[Floats, Floats]:
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


def _likeliest(grid: _Filter, tried: list[_Tried], which: int) -> tuple[int, Floats]:
    """Return the first place and the swing (k, 2) of number `which` of all that was tried, as far as the drive reaches."""
    for some in tried:
        if which < len(some.first):
            first = int(some.first[which])
            swing = some.shape @ some.fit[which]
            return max(first, 0), swing[max(-first, 0):max(len(grid.t) - first, 0)]
        which -= len(some.first)
    raise IndexError(which)
