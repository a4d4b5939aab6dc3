"""The road as a witness: where the car passes a place again, the road there has the height it had.

A height that differs from that of another pass of the same place is a height error of one of the two: multipath, a wrong fix,
another frame. That needs no velocity, no inertial data and no second receiver, and holds for fused solutions too; it says
nothing directly of the plan, but what shifts a position in plan shifts it in height as well, mostly by more.

What pairs of passes say is used three times: stretches that stand apart or agree become likelier or less likely wrong (`road_odds`),
swings while fixed are seen in height (`wave_fit`), and the scatter that passes show bears on the bound.

Compared is each second of a pass with the foot point on every other pass nearby, at least `road.apart` earlier or later. How
well two passes usually agree is learnt from the drive itself: a crown of the road, springs and tyres, or a height that was never
a matter of place, make the witness weaker, up to silence.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.ndimage import median_filter
from scipy.spatial import cKDTree

from analyzer.evidence.learnt import SIGMA_PER_MEDIAN, Learnt
from analyzer.evidence.road_errors import errors_of
from analyzer.evidence.road_place import of_place
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds

Ints = NDArray[np.int64]
#: Points kept of a pass: so many per second in motion, one in so many seconds at rest.
PER_SECOND, REST_S = 5, 10.0
#: A pass ends where it leaves the neighbourhood for longer than this [s].
AWAY_S = 25.0
#: Points of a pass further apart than this are not joined by a line [s].
JOINED_S = 1.5
#: Queries that are looked up together: bounds memory.
AT_ONCE = 4096


@dataclass(frozen=True)
class Pairs:
    """Heights of two passes of one place, each pair seen from both sides.

    Attributes
    ----------
    at_s, other_s : (p,) UTC of the pass that is looked at, ascending, and of the other [s since 1970].
    off_m : (p,) height of the one minus height of the other, without the error of the other as far as all pairs show it [m].
    spread_m : (p,) sigma of `off_m` beyond what is usual: worse moments of either pass, the lean of the road between them [m].
    sigma_m : usual sigma of `off_m`; infinite where passes of this drive agree too badly to tell anything.
    shown_m : sigma of `off_m` as far as this drive shows it; NaN where it has too few minutes of passes.
    theirs_m : (p,) the error of the other that was taken out of `off_m` [m]; None where none was.
    """

    at_s: Floats
    other_s: Floats
    off_m: Floats
    spread_m: Floats
    sigma_m: float
    shown_m: float = float("nan")
    theirs_m: Floats | None = None

    def __len__(self) -> int:
        return len(self.at_s)

    def where(self, kept: Flags | Ints) -> Pairs:
        """Return the pairs of which `kept` (p,) is true, or whose rows it names."""
        theirs = None if self.theirs_m is None else self.theirs_m[kept]
        return Pairs(self.at_s[kept], self.other_s[kept], self.off_m[kept], self.spread_m[kept], self.sigma_m, self.shown_m, theirs)

    @property
    def telling(self) -> bool:
        """Return whether there is anything to tell."""
        return len(self) > 0 and bool(np.isfinite(self.sigma_m))


@dataclass(frozen=True)
class Seconds:
    """Per second of a pass (k,) what all other passes together say.

    Attributes
    ----------
    at_s : ascending UTC [s since 1970].
    off_m, sigma_m : height minus the middle of all passes, of two minus that of the other, and its sigma [m].
    passes : number of other passes.
    other_s : UTC of the other pass where there is one only, else NaN.
    """

    at_s: Floats
    off_m: Floats
    sigma_m: Floats
    passes: Ints
    other_s: Floats

    def where(self, kept: Flags) -> Seconds:
        """Return the seconds of which `kept` (k,) is true."""
        return Seconds(self.at_s[kept], self.off_m[kept], self.sigma_m[kept], self.passes[kept], self.other_s[kept])

    @classmethod
    def joined(cls, parts: Sequence[Seconds]) -> Seconds:
        """Return the seconds of all `parts`, in their order."""
        return cls(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(cls)))


NOTHING = Pairs(np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0), float("inf"))


def points_of(track: Track, usable: Flags, worse_m: Floats) -> Floats:
    """Return points (m, 5) of the way: UTC [s], east, north, up, and `worse_m` (n,) [m]; thinned in motion, medians at rest."""
    good = usable & np.isfinite(track.places).all(axis=1)
    if not good.any():
        return np.zeros((0, 5))
    utc = track.t + track.begun_s
    cell = np.where(track.standing, np.floor(utc / REST_S + 1e-6) * REST_S * PER_SECOND, np.floor(utc * PER_SECOND + 1e-6)) * 2 + track.standing
    rows = pd.DataFrame(np.column_stack([utc, track.places, worse_m])[good]).groupby(cell[good], sort=False)
    middle, first = rows.median().to_numpy(), rows.first().to_numpy()
    at_rest = rows.first().index.to_numpy() % 2 == 1
    return _without_spikes(np.where(at_rest[:, None], middle, first))


def _without_spikes(points: Floats) -> Floats:
    """Return the points whose height does not stand out from the median of the few around it in time.

    A straight slope has its middle height in the middle; what a bent one strays grows with the square of the time between points.
    """
    if len(points) < 5:
        return points
    apart = float(np.median(np.diff(points[:, 0])))
    limits = thresholds("analyzer.evidence")
    away = np.abs(points[:, 3] - median_filter(points[:, 3], 5, mode="nearest"))
    return points[away <= limits["road.spike"] + limits["road.bend"] * apart**2]


def road_of(track: Track, usable: Flags, worse_m: Floats) -> Pairs:
    """Return all pairs of passes of the drive, seen from the epochs of `track`; where it is a block, others may lie outside.

    `worse_m` (n,) is the sigma of the height beyond that of usual moments.
    """
    own = points_of(track, usable, worse_m)
    points = track.learnt.rows("road.points", own, own[:, 0] - track.begun_s)
    end = track.begun_s + float(track.t[-1]) if len(track) else -np.inf
    return pairs_of(points, track.learnt, begun_s=track.begun_s, asked_s=(track.begun_s, end))


def pairs_of(points: Floats, learnt: Learnt, *, begun_s: float = 0.0, asked_s: tuple[float, float] = (-np.inf, np.inf)) -> Pairs:
    """Return all pairs of passes among `points` (m, 5), seen from those between the times `asked_s` (UTC)."""
    limits = thresholds("analyzer.evidence")
    if len(points) < 2:
        return NOTHING
    points = points[np.argsort(points[:, 0], kind="stable")]
    asked = np.flatnonzero((points[:, 0] >= asked_s[0]) & (points[:, 0] <= asked_s[1]))
    asked = asked[np.r_[True, np.diff(np.floor(points[asked, 0] + 1e-6)) > 0]] if len(asked) else asked
    step = np.hypot(*np.diff(points[:, 1:3], axis=0).T)[np.diff(points[:, 0]) <= JOINED_S]
    reach = limits["road.beside"] + (float(np.quantile(step, 0.99)) if len(step) else 0.0)
    tree = cKDTree(points[:, 1:3])
    parts = [_pairs(points, tree, asked[k:k + AT_ONCE], reach) for k in range(0, len(asked), AT_ONCE)]
    at, other, off, spread = np.hstack(parts) if parts else np.zeros((4, 0))
    return _weighed(Pairs(at, other, off, spread, float("inf")), learnt, begun_s)


def _weighed(pairs: Pairs, learnt: Learnt, begun_s: float) -> Pairs:
    """Return the pairs with their usual sigma, and without the errors of the others.

    Sigma is what is usual in the trade, and what is left here where large errors are explained, by how many independent minutes
    there are: the heights of a minute are off alike.
    """
    limits = thresholds("analyzer.evidence")
    if len(pairs):
        pairs = pairs.where(of_place(pairs.at_s, pairs.other_s, pairs.off_m, learnt=learnt, begun_s=begun_s))
    if not len(pairs):
        return pairs
    when_s = pairs.at_s - begun_s
    usual = np.hypot(limits["road.usual"], pairs.spread_m)
    own, theirs, vague = errors_of(pairs.at_s, pairs.other_s, pairs.off_m, usual)
    explained = np.where(np.abs(own) > 2 * usual, own, 0.0) - np.where(np.abs(theirs) > 2 * usual, theirs, 0.0)
    left = np.abs(pairs.off_m - explained) * limits["road.usual"] / usual
    shown = SIGMA_PER_MEDIAN * learnt.quantile("road.left", left, when_s=when_s)
    minutes = len(np.unique(np.floor(pairs.at_s / 60.0))) / 2
    weight = minutes / (minutes + limits["road.minutes"])
    sigma = float(np.sqrt((1 - weight) * limits["road.usual"] ** 2 + weight * shown**2))
    if weight > limits["road.shown_weight"] and (np.abs(own) > limits["road.unlike"]).mean() > limits["road.mostly"]:
        return NOTHING  # heights that mostly do not return are no property of the road: nothing can be held against them
    told = np.where(vague, 0.0, theirs)
    return Pairs(pairs.at_s, pairs.other_s, pairs.off_m + told, pairs.spread_m, max(sigma, limits["road.least"]),
                 shown if weight > limits["road.shown_weight"] else float("nan"), told)


def _pairs(points: Floats, tree: cKDTree, asked: Ints, reach: float) -> Floats:
    """Return at, other, off and spread (4, p) of the points numbered `asked`."""
    limits = thresholds("analyzer.evidence")
    found: list[list[int]] = list(tree.query_ball_point(points[asked, 1:3], reach))  # type: ignore[arg-type]
    owner = np.repeat(asked, [len(x) for x in found])
    near = np.fromiter((i for x in found for i in x), dtype=np.int64, count=len(owner))
    order = np.lexsort((near, owner))
    owner, near = owner[order], near[order]
    begins = np.r_[True, (np.diff(owner) != 0) | (np.diff(points[near, 0]) > AWAY_S)]
    starts = np.flatnonzero(begins)
    apart = np.minimum.reduceat(np.abs(points[near, 0] - points[owner, 0]), starts)
    number = np.cumsum(begins) - 1
    away = np.hypot(*(points[near, 1:3] - points[owner, 1:3]).T)
    nearest = np.lexsort((away, number))[starts][apart >= limits["road.apart"]]
    nearest = nearest[_next_passes(owner[nearest], near[nearest], int(limits["road.passes"]))]
    owner, near = owner[nearest], near[nearest]
    foot = _foot(points, points[owner, 1:3], near)
    beside = np.hypot(*(points[owner, 1:3] - foot[:, 1:3]).T)
    off = points[owner, 3] - foot[:, 3]
    kept = (beside <= limits["road.beside"]) & (np.abs(off) <= limits["road.level"])
    spread = np.sqrt(points[owner, 4] ** 2 + foot[:, 4] ** 2 + (limits["road.crossfall"] * beside) ** 2)
    return np.vstack([points[owner, 0], foot[:, 0], off, spread])[:, kept]


def _next_passes(owner: Ints, near: Ints, most: int) -> Flags:
    """Return which of the passes `near` (p,) of each point `owner`, both in time order, are among the `most` before it or behind it."""
    first = np.searchsorted(owner, owner)
    before = np.bincount(first, near < owner, minlength=len(owner)).astype(np.int64)[first]
    place = np.arange(len(owner)) - first
    return np.asarray((place >= before - most) & (place < before + most))


def _foot(points: Floats, places: Floats, near: Ints) -> Floats:
    """Return the point (p, 5) of the way through point `near` and its neighbours that lies nearest to each of `places` (p, 2)."""
    best = points[near]
    least = np.hypot(*(places - best[:, 1:3]).T)
    for beside in (-1, 1):
        other = np.clip(near + beside, 0, len(points) - 1)
        way = points[other] - points[near]
        square = (way[:, 1:3] ** 2).sum(axis=1)
        joined = (np.abs(way[:, 0]) <= JOINED_S) & (square > 1e-6)
        share = np.clip(((places - points[near, 1:3]) * way[:, 1:3]).sum(axis=1) / np.where(joined, square, 1.0), 0.0, 1.0)
        foot = points[near] + share[:, None] * way
        away = np.hypot(*(places - foot[:, 1:3]).T)
        better = joined & (away < least)
        best, least = np.where(better[:, None], foot, best), np.where(better, away, least)
    return best


def seconds_of(pairs: Pairs) -> Seconds:
    """Return what all other passes together say of each second.

    Of three and more passes the middle one is right, so that the odd one out is off and the others are not; of two nobody knows
    which is.
    """
    begins = np.flatnonzero(np.r_[True, np.diff(pairs.at_s) > 0]) if len(pairs) else np.zeros(0, dtype=np.int64)
    passes = np.diff(np.r_[begins, len(pairs)])
    number = np.repeat(np.arange(len(begins)), passes)
    middle = middles(np.r_[pairs.off_m, np.zeros(len(begins))], np.r_[number, np.arange(len(begins))])
    single = passes == 1
    off = np.where(single, pairs.off_m[begins], middle)
    own = np.where(single, 1.0, 0.5 + 0.785 / np.maximum(passes, 1))
    sigma = np.sqrt(pairs.sigma_m**2 * own + np.bincount(number, pairs.spread_m**2) / passes)
    return Seconds(pairs.at_s[begins], off, sigma, passes.astype(np.int64), np.where(single, pairs.other_s[begins], np.nan))


def middles(values: Floats, number: Ints) -> Floats:
    """Return the median of the `values` (p,) of each `number` (p,), which counts from 0 without a gap."""
    order = np.lexsort((values, number))
    begins = np.searchsorted(number[order], np.arange(int(number.max(initial=-1)) + 2))
    first, count = begins[:-1], np.diff(begins)
    return np.asarray((values[order][first + (count - 1) // 2] + values[order][first + count // 2]) / 2, dtype=np.float64)


def worse_heights(ageing_s: Floats, dilution: Floats) -> Floats:
    """Return the sigma (n,) [m] of heights beyond that of usual moments, by excess age [s] and dilution over the usual (n,)."""
    limits = thresholds("analyzer.evidence")
    ageing = limits["road.ageing"] * ageing_s
    return np.asarray(np.hypot(ageing, limits["road.least"] * np.sqrt(np.maximum(dilution, 1.0) ** 2 - 1)), dtype=np.float64)
