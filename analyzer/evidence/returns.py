"""What positions did at the moment corrections came back: a base that stands elsewhere moves them all at once."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import intervals
from analyzer.evidence.ageing import Ageing
from analyzer.evidence.claim import RADIUS_95
from analyzer.evidence.displacement import integrate
from analyzer.evidence.slews import Slews, inside_of
from analyzer.evidence.track import Floats, Track
from analyzer.log_sums import log_sum
from analyzer.recording import Finding
from analyzer.settings import thresholds

#: Sigma per axis of how far apart the frames of two set-ups of a base are [m]: re-surveyed on a mark, by eye, from a first position.
FRAMES_M = np.array([0.15, 0.5, 1.5])
#: Share of returns at which positions of the same base step by more than expected, and how many times more.
OUTLYING, OUTLYING_TIMES = 0.05, 3.0


@dataclass(frozen=True)
class Returns:
    """Returns of corrections.

    Attributes
    ----------
    at_s : (k,) the first fresh epoch [s].
    step : (k, 2) how far the position left its own velocity there, east and north [m]; NaN where that was not seen.
    log_odds : (k,) what the step says for a base that stands elsewhere against the same base; 0 where it was not seen.
    """

    at_s: Floats
    step: Floats
    log_odds: Floats

    def odds_between(self, first_s: float, last_s: float) -> float:
        """Return the log odds of another frame by the returns between two times: those of the one that says most for it."""
        here = (self.at_s >= first_s) & (self.at_s <= last_s)
        return float(self.log_odds[here].max()) if here.any() else 0.0

    def moved_by(self, time_s: Floats) -> Floats:
        """Return by how much [m] returns that speak clearly for another frame have moved positions by each time."""
        clear = self.log_odds > thresholds("analyzer.evidence")["return.clear"]
        total = np.vstack([np.zeros((1, 2)), np.cumsum(self.step[clear], axis=0)])
        return np.asarray(np.hypot(*total[np.searchsorted(self.at_s[clear], time_s, side="right")].T))


def moved_words(returns: Returns, times: pd.DatetimeIndex) -> tuple[Finding, ...]:
    """Return a finding for each return at which the position stepped as only another place of the base makes it step."""
    found = []
    for at_s, step, odds in zip(returns.at_s, returns.step, returns.log_odds, strict=True):
        if odds > thresholds("analyzer.evidence")["return.clear"]:
            # to the millisecond and millimetre: blocks that overlap must say the same
            moment = (times[0] + pd.Timedelta(seconds=float(at_s))).round("ms")
            east, north = (round(float(x), 3) for x in step)
            found.append(Finding("base_elsewhere", "problem", (
                f"When corrections came back at {moment:%H:%M:%S} UTC the position stepped by {np.hypot(east, north):.2f} m against its own velocity "
                f"({east:+.2f} m east, {north:+.2f} m north): the base stands elsewhere since, or another place was entered for it."),
                {"at_utc": moment.isoformat(), "east_m": east, "north_m": north}))
    return tuple(found)


def watch(track: Track, ageing: Ageing, state: pd.Series[str]) -> Returns:
    """Return every return of corrections, and what the position, float or fixed, did there against its own velocity.

    Compared is `return.window` on either side of the first fresh epoch. Log odds are those of two normals of the step: with the
    same base its noise (`return.noise`) and what ageing may have built up (`return.rate` times the excess age, a sigma per axis),
    with `return.float` more where float turned into fixed at the same moment; with another base also the shift, see `FRAMES_M`.
    """
    kind = np.where(track.placed & (state == "fixed").to_numpy(), 2, np.where(track.placed & (state == "float").to_numpy(), 1, 0))
    at, steps, odds = [], [], []
    for last, end in _fresh_again(track, ageing):
        step, sigma = _step(track, end, kind)
        built_up = thresholds("analyzer.evidence")["return.rate"] * float(ageing.excess_s[last])
        at.append(float(track.t[end]))
        steps.append(step)
        odds.append(_log_odds(step, float(np.hypot(sigma, built_up))))
    return Returns(np.asarray(at, dtype=np.float64), np.asarray(steps, dtype=np.float64).reshape(-1, 2), np.asarray(odds, dtype=np.float64))


def _fresh_again(track: Track, ageing: Ageing) -> NDArray[np.int64]:
    """Return the last epoch of old corrections and the first of fresh ones of each outage (k, 2).

    Epochs that name no age neither end an outage nor begin one.
    """
    old = ageing.excess_s > ageing_least(ageing)
    said = np.flatnonzero(np.isfinite(track.age) | old)
    ends = np.flatnonzero(old[said[:-1]] & ~old[said[1:]])
    return np.column_stack([said[ends], said[ends + 1]])


def _log_odds(step: Floats, sigma: float) -> float:
    """Return the log odds of a shift of the frame by a step seen at a return, 0 where nothing was seen."""
    if not np.isfinite(step).all():
        return 0.0
    same = np.log([1 - OUTLYING, OUTLYING]) + _log_normal(step, np.array([sigma, OUTLYING_TIMES * sigma]))
    other = _log_normal(step, np.hypot(FRAMES_M, sigma)) - np.log(len(FRAMES_M))
    return float(log_sum(other) - log_sum(same))


def _log_normal(step: Floats, sigma: Floats) -> Floats:
    return np.asarray(-np.log(2 * np.pi * sigma**2) - (step**2).sum() / (2 * sigma**2))


def ageing_least(ageing: Ageing) -> float:
    """Return the excess age [s] from which corrections count as lost: twice the usual age."""
    return max(ageing.free_s, thresholds("analyzer.evidence")["ageing.stale"])


def _step(track: Track, at: int, kind: NDArray[np.int64]) -> tuple[Floats, float]:
    """Return by how much positions leave their own velocity across epoch `at`, east and north [m], and its sigma per axis.

    Compared are epochs of one state on either side, float or fixed; NaN where that is not seen.
    """
    limits = thresholds("analyzer.evidence")
    window = max(limits["return.window"], 2 * track.nominal_s)
    first, last = np.searchsorted(track.t, [track.t[at] - window - 1e-6, track.t[at] + window + 1e-6])
    t, places, kinds = track.t[first:last], track.places[first:last, :2], kind[first:last]
    split = at - first
    before, after = (np.flatnonzero((kinds == kinds[k]) & side) for k, side in ((split - 1, np.arange(len(t)) < split), (split, np.arange(len(t)) >= split)))
    sigma = limits["return.noise"] if kinds[split - 1] == kinds[split] else float(np.hypot(limits["return.noise"], limits["return.float"]))
    unseen = np.full(2, np.nan), sigma
    if kinds[split - 1] == 0 or kinds[split] == 0 or min(len(before), len(after)) < 2 or np.diff(t).max(initial=0.0) > 1.5 * track.nominal_s:
        return unseen
    velocity = track.own_velocity[first:last]
    if np.isfinite(velocity).all():
        left = places - np.vstack([np.zeros((1, 2)), np.cumsum(integrate(t, velocity)[0], axis=0)])
        return np.asarray(np.median(left[after], axis=0) - np.median(left[before], axis=0)), sigma
    if track.nominal_s > limits["return.slowest"]:
        return unseen
    both = np.concatenate([before, after])
    return _leap(t[both], places[both], len(before)), sigma


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
    spans = slews.spans[keep]
    return replace(slews, spans=spans, step=slews.step[keep], var=slews.var[keep],
                   inside=inside_of(track, spans))
