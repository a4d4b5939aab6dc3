"""Fitting a swing of a given begin and length to what the whitening filters leave of plan and height.

See `waves` for the model. In plan the residual is held against velocity, in height against other passes of the road; the two
share begin, length and shapes, not sizes, so that the Bayes factor of a swing is the product of both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyzer.evidence.road import Seconds
from analyzer.evidence.track import Floats
from analyzer.evidence.whitening import Whitening, height_whitening, whitened
from analyzer.settings import thresholds

Ints = NDArray[np.int64]
#: Lengths of swings that are tried [s], and the share of the length by which begins lie apart.
LENGTHS_S = (40.0, 60.0, 90.0, 135.0, 200.0)
APART = 0.125
#: After its end a swing still shows in the whitened residual for about this long [s].
TAIL_S = 45.0
#: Swings less likely than this are left out of the mean.
LEAST_SHARE = 1e-5


@dataclass(frozen=True)
class Channel:
    """One kind of evidence of a swing: its filter, what to fit, and how much larger swings are in it than in plan.

    `other` : (k,) place of the only other pass the value is held against, -1 where none or several.
    """

    grid: Whitening
    ratio: float = 1.0
    other: Ints | None = None

    def left(self, taken: Floats) -> Floats:
        """Return the whitened value with the swings `taken` (k, axes) out, also where they lie in the other pass."""
        value = self.grid.value - taken
        if self.other is not None:
            value += np.where(self.other[:, None] >= 0, taken[self.other], 0.0)
        return whitened(self.grid, value)


def height_channel(plan: Whitening, seconds: Seconds, begun_s: float) -> Channel:
    """Return the channel of heights against other passes of the road, on the grid of `plan`."""
    grid, other = height_whitening(plan, seconds, begun_s)
    return Channel(grid, thresholds("analyzer.evidence")["wave.height_ratio"], other)


@dataclass(frozen=True)
class Fit:
    """Of one channel: log Bayes factors `odds` (m,), coefficients `fit` (m, J, axes) and their covariance `cov` (m, J, J)."""

    odds: Floats
    fit: Floats
    cov: Floats


@dataclass(frozen=True)
class Tried:
    """Swings of `count` places: begins `first` (m,), sines `shape` (count, J), and the fit in each channel."""

    count: int
    first: Ints
    shape: Floats
    fits: tuple[Fit, ...]

    @property
    def odds(self) -> Floats:
        """Return the log Bayes factors (m,) of all channels together."""
        return np.asarray(sum(fit.odds for fit in self.fits), dtype=np.float64)


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


def _projected(grid: Whitening, white: Floats, first: Ints, shapes: Floats, every: float) -> tuple[Floats, Floats]:
    """Return B'B (m, J, J) and B'z (m, J, axes) of the `shapes` (count, J) that begin at places `first` (m,)."""
    count, size = shapes.shape
    gram, seen = np.zeros((len(first), size, size)), np.zeros((len(first), size, white.shape[1]))
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


def scan(channels: list[Channel], white: list[Floats], count: int, every: float, quick: bool) -> Tried:
    """Return every begin of swings of `count` places; `white` holds the whitened residual (k, axes) of each channel."""
    grid = channels[0].grid
    hop = max(1, round(count * APART))
    first = np.arange(-count // 2 + (count // 2 - grid.origin) % hop, len(grid.t) - count // 2, hop)
    shapes, var = _shapes(count, every, quick)
    fits = tuple(_fit(*_projected(c.grid, w, first, shapes, every), var * c.ratio**2) for c, w in zip(channels, white, strict=True))
    return Tried(count, first, shapes, fits)


def _fit(gram: Floats, seen: Floats, var: float) -> Fit:
    """Return the fit of coefficients with variance `var` beforehand; axes share their covariance."""
    cov: Floats = np.asarray(np.linalg.inv(gram + np.eye(gram.shape[1]) / var), dtype=np.float64)
    fit: Floats = np.asarray(cov @ seen, dtype=np.float64)
    axes = seen.shape[2]
    odds = 0.5 * (seen * fit).sum(axis=(1, 2)) + axes / 2 * (np.linalg.slogdet(cov)[1] - gram.shape[1] * np.log(var))
    return Fit(odds, fit, cov)


def moments(channel: int, places: int, tried: list[Tried], share: Floats) -> tuple[Floats, Floats]:
    """Return the mean swing (k, axes) [m] in one channel and its mean squared length (k,) [m²] that the weights `share` of all that was tried say."""
    axes = tried[0].fits[channel].fit.shape[2]
    mean, square = np.zeros((places, axes)), np.zeros(places)
    at = 0
    for some in tried:
        found = some.fits[channel]
        for k in np.flatnonzero(share[at:at + len(some.first)] > LEAST_SHARE):
            swing = some.shape @ found.fit[k]
            length = (swing**2).sum(axis=1) + axes * np.einsum("ij,jk,ik->i", some.shape, found.cov[k], some.shape)
            place = some.first[k] + np.arange(some.count)
            inside = (place >= 0) & (place < places)
            mean[place[inside]] += share[at + k] * swing[inside]
            square[place[inside]] += share[at + k] * length[inside]
        at += len(some.first)
    return mean, square


def likeliest(channel: int, places: int, tried: list[Tried], which: int) -> tuple[int, Floats]:
    """Return the first place and the swing (k, axes) of number `which` of all that was tried, as far as the drive reaches."""
    for some in tried:
        if which < len(some.first):
            first = int(some.first[which])
            swing = some.shape @ some.fits[channel].fit[which]
            return max(first, 0), swing[max(-first, 0):max(places - first, 0)]
        which -= len(some.first)
    raise IndexError(which)
