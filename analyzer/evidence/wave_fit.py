"""Fitting a swing of a given begin and length to what the whitening filter leaves, and asking the road about it.

See `waves` for the model. In plan the swing is fitted to the residual against velocity. Heights against other passes of the road
are not fitted: a swing may have any shape there, and so may a wrong fix that a fused solution takes slowly. Each `BLOCK_S` with
such a pass counts once, for a swing where heights differ and against one where they agree, and no more than so much.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyzer.evidence.road import Seconds
from analyzer.evidence.track import Floats
from analyzer.evidence.whitening import Whitening
from analyzer.settings import thresholds

Ints = NDArray[np.int64]
#: Lengths of swings that are tried [s], and the share of the length by which begins lie apart.
LENGTHS_S = (40.0, 60.0, 90.0, 135.0, 200.0)
APART = 0.125
#: Shapes of swings, see `_shapes`.
KINDS = ("sines", "plateau", "bump")
#: After its end a swing still shows in the whitened residual for about this long [s].
TAIL_S = 45.0
#: Swings less likely than this are left out of the mean.
LEAST_SHARE = 1e-5
#: Share of a bump in which positions must be known.
BUMP_SEEN = 0.6
#: Begins that are filtered at once: more would need much memory for nothing.
AT_ONCE = 1024
#: Log Bayes factor of what is not looked for.
RULED_OUT = -1e3
#: Heights that differ do so alike for about this long [s].
BLOCK_S = 10.0


@dataclass
class Heights:
    """What other passes of the road say at each place of the grid.

    Attributes
    ----------
    score : (k,) log odds of a swing against none, each block counting once; 0 where no other pass was.
    square : (k,) mean squared difference of the heights over the block [m²], 0 where no other pass was.
    other : (k,) place of the only other pass, -1 where none or several.
    """

    score: Floats
    square: Floats
    other: Ints

    def explained(self, first: int, end: int) -> None:
        """Forget what a swing at places [first, end) explains, also where the other pass lies in it."""
        self.score[first:end] = 0.0
        self.score[(self.other >= first) & (self.other < end)] = 0.0


def heights_of(grid: Whitening, seconds: Seconds | None, begun_s: float) -> Heights:
    """Return what `seconds` say on the places of `grid`; nothing where there are none."""
    limits = thresholds("analyzer.evidence")
    count, every = len(grid.t), float(grid.t[1] - grid.t[0])
    found = Heights(np.zeros(count), np.zeros(count), np.full(count, -1, dtype=np.int64))
    if seconds is None or not len(seconds.at_s):
        return found

    def place(utc: Floats) -> Ints:
        at = np.floor(np.nan_to_num(utc, nan=-1e18) / every + 1e-6) - grid.origin
        return np.where((at >= 0) & (at < count), at, -1).astype(np.int64)

    at, other = place(seconds.at_s), place(seconds.other_s)
    inside = at >= 0
    at, other, off, sigma = at[inside], other[inside], seconds.off_m[inside], seconds.sigma_m[inside]
    swung = np.hypot(sigma, limits["wave.size"] * limits["wave.height_ratio"])
    score = np.clip(0.5 * off**2 * (sigma**-2 - swung**-2) - np.log(swung / sigma), limits["road.agrees"], limits["road.differs"])
    _, block, size = np.unique((at + grid.origin) * every // BLOCK_S, return_inverse=True, return_counts=True)
    found.score[at], found.square[at], found.other[at] = score / size[block], (np.bincount(block, off**2) / size)[block], other
    return found


@dataclass(frozen=True)
class Tried:
    """Swings of one `kind` and `count` places, with begins `first` (m,) and `shape` (count, J).

    Attributes
    ----------
    plan, road : (m,) log Bayes factors of the residual in plan and of heights.
    fit, cov : coefficients (m, J, 2) and their covariance per axis (m, J, J).
    square : (m,) largest of the squared differences of the heights inside [m²]: what begins and ends at zero is seen at its ends too.
    """

    kind: str
    count: int
    first: Ints
    shape: Floats
    plan: Floats
    road: Floats
    fit: Floats
    cov: Floats
    square: Floats

    @property
    def odds(self) -> Floats:
        """Return the log Bayes factors (m,) of plan and heights together."""
        return self.plan + self.road


def _shapes(count: int, every: float, kind: str) -> tuple[Floats, float]:
    """Return the shapes (count, J) of a swing of `count` places and the variance of each coefficient [m²].

    Sines that vanish at both ends; for a swing that sets in and ends within `wave.edge`, one period on such a plateau; or one
    bump, which shows beside a noisy velocity where the freedom of the others does not.
    """
    limits = thresholds("analyzer.evidence")
    through = (np.arange(count)[:, None] + 0.5) / count
    if kind == "bump":
        shapes = np.sin(np.pi * through) ** 2
    elif kind == "plateau":
        rise = np.minimum(through, 1 - through) * count * every / limits["wave.edge"]
        plateau = 0.5 - 0.5 * np.cos(np.pi * np.minimum(rise, 1.0))
        shapes = plateau * np.hstack([np.ones_like(through), np.cos(2 * np.pi * through), np.sin(2 * np.pi * through)])
    else:
        shapes = np.sin(np.pi * through * np.arange(1.0, max(1, int(count * every / limits["wave.fastest"])) + 1))
    return shapes, float(limits["wave.size"] ** 2 / (shapes**2).mean(axis=0).sum())


def _projected(grid: Whitening, white: Floats, first: Ints, shapes: Floats) -> tuple[Floats, Floats]:
    """Return B'B (m, J, J) and B'z (m, J, 2) of the `shapes` (count, J) that begin at places `first` (m,)."""
    places = len(shapes) + round(TAIL_S / float(grid.t[1] - grid.t[0]))
    gram, seen = [], []
    for k in range(0, len(first), AT_ONCE):
        rows = grid.of_shapes(first[k:k + AT_ONCE], shapes, places)
        at = np.clip(first[k:k + AT_ONCE, None] + np.arange(places), 0, len(grid.t) - 1)
        gram.append(rows.swapaxes(1, 2) @ rows)
        seen.append(rows.swapaxes(1, 2) @ white[at])
    return np.concatenate(gram), np.concatenate(seen)


def scan(grid: Whitening, white: Floats, heights: Heights, count: int, *, overstated: float = 1.0) -> list[Tried]:
    """Return every begin of swings of `count` places, one of each of `KINDS`.

    Parameters
    ----------
    white : (k, 2) the whitened residual in plan.
    overstated : by what the filter overstates the noise where bumps are weighed.
    """
    every = float(grid.t[1] - grid.t[0])
    hop = max(1, round(count * APART))
    first = np.arange(-count // 2 + (count // 2 - grid.origin) % hop, len(grid.t) - count // 2, hop)
    shapes = [_shapes(count, every, kind) for kind in KINDS]
    gram, seen = _projected(grid, white, first, np.hstack([shape for shape, _ in shapes]))
    square = np.lib.stride_tricks.sliding_window_view(np.pad(heights.square, count), count)[first + count].max(axis=1)
    road, known = _inside(heights.score, first, count), _inside(grid.known.astype(np.float64), first, count) / count
    out, at = [], 0
    for kind, (shape, var) in zip(KINDS, shapes, strict=True):
        own = slice(at, at + shape.shape[1])
        at = own.stop
        sharper = overstated**2 if kind == "bump" else 1.0
        fit, cov, plan = _weighed(gram[:, own, own] / sharper, seen[:, own] / sharper, var)
        if kind == "bump":  # by its flank alone it could be of any size
            small = np.hypot(*fit[:, 0].T) < thresholds("analyzer.evidence")["wave.bump"]
            plan = np.where(small | (known < BUMP_SEEN), RULED_OUT, plan)
        out.append(Tried(kind, count, first, shape, plan, road, fit, cov, square))
    return out


def _weighed(gram: Floats, seen: Floats, var: float) -> tuple[Floats, Floats, Floats]:
    """Return the coefficients (m, J, 2), their covariance (m, J, J) and the log Bayes factor (m,) of swings with variance `var` per coefficient [m²]."""
    size = gram.shape[1]
    cov: Floats = np.asarray(np.linalg.inv(gram + np.eye(size) / var), dtype=np.float64)
    fit: Floats = np.asarray(cov @ seen, dtype=np.float64)
    return fit, cov, np.asarray(0.5 * (seen * fit).sum(axis=(1, 2)) + np.linalg.slogdet(cov)[1] - size * np.log(var), dtype=np.float64)


def _inside(values: Floats, first: Ints, count: int) -> Floats:
    """Return the sums of `values` (k,) over `count` places from each of `first` on."""
    total = np.r_[0.0, np.cumsum(values)]
    low, high = np.clip(first, 0, len(values)), np.clip(first + count, 0, len(values))
    return np.asarray(total[high] - total[low], dtype=np.float64)


def moments(places: int, tried: list[Tried], share: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the mean swing (k, 2) [m], its mean squared length and that of heights (k,) [m²] by the weights `share` of all that was tried."""
    mean, square, high = np.zeros((places, 2)), np.zeros(places), np.zeros(places)
    at = 0
    for some in tried:
        for k in np.flatnonzero(share[at:at + len(some.first)] > LEAST_SHARE):
            swing = some.shape @ some.fit[k]
            length = (swing**2).sum(axis=1) + 2 * np.einsum("ij,jk,ik->i", some.shape, some.cov[k], some.shape)
            place = some.first[k] + np.arange(some.count)
            inside = (place >= 0) & (place < places)
            mean[place[inside]] += share[at + k] * swing[inside]
            square[place[inside]] += share[at + k] * length[inside]
            high[place[inside]] += share[at + k] * some.square[k]
        at += len(some.first)
    return mean, square, high


def likeliest(places: int, tried: list[Tried], which: int) -> tuple[int, Floats, float]:
    """Return the first place, the swing (k, 2) as far as the drive reaches, and the squared height of number `which` of all that was tried."""
    for some in tried:
        if which < len(some.first):
            first = int(some.first[which])
            swing = some.shape @ some.fit[which]
            return max(first, 0), swing[max(-first, 0):max(places - first, 0)], float(some.square[which])
        which -= len(some.first)
    raise IndexError(which)
