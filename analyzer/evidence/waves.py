"""Slow multipath: swings of the position of half a minute to some minutes that velocity knows nothing of.

The residual of right fixed positions is the walk of integrated velocity errors, a usual slow position error and white noise;
a Kalman filter with that model whitens it. Against it stands the same plus a swing that begins and ends at zero::

    m(t) = sum over j of b_j s_j((t - a) / L),   b_j normal with zero mean

with sines of half periods from `wave.fastest` on, one period on a plateau that sets in and ends within `wave.edge`, or one bump,
for every begin a and length L. Both are linear and normal, so the logarithm of the Bayes factor is closed::

    ln B = 1/2 (z'B (B'B + P)^-1 B'z - ln det(I + P^-1/2 B'B P^-1/2)),   z, B whitened, P the prior precision of b

summed over both axes. Heights against other passes of the same road add what they say for or against a swing in that time (`wave_fit`);
in a fused solution swings in plan count where they are certain,
without speed heights are all there is. All begins of one length run through the filter side by side: linear in the length of the drive.

Source: generalised likelihood of a signal of unknown shape in coloured noise by whitening, e.g. Van Trees, Detection,
Estimation, and Modulation Theory, part I, section 4.3, and the normal linear model with conjugate prior; from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analyzer.evidence.displacement import lagged
from analyzer.evidence.noise import Noise
from analyzer.evidence.road import Seconds
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.evidence.wave_fit import APART, KINDS, LENGTHS_S, Heights, Tried, heights_of, likeliest, moments, scan
from analyzer.evidence.whitening import Whitening, whitened, whitening_of
from analyzer.log_sums import log_sum
from analyzer.settings import thresholds

#: Swings further apart than this do not vie with each other [s].
NEAR_S = 300.0
#: Share of all seconds beyond which tails are looked at.
FAR = 0.995
#: Rounds of looking: so many swings at most within `NEAR_S`.
MOST = 6
#: Places of the grid over which the whitened residual is summed, to see whether noise is overstated, and whether it is understated.
SUMMED = (10, 20, 30)
SUMMED_SHORT = (5, 10, 20, 30)


@dataclass(frozen=True)
class Waves:
    """Swings: `spans` (k, 2) [s] and `log_odds` (k,) of those that are certain, and per epoch `size` and `high` (n,) [m].

    `size` is the root mean square length of the horizontal swing, over all that might be, certain or not; `high` that of the swing
    in height, zero where no other pass of the road was there to show it.
    """

    spans: Floats
    log_odds: Floats
    size: Floats
    high: Floats

    def certain(self, t: Floats) -> Flags:
        """Return which moments `t` (n,) [s] lie in a swing that is certain."""
        out = np.zeros(len(t), dtype=bool)
        for start, end in self.spans:
            out |= (t >= start) & (t <= end)
        return out


def no_waves(count: int) -> Waves:
    """Return that nothing was looked for in `count` epochs."""
    return Waves(np.zeros((0, 2)), np.zeros(0), np.zeros(count), np.zeros(count))


@dataclass
class _Search:
    """What was found so far: swings taken out `taken` (k, 2), mean squares of what may be beside and of heights (k,), and the certain ones.

    `slow` (k,) is where the car is slow enough for a reflection to last, `fast` how likely a swing is where it is not; `overstated` by what
    factor the grid takes noise for larger than it is seen: bumps are held against what is seen.
    """

    grid: Whitening
    overstated: float
    slow: Flags
    fast: float
    heights: Heights
    taken: Floats
    spread: Floats
    high: Floats
    found: list[tuple[float, float, float]]

    @property
    def every(self) -> float:
        """Return how far places lie apart [s]."""
        return float(self.grid.t[1] - self.grid.t[0])

    def take(self, tried: list[Tried], which: int, weight: float) -> None:
        """Take the swing number `which` of `tried` out."""
        first, swing, square = likeliest(len(self.grid.t), tried, which)
        end = first + len(swing)
        self.taken[first:end] += swing
        self.high[first:end] = np.maximum(self.high[first:end], square)
        self.heights.explained(first, end)
        begin = float(self.grid.t[first] - self.every / 2)
        self.found.append((begin, begin + len(swing) * self.every, weight))


def find_waves(
    track: Track, residual: Floats, noise: Noise, *, usable: Flags, coarse: Floats, lost_var: Floats, road: Seconds | None = None, doubtful: bool = True
) -> Waves:
    """Return the swings in `residual` (n, 2) of `usable` epochs, and in heights against other passes of the `road`.

    Each round weighs every begin and length against no (further) swing and against all others near it; the likeliest swings
    are taken out where they are certain, and the next round begins. What the last one says of the size at each moment is added.

    Parameters
    ----------
    doubtful : whether swings in plan count that are not certain. Velocity of a fused solution follows most of a swing: what it does
        not follow shows one, a little that it does not is its filter.
    coarse : (n,) how much noisier positions are around each epoch than usual.
    lost_var : (n-1,) variance of the way from each epoch to the next beyond `noise` [m²].
    """
    watched = noise.learnt and usable.sum() * track.nominal_s >= LENGTHS_S[0]
    if not watched and road is None:
        return no_waves(len(track))
    grid = whitening_of(track, residual, noise, usable=usable & watched, coarse=coarse, lost_var=lost_var)
    if len(grid.t) < 2:
        return no_waves(len(track))
    nothing = np.zeros(len(grid.t))
    slow = np.interp(grid.t, track.t, _slow(track, doubtful=doubtful)) > 0
    heavy = _heavy_tails(track, residual, usable)
    noisy = _seen_noise(grid, track)
    overstated = _overstated(noisy) ** (1.0 - heavy)
    grid = replace(grid, scale=grid.scale / max([1.0, *(x for x in noisy.values() if np.isfinite(x))]))
    fast = thresholds("analyzer.evidence")["wave.fast"] ** heavy
    search = _Search(grid, overstated, slow, fast, heights_of(grid, road, track.begun_s), np.zeros((len(grid.t), 2)), nothing.copy(), nothing.copy(), [])
    for _ in range(MOST):
        if not _round(search, track.begun_s, doubtful=doubtful):
            break
    seen = np.asarray(sorted(search.found)).reshape(-1, 3)
    size, high = (np.sqrt(np.interp(track.t, grid.t, x)) for x in ((search.taken**2).sum(axis=1) + search.spread, search.high))
    return Waves(seen[:, :2], seen[:, 2], size, high)


def _seen_noise(grid: Whitening, track: Track) -> dict[int, float]:
    """Return sigma of sums of the whitened residual over so many places, 1 where the filter knows the noise of this drive.

    What may be larger than learnt, each in its own place, is too large all together; velocity errors of a second or two are a walk over
    minutes and more than one over seconds. Medians leave a minority of swings out.
    """
    white = np.where((grid.known & (grid.moving > 0))[:, None], whitened(grid, grid.value), np.nan)
    seen = {}
    for count in SUMMED_SHORT:
        if len(white) >= count:
            sums = np.lib.stride_tricks.sliding_window_view(white, count, axis=0).sum(axis=-1) / np.sqrt(count)
            seen[count] = track.learnt.sigma(f"wave.white.{count}", sums.ravel())
    return seen


def _overstated(seen: dict[int, float]) -> float:
    """Return by what factor the filter overstates the noise, at most 1, from what is `seen` over tens of seconds."""
    most = max([thresholds("analyzer.evidence")["wave.least_overstated"], *(seen[count] for count in SUMMED if count in seen)])
    return float(np.nan_to_num(np.clip(most, None, 1.0), nan=1.0))


def _round(search: _Search, begun_s: float, *, doubtful: bool = True) -> bool:
    """Weigh all swings once; take out what is certain and return whether anything was, else add what may be."""
    grid, every = search.grid, search.every
    white = whitened(grid, grid.value - search.taken)
    tried = [some for length in LENGTHS_S if length < 1.5 * len(grid.t) * every
             for some in scan(grid, white, search.heights, max(2, round(length / every)), overstated=search.overstated)]
    if not tried:
        return False
    middle_s = np.concatenate([grid.t[0] + every * (x.first + x.count / 2) for x in tried])
    prior = np.concatenate([_log_prior(x.count * every) + _log_slow(search, x) for x in tried]) + _log_again(middle_s, search.found)
    weight = np.concatenate([x.odds for x in tried]) + prior
    blunt = _blunted(middle_s + begun_s, weight)
    share = np.exp(blunt - np.logaddexp(0.0, _nearby(middle_s + begun_s, blunt)))
    share *= np.concatenate([_told(x.odds if doubtful else x.road) for x in tried])
    mean, square, high = moments(len(grid.t), tried, share)
    bumps = moments(len(grid.t), tried, share * np.concatenate([np.full(len(x.first), x.kind == "bump") for x in tried]))[1]
    square = np.where(bumps < thresholds("analyzer.evidence")["wave.bump_matters"] ** 2, np.maximum(square - bumps, 0.0), square)
    certain = _apart(middle_s, np.where(_vied(search, tried, middle_s, weight, prior), -np.inf, weight))
    for which in certain:
        search.take(tried, which, float(weight[which]))
        near = np.abs(grid.t - middle_s[which]) <= NEAR_S
        search.spread[near] = np.maximum(search.spread, square - (mean**2).sum(axis=1))[near]
    if not certain:
        search.spread += square
        search.high += high
    return bool(certain)


def _vied(search: _Search, tried: list[Tried], middle_s: Floats, weight: Floats, prior: Floats) -> Flags:
    """Return which swings (m,) are seen in height alone and may as well lie in the only other pass they are held against."""
    out = np.zeros(len(weight), dtype=bool)
    limits = thresholds("analyzer.evidence")
    plan = np.concatenate([x.plan for x in tried]) + prior
    first, count = (np.concatenate(x) for x in zip(*((x.first, np.full(len(x.first), x.count)) for x in tried), strict=True))
    for k in np.flatnonzero((weight >= limits["wave.certain"]) & (plan < limits["wave.told_apart"])):
        mirrored = search.heights.other[max(first[k], 0):first[k] + count[k]]
        mirrored_s = search.grid.t[mirrored[mirrored >= 0]]
        if len(mirrored_s):
            rival = (middle_s >= mirrored_s.min()) & (middle_s <= mirrored_s.max()) & (np.abs(middle_s - middle_s[k]) > count[k] * search.every / 2)
            out[k] = rival.any() and weight[k] - weight[rival].max() < limits["wave.told_apart"]
    return out


def _nearby(middle_s: Floats, weight: Floats) -> Floats:
    """Return the logarithm of the summed weight of all swings whose middles lie within `NEAR_S` (in bins of an eighth)."""
    return np.asarray(log_sum(_around(middle_s, weight, np.logaddexp), axis=1)[_bins(middle_s)], dtype=np.float64)


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


def _slow(track: Track, *, doubtful: bool) -> Floats:
    """Return where (n,) the car is slow, 1, or not, 0; 1 everywhere where swings are looked for that are no reflections, as in a fused solution."""
    speed = np.hypot(*track.velocity.T)
    fast = (speed >= thresholds("analyzer.evidence")["wave.slow"]) & np.full(len(track), doubtful and not track.from_places)
    return np.where(fast, 0.0, 1.0)


def _heavy_tails(track: Track, residual: Floats, usable: Flags) -> float:
    """Return how heavy the tails of the velocity are, 0 to 1: swings while the car is fast all along count for less then.

    At speed the way to a reflecting wall changes by wavelengths within a second: the reflection averages out. Where velocity is as even as
    its noise a swing is believed all the same; where its errors have heavy tails, what looks like a swing is more often the velocity's.
    """
    limits = thresholds("analyzer.evidence")
    moved = np.hypot(*lagged(residual, max(1, round(1.0 / track.nominal_s)), usable & ~track.standing).T)
    middle, far = (track.learnt.quantile("wave.moved", moved, share, empty=0.0) for share in (0.5, FAR))
    return float(np.clip((far / max(middle, 1e-9) - limits["wave.even_tails"]) / (limits["wave.heavy_tails"] - limits["wave.even_tails"]), 0.0, 1.0))


def _log_slow(search: _Search, tried: Tried) -> Floats:
    """Return by how much less likely, as a logarithm, swings (m,) are since the car is fast nearly all along, see `_heavy_tails`."""
    summed, count = np.r_[0, np.cumsum(search.slow)], len(search.slow)
    first, end = (np.clip(x, 0, count) for x in (tried.first, tried.first + tried.count))
    share = np.minimum((summed[end] - summed[first]) / (thresholds("analyzer.evidence")["wave.slow_share"] * tried.count), 1.0)
    return np.asarray(np.log(search.fast + (1.0 - search.fast) * share))


def _log_prior(length_s: float) -> float:
    """Return the logarithm of the probability of a swing of this length at one begin."""
    rate = thresholds("analyzer.evidence")["wave.per_hour"] / 3600
    return float(np.log(rate * APART * length_s / (len(KINDS) * len(LENGTHS_S))))
