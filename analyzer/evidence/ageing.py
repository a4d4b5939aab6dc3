"""Error that grows while no fresh correction arrives, even though the state stays fixed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analyzer import intervals
from analyzer.evidence.claim import RADIUS_95
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds


@dataclass(frozen=True)
class Ageing:
    """`excess_s` age beyond the usual sawtooth per epoch; `stale` beyond it by `ageing.stale` and on the way back; `free_s` the usual limit."""

    excess_s: Floats
    stale: Flags
    free_s: float


def age_excess(track: Track, *, fused: bool = False) -> Ageing:
    """Return the age of corrections beyond what is usual on this drive.

    Usual is the larger of `ageing.free` and the 95th percentile of the age while fixed and below `ageing.most_usual`.
    Where a fixed or float epoch logs no age although others do, the time since the last known one counts on. A `fused` solution
    may be held still at rest: it takes fresh corrections over when it moves again.
    """
    limits = thresholds("analyzer.evidence")
    age = _carried(track)
    healthy = age[track.fixed & (age < limits["ageing.most_usual"])]
    free = max(limits["ageing.free"], track.learnt.quantile("age", healthy, 0.95, empty=0.0))
    excess = np.nan_to_num(np.clip(age - free, 0, None))
    if fused:
        _hold_at_rest(excess, track.standing, limits["ageing.stale"])
    return Ageing(excess, with_way_back(excess, track.t) > limits["ageing.stale"], free)


def with_way_back(excess_s: Floats, t: Floats) -> Floats:
    """Return `excess_s` (n,) [s] with what an outage left carried on while the position goes back to where fresh corrections put it."""
    limits, out = thresholds("analyzer.evidence"), excess_s.copy()
    for _, end in intervals.runs(excess_s > limits["ageing.stale"]):
        stop = int(np.searchsorted(t, t[end - 1] + limits["ageing.back"], side="right"))
        out[end:stop] = np.maximum(out[end:stop], excess_s[end - 1])
    return out


def _hold_at_rest(excess: Floats, standing: Flags, least: float) -> None:
    """Carry what an outage of more than `least` left over to the end of the stand in which corrections came back."""
    for _, end in intervals.runs(excess > least):
        if end < len(excess) and standing[end] and standing[end - 1]:
            moving = np.flatnonzero(~standing[end:])
            stop = end + int(moving[0]) if len(moving) else len(excess)
            excess[end:stop] = np.maximum(excess[end:stop], excess[end - 1])


def _carried(track: Track) -> Floats:
    """Return ages with unknown ones continued from the last known while the fix is held; none where the field stands still."""
    age = track.age.copy()
    known = np.isfinite(age)
    if not known.any():
        return age
    low, high = track.learnt.of("age_span", np.array([[age[known].min(), age[known].max()]]), "rows").T
    if low.min() == high.max():
        at = track.t[known]
        return np.full_like(age, np.nan) if at[-1] - at[0] > thresholds("analyzer.evidence")["ageing.constant"] else age
    last = np.maximum.accumulate(np.where(known, np.arange(len(age)), -1))
    held = ~known & (last >= 0) & track.fixed
    age[held] = age[last[held]] + track.t[held] - track.t[last[held]]
    return age


def counted(ageing: Ageing, shown: Flags) -> Floats:
    """Return the excess age [s] that a rate is multiplied with (n,).

    What was published ends at half a minute of age; what is older counts `ageing.beyond` times, unless the outage `shown` its own rate.
    """
    limits = thresholds("analyzer.evidence")
    beyond = np.clip(ageing.excess_s - limits["ageing.published"], 0.0, None)
    return np.where(shown, ageing.excess_s, ageing.excess_s + (limits["ageing.beyond"] - 1) * beyond)


def rates(ageing: Ageing, track: Track, deviation: Floats, sigma: Floats) -> tuple[Floats, Flags, Flags]:
    """Return the 95 % growth rate of the horizontal error per epoch [m/s], where an outage measured it, and where it showed another than the published one.

    `deviation` (n, 2) and `sigma` (n,) are the positions against the walk pinned by fresh fixes. Where it is known well
    enough, the outage's own error over its excess age is a measurement of its rate, larger or smaller than the
    published one; one that fits the published rate shows nothing against the position, however unsure it is. Not where corrections come in, when the position is on its way back while the age is still said to be old.
    `ageing` holds the way back, see `with_way_back`.
    """
    limits = thresholds("analyzer.evidence")
    out = np.full(len(track), RADIUS_95 * limits["ageing.rate"])
    measured, shown = np.zeros((2, len(track)), dtype=bool)
    size = np.hypot(*np.nan_to_num(deviation).T)
    for start, end in intervals.runs(ageing.excess_s > 0):
        use = np.arange(start, end)
        use = use[track.fixed[use] & (track.t[use] <= track.t[end - 1] - 2 * limits["ageing.back"]) & (ageing.excess_s[use] > limits["ageing.stale"]) & np.isfinite(sigma[use])]
        if not len(use):
            continue
        unsure = sigma[use] / ageing.excess_s[use]
        near = unsure <= 1.5 * unsure.min()
        rate = float(np.median(size[use][near] / ageing.excess_s[use][near]))
        upper, lower = rate + 2.5 * float(unsure.min()), rate - 2.0 * float(unsure.min())
        if upper < out[start] or lower > out[start]:
            out[start:end] = max(upper, limits["ageing.least_rate"])
            measured[start:end] = shown[start:end] = True
        elif unsure.min() < limits["ageing.rate"]:
            out[start:end] = max(upper, out[start])
            measured[start:end] = True
    return out, measured, shown
