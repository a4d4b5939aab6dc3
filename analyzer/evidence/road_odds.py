"""What heights of other passes of the road say for or against a fixed stretch being off."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from analyzer.evidence.chain import FRAME_SHARES, SPREADS
from analyzer.evidence.road import Ints, Pairs, middles, seconds_of
from analyzer.evidence.track import Flags, Floats
from analyzer.log_sums import log_sum
from analyzer.settings import thresholds

#: Sigma of the height [m] by which other passes are off, where they are.
OTHERS_OFF_M = 0.5


def odds_of(pairs: Pairs, spans_s: Floats, wrong: Floats | None = None, by_jump: Flags | None = None) -> tuple[Floats, Floats]:
    """Return what other passes say for each of the stretches `spans_s` (k, 2) [UTC s] being off: (k,) log odds twice.

    First for a wrong fix, then for another frame, which may stand apart in plan alone: agreement of heights says less against it.
    Passes of other stretches must be among them, of which none is wrong by all that is known of the stretches so far (`wrong`).
    A stretch that is right may differ as well where the other passes are off. Of two stretches with a jump between them, which is
    what `by_jump` (k,) says of the latter, one is off whatever the heights say: where these agree they speak against either alike.
    """
    limits = thresholds("analyzer.evidence")
    fix, frame = np.zeros(len(spans_s)), np.zeros(len(spans_s))
    if not pairs.telling or not len(spans_s):
        return fix, frame
    pairs = _as_seen(pairs, spans_s)
    at, other = (_which(spans_s, t) for t in (pairs.at_s, pairs.other_s))
    known = np.where(other >= 0, (np.zeros(len(spans_s)) if wrong is None else wrong)[other], 0.0)
    for k, rows in _rows_of(at):
        own, beside = pairs.where(rows), other[rows]
        seen = _seen(own, beside, _without_agreeing(known[rows], own, beside, k, by_jump), k)
        if seen is not None:
            usual = limits["road.other_off" if np.median(seen.passes) < 2 else "road.others_off"]
            fix[k], frame[k] = _log_odds(float(np.median(seen.off_m)), float(np.median(seen.sigma_m)), max(usual, seen.blamed))
            if not seen.before:
                # to agree with those that came behind says nothing: they would stand in the same frame
                frame[k] = max(frame[k], 0.0)
    return fix, frame


@dataclass(frozen=True)
class _Seen:
    """What passes of other stretches say of one: per second, the mean doubt about them, and whether enough of them lie before it."""

    off_m: Floats
    sigma_m: Floats
    passes: Ints
    blamed: float
    before: bool


def _seen(pairs: Pairs, other: Ints, doubt: Floats, k: int) -> _Seen | None:
    """Return what the `pairs` (p,) of stretch `k` with the stretches `other` say, as far as these are not doubted; None where that is little."""
    least = thresholds("analyzer.evidence")["road.seconds"]
    held = (other != k) & (doubt <= 0.5)
    if len(np.unique(pairs.at_s[held])) < least:
        return None
    seconds = seconds_of(_one_each(pairs.where(held), other[held]))
    before = len(np.unique(pairs.at_s[held & (other < k) & (other >= 0)])) >= least
    return _Seen(seconds.off_m, seconds.sigma_m, seconds.passes, float(doubt[held].mean()), before)


def _rows_of(stretch: Ints) -> Iterator[tuple[int, Ints]]:
    """Yield each stretch that occurs and its rows: what belongs to one is looked up once, however many there are."""
    order = np.argsort(stretch, kind="stable")
    numbers, begins = np.unique(stretch[order], return_index=True)
    for number, rows in zip(numbers, np.split(order, begins[1:]), strict=True):
        if number >= 0:
            yield int(number), rows


def _without_agreeing(doubt: Floats, pairs: Pairs, other: Ints, k: int, by_jump: Flags | None) -> Floats:
    """Return the doubts (p,) without those about a stretch on the other side of a jump that lies as high as stretch `k`."""
    if by_jump is None:
        return doubt
    out = doubt.copy()
    for beside, jump in ((k - 1, k), (k + 1, k + 1)):
        its = other == beside
        if its.any() and 0 < jump < len(by_jump) and by_jump[jump] and abs(np.median(pairs.off_m[its])) < 2 * pairs.sigma_m:
            out[its] = 0.0
    return out


def _as_seen(pairs: Pairs, spans_s: Floats) -> Pairs:
    """Return pairs with differences as they were seen where the other is off for all of its stretch, not mended for its error.

    Which seconds are off is told from the fewest and shortest errors. A whole stretch that is off is one error however long it
    is: which of two stretches that is, is weighed as such, not by their lengths.
    """
    if pairs.theirs_m is None:
        return pairs
    other, off = _which(spans_s, pairs.other_s), pairs.off_m.copy()
    for _, its in _rows_of(other):
        if abs(np.median(pairs.theirs_m[its])) > 2.0 * pairs.sigma_m:
            off[its] -= pairs.theirs_m[its]
    return replace(pairs, off_m=off)


def _one_each(pairs: Pairs, other: Ints) -> Pairs:
    """Return one pair per second and other stretch, the middle one: passes of one stretch are off alike."""
    order = np.lexsort((other, pairs.at_s))
    pairs, other = pairs.where(order), other[order]
    number = np.cumsum(np.r_[False, (np.diff(pairs.at_s) != 0) | (np.diff(other) != 0)])
    begins = np.flatnonzero(np.r_[True, np.diff(number) > 0])
    other_s, off_m, spread_m = (middles(values, number) for values in (pairs.other_s, pairs.off_m, pairs.spread_m))
    return Pairs(pairs.at_s[begins], other_s, off_m, spread_m, pairs.sigma_m)


def _log_odds(off: float, sigma: float, blamed: float) -> tuple[float, float]:
    """Return the log odds of a wrong fix and of another frame for a height that is `off`, if others are to blame that often."""
    right = log_sum([np.log1p(-blamed) + _log_normal(off, sigma), np.log(blamed) + _log_normal(off, float(np.hypot(sigma, OTHERS_OFF_M)))])
    fix = log_sum([_log_normal(off, float(np.hypot(sigma, up))) for up in (SPREADS[0][1], SPREADS[1][1])]) - np.log(2)
    frame = log_sum([_log_normal(off, float(np.hypot(sigma, up))) + np.log(share) for (_, up), share in zip(SPREADS, FRAME_SHARES, strict=True)])
    return float(fix - right), float(frame - right)


def _log_normal(value: float, sigma: float) -> float:
    return float(-0.5 * (value / sigma) ** 2 - np.log(sigma))


def _which(spans_s: Floats, t: Floats) -> Ints:
    """Return in which of the sorted spans each time lies, -1 in none."""
    k = np.searchsorted(spans_s[:, 0], t + 1e-3, side="right") - 1
    return np.where((k >= 0) & (t <= spans_s[np.maximum(k, 0), 1] + 1e-3), k, -1)


def confirmed_after(pairs: Pairs, span_s: tuple[float, float]) -> float:
    """Return how long [s] after the first of two times [UTC s] other passes have shown the epochs between to lie as high as they do; infinity where never.

    That is when the road was met for `road.seconds`: what lies before may have been off and moved back, with nobody watching.
    """
    if not pairs.telling:
        return np.inf
    limits = thresholds("analyzer.evidence")
    inside, beyond = ((t >= span_s[0] - 1e-3) & (t <= span_s[1] + 1e-3) for t in (pairs.at_s, pairs.other_s))
    seen, least = seconds_of(pairs.where(inside & ~beyond)), int(limits["road.seconds"])
    if len(seen.at_s) < least or abs(np.median(seen.off_m)) >= 2 * np.median(seen.sigma_m):
        return np.inf
    agreeing = seen.at_s[np.abs(seen.off_m) < 2 * seen.sigma_m]
    return float(agreeing[least - 1] - span_s[0]) if len(agreeing) >= least else np.inf
