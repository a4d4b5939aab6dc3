"""Drift of a static log that dies out, exp(-t/τ), against wander that is itself slow: odds, level and detectable size.

How slowly a log wanders cannot be read well from the log itself: half an hour holds few swings of ten minutes. A test
that takes the wander for known therefore finds drift in settled logs several times as often as it says. Here the odds
of drift against none are averaged over kinds of wander, sizes and decays, each weighted by how well it fits the log
(Bayes factor; Kass and Raftery 1995, from memory), and the level is kept by drawing logs without drift from the same
kinds with the same weights (posterior predictive p-value; Gelman, Meng and Stern 1996, from memory). The same draws
with a drift added give the size that would have been found.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

from analyzer.log_sums import log_sum
from analyzer.metrics.base_site_shift import limits

Array = NDArray[np.float64]

#: Kinds of wander: share of a mean over one block that is white, share of the rest that is slow, time constant of the
#: slow part [s], beside a quick part of half a minute. From multipath to ionosphere and orbits; common practice.
_WHITE, _SLOW, _QUICK_S = (0.001, 0.02, 0.2), (0.5, 0.8, 1.0), 30.0
_SLOW_S = (60.0, 150.0, 400.0, 1000.0, 2500.0)
#: Decays [s] looked for, that the detectable size is stated for, and sizes of drift over the sigma of the wander.
_DECAYS_S, _STATED_S, _SIZES = (35.0, 70.0, 140.0, 280.0, 560.0), 280.0, (0.7, 2.0, 6.0, 30.0)
#: Wander below this [m] is the last digit of the log.
_FLOOR_M = 1e-4
_SEED = 20260414


@dataclass(frozen=True)
class Drift:
    """What block means say of a drift.

    Attributes
    ----------
    vector_m, sigma_m : start against the later value per axis and its 1-sigma [m].
    decay_s : its time constant [s].
    log_odds : natural logarithm of the odds of drift against none.
    p_value : share of logs without drift, wandering as this one may, with odds at least as high.
    detectable_m : horizontal and vertical drift found with the stated power, decaying in `detectable_decay_s`; NaN
        where not asked for, or where a drift was found: it would count as wander.
    """

    vector_m: tuple[float, ...]
    sigma_m: tuple[float, ...]
    decay_s: float
    log_odds: float
    p_value: float
    detectable_m: tuple[float, float] = (float("nan"), float("nan"))
    detectable_decay_s: float = float("nan")


@dataclass(frozen=True)
class _Sums:
    """What logs are reduced to per kind of wander: rest (m, kinds, axes) [m²], drift (m, kinds, decays, axes) [m]."""

    rest: Array
    drift: Array


@dataclass(frozen=True)
class _Fit:
    """Odds of m logs, and weights of the kinds without drift (m, kinds)."""

    log_odds: Array
    weight: Array


class _Wander:
    """Every kind of wander at the times of some blocks, ready to be held against many logs."""

    def __init__(self, time_s: Array) -> None:
        self.free = len(time_s) - 1
        apart = np.abs(time_s[:, None] - time_s[None, :])
        kinds = []
        for white, slow, slow_s in product(_WHITE, _SLOW, _SLOW_S):
            smooth = (1.0 - slow) * np.exp(-apart / _QUICK_S) + slow * np.exp(-apart / slow_s)
            kinds.append(white * np.eye(len(time_s)) + (1.0 - white) * smooth)
        self.root = np.linalg.cholesky(np.stack(kinds))
        inverse = np.linalg.inv(np.stack(kinds))
        one = inverse.sum(axis=2)
        # generalised least squares with the level taken out
        self.without_level = inverse - one[:, :, None] * one[:, None, :] / one.sum(axis=1)[:, None, None]
        self.decays = np.exp(-time_s[:, None] / np.array(_DECAYS_S)[None, :])
        along = self.without_level @ self.decays
        self.reach2 = np.einsum("nt,knt->kt", self.decays, along)
        self.shape = along / self.reach2[:, None, :]
        self.log_size = np.log(np.diagonal(self.root, axis1=1, axis2=2)).sum(axis=1) + 0.5 * np.log(one.sum(axis=1))
        self.gain = np.array(_SIZES)[None, None, :] ** 2 * self.reach2[:, :, None]

    def reduce(self, points_m: Array) -> _Sums:
        """Return the sums of logs (m, axes, n) of block means."""
        logs, axes, count = points_m.shape
        flat = points_m.reshape(-1, count)
        rest = np.stack([((flat @ matrix) * flat).sum(axis=1) for matrix in self.without_level], axis=1)
        drift = np.einsum("mn,knt->mkt", flat, self.shape, optimize=True)
        return _Sums(
            rest.reshape(logs, axes, -1).transpose(0, 2, 1) + self.free * _FLOOR_M**2,
            drift.reshape(logs, axes, *self.reach2.shape).transpose(0, 2, 3, 1),
        )

    def fit(self, sums: _Sums) -> _Fit:
        """Return the odds of drift: sigma and level are integrated over without preference, drift over its sizes."""
        axes, half = sums.rest.shape[2], 0.5 * self.free
        gained = self.gain / (1.0 + self.gain)
        found2 = sums.drift**2 * self.reach2[None, :, :, None]
        left = np.ones((*sums.drift.shape[:3], len(_SIZES)))
        for axis in range(axes):
            left *= sums.rest[:, :, None, None, axis] - found2[..., axis, None] * gained
        some = -half * np.log(left) - 0.5 * axes * np.log1p(self.gain)
        some = log_sum(some, axis=(2, 3)) - np.log(self.gain[0].size) - axes * self.log_size
        none = -half * np.log(sums.rest).sum(axis=2) - axes * self.log_size
        total = log_sum(none, axis=1)
        return _Fit(log_sum(some, axis=1) - total, np.exp(none - total[:, None]))

    def draw(self, sums: _Sums, fit: _Fit, count: int, rng: np.random.Generator) -> _Sums:
        """Return `count` logs without drift that wander as the one log of `sums` and `fit` may."""
        kind = rng.choice(len(self.root), size=count, p=fit.weight[0] / fit.weight[0].sum())
        axes, size = sums.rest.shape[2], self.root.shape[1]
        sigma = np.sqrt(sums.rest[0, kind] / rng.chisquare(self.free, (count, axes)))
        normal = rng.standard_normal((count, axes, size))
        return self.reduce(normal @ self.root[kind].transpose(0, 2, 1) * sigma[..., None])

    def moved(self, sums: _Sums, axis: int, decay: int, size_m: float) -> _Sums:
        """Return logs with a drift of `size_m` along `axis` added that decays as the `decay`-th of those looked for."""
        reach2 = self.reach2[:, decay]
        cross = np.einsum("nt,knu->ktu", self.decays, self.shape)[:, decay, :]
        rest, drift = sums.rest.copy(), sums.drift.copy()
        rest[..., axis] += (2.0 * size_m * sums.drift[:, :, decay, axis] + size_m**2) * reach2
        drift[..., axis] += size_m * cross
        return _Sums(rest, drift)


@lru_cache(maxsize=8)
def _wander(time_s: tuple[float, ...]) -> _Wander:
    return _Wander(np.array(time_s))


def find_drift(blocks_m: Array, time_s: Array, *, detectable: bool = True) -> Drift:
    """Return the drift of block means and whether it is more than wander.

    Parameters
    ----------
    blocks_m, time_s : (axes, n) block means [m], and their times since the start of the log [s].
    detectable : whether the size that would be found is wanted, the costlier part; for east, north, up only.
    """
    limit, rng = limits(), np.random.default_rng(_SEED)
    wander = _wander(tuple(time_s.tolist()))
    sums = wander.reduce(blocks_m[None])
    fit = wander.fit(sums)
    odds = float(fit.log_odds[0])
    drawn = np.sort(wander.fit(wander.draw(sums, fit, int(limit["settle.draws"]), rng)).log_odds)
    above = len(drawn) - int(np.searchsorted(drawn, odds))
    vector, sigma, decay_s = _estimate(wander, sums)
    p_value = (1.0 + above) / (1.0 + len(drawn))
    sizes, in_s = (float("nan"), float("nan")), float("nan")
    if detectable and p_value > limit["settle.level"]:
        decay = int(np.flatnonzero(np.array(_DECAYS_S) <= max(float(time_s[-1]) / 4.0, _DECAYS_S[0]))[-1])
        decay = min(decay, _DECAYS_S.index(_STATED_S))
        critical = float(np.quantile(drawn, 1.0 - limit["settle.level"]))
        noise = wander.draw(sums, fit, int(limit["settle.power_draws"]), rng)
        sizes, in_s = _detectable(wander, noise, decay, critical), _DECAYS_S[decay]
    return Drift(vector, sigma, decay_s, odds, p_value, sizes, in_s)


def _estimate(wander: _Wander, sums: _Sums) -> tuple[tuple[float, ...], tuple[float, ...], float]:
    """Return start less later value, its sigma and the decay, averaged over kinds and decays by how well they fit."""
    value, rest = sums.drift[0], sums.rest[0]
    axes, free = value.shape[2], wander.free - 1
    left = np.maximum(rest[:, None, :] - value**2 * wander.reach2[..., None], 0.0) + free * _FLOOR_M**2
    log = -axes * (wander.log_size[:, None] + 0.5 * np.log(wander.reach2)) - 0.5 * free * np.log(left).sum(axis=2)
    weight = np.exp(log - log_sum(log))
    mean = np.einsum("kt,kta->a", weight, value)
    within = left / free / wander.reach2[..., None]
    sigma = np.sqrt(np.einsum("kt,kta->a", weight, within + (value - mean) ** 2))
    return tuple(mean.tolist()), tuple(sigma.tolist()), float(np.exp(weight.sum(axis=0) @ np.log(_DECAYS_S)))


def _detectable(wander: _Wander, noise: _Sums, decay: int, critical: float) -> tuple[float, float]:
    """Return the horizontal and vertical drift [m] whose odds exceed `critical` often enough, by halving intervals."""
    power = limits()["settle.power"]
    spread = np.sqrt(np.median(noise.rest, axis=(0, 1)) / wander.free)
    out = []
    for axis in (int(np.argmax(spread[:2])), 2):
        low, high = np.log(0.1 * spread[axis]), np.log(1000.0 * spread[axis])
        for _ in range(11):
            middle = 0.5 * (low + high)
            odds = wander.fit(wander.moved(noise, axis, decay, float(np.exp(middle)))).log_odds
            low, high = (middle, high) if float((odds > critical).mean()) < power else (low, middle)
        out.append(float(np.exp(high)))
    return out[0], out[1]


def three(values: Array | tuple[float, ...]) -> tuple[float, float, float]:
    """Return three values as a tuple of plain numbers."""
    a, b, c = (float(v) for v in values)
    return a, b, c


def blocks_of(values: Array, seconds: Array) -> tuple[Array, NDArray[np.int64], Array]:
    """Return the block means (axes, blocks) of a log, the index of their first epochs and their middles [s].

    Blocks are of `settle.block_s`, shorter where a log would have fewer than twelve, longer where it would have more
    than `settle.most_blocks`.
    """
    span, limit = float(seconds[-1] - seconds[0]), limits()
    length_s = max(min(limit["settle.block_s"], span / 12.0), span / limit["settle.most_blocks"])
    blocks, edges = block_means(values, seconds, length_s)
    return blocks, edges, np.asarray(seconds[edges] - seconds[0] + 0.5 * length_s, dtype=np.float64)


def block_means(points_m: Array, seconds: Array, length_s: float) -> tuple[Array, NDArray[np.int64]]:
    """Return the means (3, blocks) over stretches of `length_s` and the index of the first epoch of each."""
    number = np.floor((seconds - seconds[0]) / length_s + 1e-9).astype(np.int64)
    edges = np.flatnonzero(np.r_[True, np.diff(number) > 0])
    size = np.diff(np.r_[edges, len(seconds)])
    full = size >= 0.5 * np.median(size)
    means = np.stack([np.add.reduceat(row, edges) / size for row in points_m])
    return means[:, full], edges[full]
