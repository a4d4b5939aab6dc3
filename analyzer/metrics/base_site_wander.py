"""Kinds of slow wander of a static log, and how well shapes of movement fit beside each of them.

How slowly a log wanders cannot be read well from the log itself: half an hour holds few swings of ten minutes. A test
that takes the wander for known therefore finds drift in settled logs several times as often as it says. Here the odds
of a movement against none are averaged over kinds of wander, each weighted by how well it fits the log (Bayes factor;
Kass and Raftery 1995, from memory), and the level is kept by drawing logs without movement from the same kinds with the
same weights (posterior predictive p-value; Gelman, Meng and Stern 1996, from memory).
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
#: Decays [s] looked for, and sizes of drift over the sigma of the wander.
DECAYS_S, SIZES = (35.0, 70.0, 140.0, 280.0, 560.0), (0.7, 2.0, 6.0, 30.0)
#: Columns of the shapes: the decays, a straight line [per hour], a step after the first quarter.
DECAYS, LINE, STEP = slice(0, len(DECAYS_S)), len(DECAYS_S), len(DECAYS_S) + 1
#: Wander below this [m] is the last digit of the log.
FLOOR_M = 1e-4
_SEED = 20260414


@dataclass(frozen=True)
class Sums:
    """What m logs are reduced to per kind of wander.

    Attributes
    ----------
    rest : squares without level (m, kinds, axes) [m²].
    size : best size of each shape (m, kinds, shapes, axes) [m].
    steps : logarithm of the fit of a step, summed over every border of blocks (m, kinds); empty where not asked for.
    """

    rest: Array
    size: Array
    steps: Array


@dataclass(frozen=True)
class Fit:
    """Odds of decaying drift in m logs, and weights of the kinds without drift (m, kinds)."""

    log_odds: Array
    weight: Array


class Wander:
    """Every kind of wander at the times of some blocks, ready to be held against many logs."""

    def __init__(self, time_s: Array) -> None:
        count = len(time_s)
        self.free = count - 1
        apart = np.abs(time_s[:, None] - time_s[None, :])
        kinds = []
        for white, slow, slow_s in product(_WHITE, _SLOW, _SLOW_S):
            smooth = (1.0 - slow) * np.exp(-apart / _QUICK_S) + slow * np.exp(-apart / slow_s)
            kinds.append(white * np.eye(count) + (1.0 - white) * smooth)
        self.root = np.linalg.cholesky(np.stack(kinds))
        inverse = np.linalg.inv(np.stack(kinds))
        one = inverse.sum(axis=2)
        # generalised least squares with the level taken out
        without_level = inverse - one[:, :, None] * one[:, None, :] / one.sum(axis=1)[:, None, None]
        self.quarter = max(1, count // 4)
        step = (np.arange(count) >= self.quarter).astype(np.float64)
        self.shapes = np.column_stack([np.exp(-time_s[:, None] / np.array(DECAYS_S)), time_s / 3600.0, step])
        along = without_level @ self.shapes
        self.reach2 = np.einsum("nt,knt->kt", self.shapes, along)
        self.shape = along / self.reach2[:, None, :]
        # column b is what the step from block b + 1 on takes out of a log
        self.stepped = without_level[:, :, ::-1].cumsum(axis=2)[:, :, -2::-1].copy()
        self.step_reach2 = np.stack([self.stepped[:, b + 1 :, b].sum(axis=1) for b in range(self.free)], axis=1)
        self.log_size = np.log(np.diagonal(self.root, axis1=1, axis2=2)).sum(axis=1) + 0.5 * np.log(one.sum(axis=1))
        self.gain = np.array(SIZES)[None, None, :] ** 2 * self.reach2[:, DECAYS, None]

    def reduce(self, points_m: Array, *, steps: bool = False) -> Sums:
        """Return the sums of logs (m, axes, n) of block means; those over every `steps` are costlier."""
        logs, axes, count = points_m.shape
        flat = points_m.reshape(-1, count)
        apart = np.diff(flat, axis=1)
        rest, fits = np.empty((len(self.root), len(flat))), np.empty((logs, len(self.root) if steps else 0))
        for kind, stepped in enumerate(self.stepped):
            taken = flat @ stepped
            # summed by parts: what a matrix that takes the level out leaves of a log sums to nothing
            rest[kind] = np.einsum("rb,rb->r", taken, apart)
            if steps:
                np.square(taken, out=taken)
                taken /= -self.step_reach2[kind]
                taken += (rest[kind] + self.free * FLOOR_M**2)[:, None]
                fits[:, kind] = log_sum(-0.5 * self.free * np.log(taken.reshape(logs, axes, -1).prod(axis=1)), axis=1)
        size = np.einsum("mn,knt->mkt", flat, self.shape, optimize=True)
        return Sums(
            rest.reshape(-1, logs, axes).transpose(1, 0, 2) + self.free * FLOOR_M**2,
            size.reshape(logs, axes, *self.reach2.shape).transpose(0, 2, 3, 1),
            fits,
        )

    def none(self, sums: Sums) -> Array:
        """Return how well each kind fits logs without movement (m, kinds), sigma and level integrated out, as logarithm."""
        return np.asarray(-0.5 * self.free * np.log(sums.rest).sum(axis=2) - sums.rest.shape[2] * self.log_size)

    def fit(self, sums: Sums) -> Fit:
        """Return the odds of decaying drift: sigma and level are integrated over without preference, drift over its sizes."""
        axes, half, size = sums.rest.shape[2], 0.5 * self.free, sums.size[:, :, DECAYS]
        gained = self.gain / (1.0 + self.gain)
        found2 = size**2 * self.reach2[None, :, DECAYS, None]
        left = np.ones((*size.shape[:3], len(SIZES)))
        for axis in range(axes):
            left *= sums.rest[:, :, None, None, axis] - found2[..., axis, None] * gained
        some = np.log(left, out=left)
        some *= -half
        some -= 0.5 * axes * np.log1p(self.gain)
        some = log_sum(some, axis=(2, 3)) - np.log(self.gain[0].size) - axes * self.log_size
        none = self.none(sums)
        total = log_sum(none, axis=1)
        return Fit(log_sum(some, axis=1) - total, np.exp(none - total[:, None]))

    def fits(self, sums: Sums, columns: slice) -> Array:
        """Return how well kinds with one of some shapes of any size fit logs (m,), as logarithm.

        Every size is as likely as another, measured by what it adds to the squares: shapes compare with each other.
        """
        left = sums.rest[:, :, None, :] - sums.size[:, :, columns] ** 2 * self.reach2[None, :, columns, None]
        some = -0.5 * self.free * np.log(left.prod(axis=3)) - sums.rest.shape[2] * self.log_size[:, None]
        return np.asarray(log_sum(some, axis=(1, 2)) - np.log(left.shape[2]))

    def step_fits(self, sums: Sums) -> Array:
        """Return the same of a step at any border of blocks (m,)."""
        return np.asarray(log_sum(sums.steps - sums.rest.shape[2] * self.log_size, axis=1) - np.log(self.free))

    def draw(self, sums: Sums, fit: Fit, count: int, rng: np.random.Generator) -> Array:
        """Return `count` logs (count, axes, n) without movement that wander as the one log of `sums` and `fit` may."""
        kinds = rng.choice(len(self.root), size=count, p=fit.weight[0] / fit.weight[0].sum())
        axes, size = sums.rest.shape[2], self.root.shape[1]
        sigma = np.sqrt(sums.rest[0, kinds] / rng.chisquare(self.free, (count, axes)))
        logs = rng.standard_normal((count, axes, size))
        for kind in np.unique(kinds):
            logs[kinds == kind] = logs[kinds == kind] @ self.root[kind].T
        return np.asarray(logs * sigma[..., None])

    def estimate(self, rest: Array, size: Array, reach2: Array) -> tuple[Array, Array, Array]:
        """Return size and sigma per axis [m] of the shapes of one log, and the weight (shapes,) of each of them.

        `rest` is (kinds, axes), `size` (kinds, shapes, axes), `reach2` (kinds, shapes); all are averaged over kinds and
        shapes by how well they fit.
        """
        axes, free = size.shape[2], self.free - 1
        left = np.maximum(rest[:, None, :] - size**2 * reach2[..., None], 0.0) + free * FLOOR_M**2
        log = -axes * (self.log_size[:, None] + 0.5 * np.log(reach2)) - 0.5 * free * np.log(left).sum(axis=2)
        weight = np.exp(log - log_sum(log))
        mean = np.einsum("kt,kta->a", weight, size)
        within = left / free / reach2[..., None]
        sigma = np.sqrt(np.einsum("kt,kta->a", weight, within + (size - mean) ** 2))
        return mean, sigma, weight.sum(axis=0)


@lru_cache(maxsize=8)
def wander_at(time_s: tuple[float, ...]) -> Wander:
    """Return the kinds of wander at some times [s]."""
    return Wander(np.array(time_s))


class Trial:
    """One log of block means, and logs without movement that were drawn as it may wander."""

    def __init__(self, blocks_m: Array, time_s: Array, *, steps: bool = False) -> None:
        self.blocks_m, self.time_s = blocks_m, time_s
        self.wander = wander_at(tuple(time_s.tolist()))
        self.sums = self.wander.reduce(blocks_m[None], steps=steps)
        self.fit = self.wander.fit(self.sums)
        self._rng = np.random.default_rng(_SEED)
        self.drawn = self.wander.reduce(self._draw("settle.draws"), steps=steps)
        self._noise: Sums | None = None

    def _draw(self, count: str) -> Array:
        return self.wander.draw(self.sums, self.fit, int(limits()[count]), self._rng)

    @property
    def noise(self) -> Sums:
        """Further such logs, for what would have been found; drawn where asked for."""
        if self._noise is None:
            self._noise = self.wander.reduce(self._draw("settle.power_draws"))
        return self._noise


def p_value(value: float, drawn: Array) -> float:
    """Return the share of drawn logs whose statistic is at least `value`, the log itself counted."""
    return (1.0 + float((drawn >= value).sum())) / (1.0 + len(drawn))
