"""The counter-check of a coarse offset: is there another one, anywhere, at which both signals fit as well or better?"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analyzer.attaching.signals import LIMITS, Array, Flags, Pair
from analyzer.attaching.time_offset_search import Coarse, Laid, best, freed, lay, leads, reference_on, whole
from analyzer.correlation import top_between
from analyzer.settings import thresholds


@dataclass(frozen=True)
class Misfit:
    """Mean square of what is left at one offset, by blocks of time of the recording and by blocks of time of the measurement."""

    of_recording: dict[int, float]
    of_measurement: dict[int, float]


def search(pair: Pair, *, anywhere: bool = False) -> Coarse:
    """Return the offset (measurement minus recording) at which `pair` fits best, held against every other one.

    An expected offset (near zero, or near one that a known fault of a clock makes) stands where it leads all others, or
    where none of those that come near it fits better what both have in common: it is likelier by itself. Any other
    offset is an answer only where it leads all others.

    Parameters
    ----------
    anywhere : search the whole span; no offset is likelier by itself.
    """
    laid = lay(pair, anywhere=anywhere)
    expected = _leading(pair, laid.part(laid.expected))
    if anywhere:
        return expected
    overall = _leading(pair, laid)
    if expected.reason is not None:
        return expected if overall.reason is not None else overall
    if overall.reason is None and abs(overall.offset_s - expected.offset_s) <= thresholds(LIMITS)["search.lobe_s"]:
        return expected
    better = _better(pair, laid, expected)
    if better is None:
        return expected
    if overall.reason is None:
        return overall
    return replace(expected, offset_s=np.nan, reason=f"the best offset that a fault of a clock would explain is {expected.offset_s:+.1f} s, "
                   f"and {better:+.1f} s fits as well or better without leading all others: the drive repeats itself")


def _leading(pair: Pair, laid: Laid) -> Coarse:
    """Return the offset that fits best; where correlations leave it open between some, the one that wins all duels."""
    found = best(laid)
    if not found.repeats:
        return found
    top = int(np.argmax(laid.score))
    places = [top, *_close(laid, top)]
    table = _Table(pair)
    sides = [table.misfit(_summit(laid, k)) for k in places]
    first = 0
    for k in range(1, len(places)):
        if _duel(sides[first], sides[k]) < 0:
            first = k
    if any(_duel(sides[first], side) <= 0 for k, side in enumerate(sides) if k != first):
        return found
    k = places[first]
    return Coarse(float(laid.lag_s[k]), float(laid.correlation[k]), float(laid.score[k]), found.lead, float(laid.overlap_s[k]), strict=True)


def _better(pair: Pair, laid: Laid, found: Coarse) -> float | None:
    """Return an offset that makes `found` doubtful, or None."""
    limits = thresholds(LIMITS)
    top = int(np.flatnonzero(laid.expected & (laid.lag_s == found.offset_s))[0])
    rivals = _close(laid, top)
    if not rivals:
        return None
    table = _Table(pair)
    here = table.misfit(_summit(laid, top))
    for k in rivals:
        ahead = _duel(here, table.misfit(_summit(laid, k)))
        longer = laid.overlap_s[k] * limits["search.alike_overlap"] > laid.overlap_s[top]
        if ahead < 0 or (ahead == 0 and longer and laid.score[k] - laid.score[top] >= limits["search.least_lead"]):
            return float(laid.lag_s[k])
    return None


def _close(laid: Laid, top: int) -> list[int]:
    """Return the places of offsets that come near the one at `top` or beat it, one of each lobe, the highest first."""
    limits = thresholds(LIMITS)
    close = (leads(laid, top) < limits["search.least_lead"]) & (laid.correlation >= limits["search.least_correlation"])
    close &= (laid.score >= limits["search.least_evidence"]) & (np.abs(laid.lag_s - laid.lag_s[top]) > limits["search.lobe_s"])
    return _peaks(laid, close)


def _peaks(laid: Laid, kept: Flags) -> list[int]:
    """Return the places of the highest of the `kept` offsets within each lobe, the highest first."""
    lobe_s = thresholds(LIMITS)["search.lobe_s"]
    places = np.flatnonzero(kept)
    left = places[np.argsort(-laid.score[places], kind="stable")]
    out = []
    while len(left):
        out.append(int(left[0]))
        left = left[np.abs(laid.lag_s[left] - laid.lag_s[left[0]]) > lobe_s]
    return out


def _summit(laid: Laid, place: int) -> float:
    """Return the offset [s] of the top of the correlation about `place`, between the steps of the grid."""
    step = thresholds(LIMITS)["search.grid_s"]
    lag = float(laid.lag_s[place])
    near = [laid.correlation[np.abs(laid.lag_s - lag - k * step) < 0.1 * step] for k in (-1, 1)]
    if not all(len(n) for n in near):
        return lag
    return lag + step * top_between(float(near[0][0]), float(laid.correlation[place]), float(near[1][0]))


class _Table:
    """The reference of a pair on an even grid, to see what is left of it at one offset after the other."""

    def __init__(self, pair: Pair) -> None:
        limits = thresholds(LIMITS)
        self._step, self._length_s, self._width_s = (limits[k] for k in ("search.grid_s", "fit.block_s", "search.smooth_s"))
        known = pair.seconds[np.isfinite(whole(pair))]
        self._grid = np.arange(np.floor(known[0] / self._step), np.ceil(known[-1] / self._step) + 1) * self._step
        self._reference = reference_on(pair, self._grid)
        self._size = max(float(np.nanstd(self._reference)), 1e-300)
        self._measured = pair.measured

    def misfit(self, lag_s: float) -> Misfit:
        """Return what is left of the reference, as a share of its own changes, at one offset."""
        measured = freed(self._measured.mean(self._grid + lag_s, self._width_s))
        both = np.isfinite(self._reference) & np.isfinite(measured)
        seconds, wanted, shape = self._grid[both], self._reference[both], measured[both]
        scale = float(wanted @ shape / max(float(shape @ shape), 1e-300))
        left = ((wanted - scale * shape) / self._size) ** 2
        least = 0.5 * self._length_s / self._step
        return Misfit(*(_means(np.floor(t / self._length_s).astype(np.int64), left, least) for t in (seconds, seconds + lag_s)))


def _means(number: Array, values: Array, least: float) -> dict[int, float]:
    """Return the mean of `values` in each block of at least so many."""
    found, place, count = np.unique(number, return_inverse=True, return_counts=True)
    mean = np.bincount(place, values) / count
    return {int(k): float(m) for k, m, n in zip(found, mean, count, strict=True) if n >= least}


def _duel(one: Misfit, other: Misfit) -> int:
    """Return 1 where the first offset fits better what both have in common, -1 where the second does, 0 where it is open.

    Log-likelihoods of blocks that are taken as independent, each limited so that slipping wheels or wrong positions in
    one cannot decide; the sum must be large, and large against the scatter of its parts.
    """
    limits = thresholds(LIMITS)
    first, second = max((one.of_recording, other.of_recording), (one.of_measurement, other.of_measurement),
                        key=lambda x: len(x[0].keys() & x[1].keys()))
    common = sorted(first.keys() & second.keys())
    floor = limits["rivals.told_apart"] ** 2
    a, b = (np.array([side[k] for k in common]) + floor for side in (first, second))
    stretches = limits["fit.block_s"] / limits["search.independent_s"]
    parts = np.clip(0.5 * stretches * np.log(b / a), -limits["rivals.block_most"], limits["rivals.block_most"])
    total, scatter = float(parts.sum()), float(np.sqrt((parts**2).sum()))
    if abs(total) < limits["search.least_lead"] or abs(total) < limits["rivals.consistent"] * scatter:
        return 0
    return 1 if total > 0 else -1
