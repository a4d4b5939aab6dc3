"""What positions did at the moment corrections came back: a base that stands elsewhere moves them all at once."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analyzer import intervals
from analyzer.evidence.ageing import Ageing
from analyzer.evidence.claim import RADIUS_95
from analyzer.evidence.displacement import integrate
from analyzer.evidence.slews import Slews
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds


@dataclass(frozen=True)
class Returns:
    """Returns of corrections: `at_s` (k,) [s] of the first fresh epoch, and whether the position stayed where it was (k,)."""

    at_s: Floats
    quiet: Flags

    def quiet_between(self, first_s: float, last_s: float) -> bool:
        """Return whether there was a return between two times, and every one of them was watched and quiet."""
        here = (self.at_s >= first_s) & (self.at_s <= last_s)
        return bool(here.any() and self.quiet[here].all())


def watch(track: Track, ageing: Ageing) -> Returns:
    """Return every return of corrections, and whether it moved the position by no frame shift.

    The position, float or fixed, is held against its own velocity across the first fresh epoch: `return.window` on either
    side. What ageing had built up may go (its 95 % rate times the excess age), and `return.least` more. Not quiet where epochs,
    positions or velocity are missing there.
    """
    limits = thresholds("analyzer.evidence")
    at, quiet = [], []
    for _, end in intervals.runs(ageing.excess_s > ageing_least(ageing)):
        gone = RADIUS_95 * limits["ageing.rate"] * float(ageing.excess_s[end - 1])
        at.append(float(track.t[min(end, len(track) - 1)]))
        quiet.append(_step(track, end) <= limits["return.least"] + gone)
    return Returns(np.asarray(at, dtype=np.float64), np.asarray(quiet, dtype=bool))


def ageing_least(ageing: Ageing) -> float:
    """Return the excess age [s] from which corrections count as lost: twice the usual age."""
    return max(ageing.free_s, thresholds("analyzer.evidence")["ageing.stale"])


def _step(track: Track, at: int) -> float:
    """Return by how much positions leave their own velocity across epoch `at` [m], NaN where that cannot be seen."""
    window = max(thresholds("analyzer.evidence")["return.window"], 2 * track.nominal_s)
    if at >= len(track):
        return float("nan")
    first, last = np.searchsorted(track.t, [track.t[at] - window - 1e-6, track.t[at] + window + 1e-6])
    t, places = track.t[first:last], track.places[first:last, :2]
    if np.diff(t).max(initial=0.0) > 1.5 * track.nominal_s or not np.isfinite(places).all() or at - first < 2 or last - at < 2:
        return float("nan")
    velocity = track.own_velocity[first:last]
    if np.isfinite(velocity).all():
        left = places - np.vstack([np.zeros((1, 2)), np.cumsum(integrate(t, velocity)[0], axis=0)])
        return float(np.hypot(*(np.median(left[at - first:], axis=0) - np.median(left[:at - first], axis=0))))
    if track.nominal_s > thresholds("analyzer.evidence")["return.slowest"]:
        return float("nan")
    return float(np.hypot(*_leap(t, places, at - first)))


def _leap(t: Floats, places: Floats, at: int) -> Floats:
    """Return how far the place at row `at` and after lies from what the rows before lead to: lines fitted on both sides."""
    middle = (t[at - 1] + t[at]) / 2
    degree = 2 if min(at, len(t) - at) > 4 else 1
    return np.array([np.polyval(np.polyfit(t[at:] - middle, places[at:, k], degree), 0.0)
                     - np.polyval(np.polyfit(t[:at] - middle, places[:at, k], degree), 0.0) for k in (0, 1)])


def without_returns(slews: Slews, track: Track, ageing: Ageing) -> Slews:
    """Return the slow steps but for those in which a solution sheds what ageing had built up when corrections came back."""
    limits = thresholds("analyzer.evidence")
    keep = np.ones(len(slews.spans), dtype=bool)
    for start, end in intervals.runs(ageing.excess_s > ageing_least(ageing)):
        back = track.t[min(end, len(track) - 1)]
        gone = limits["return.least"] / 2 + RADIUS_95 * limits["return.rate"] * float(ageing.excess_s[start:end].max())
        near = (slews.spans[:, 1] > back - limits["return.window"]) & (slews.spans[:, 0] < back + limits["return.settled"])
        keep &= ~(near & (np.hypot(*slews.step[:, :2].T) < gone))
    inside = np.zeros(len(track), dtype=bool)
    for first, last in slews.spans[keep]:
        inside |= (track.t >= first) & (track.t <= last)
    return replace(slews, spans=slews.spans[keep], step=slews.step[keep], var=slews.var[keep], half_seen=slews.half_seen[keep], inside=inside)
