"""Steps in height: inside fixed, where plan alone does not cut a stretch, and where no ruler of the road could be learnt.

For heights no velocity is integrated. What is known is the height on either side of a moment: it is carried to the moment with
the slope of its own side, and both are compared. How far they differ where nothing stepped is learnt on the drive by medians.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.lib.stride_tricks import sliding_window_view

from analyzer import intervals
from analyzer.evidence.noise import Noise
from analyzer.evidence.stretches import Ints, Stretches
from analyzer.evidence.track import Floats, Track
from analyzer.settings import thresholds

#: Variance of the median of normal samples over that of their mean.
MEDIAN_VAR = 1.57
#: Where half a window has no more rows than this, three of them are seconds apart, and a car brakes to rest meanwhile.
FEW_ROWS = 2


@dataclass(frozen=True)
class Leaps:
    """Steps in height inside fixed stretches: epochs (k,), steps east, north, up (k, 3) [m], variances per axis and in height (k, 2)."""

    at: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    step: Floats = field(default_factory=lambda: np.zeros((0, 3)))
    var: Floats = field(default_factory=lambda: np.zeros((0, 2)))

    def inside(self, first: int, last: int, *, shift: int = 0) -> Leaps:
        """Return those at epochs [first, last), with `shift` added to their epochs."""
        kept = (self.at >= first) & (self.at < last)
        return Leaps(self.at[kept] + shift, self.step[kept], self.var[kept])

    @classmethod
    def joined(cls, parts: list[Leaps]) -> Leaps:
        """Return all of `parts`."""
        return cls(*(np.concatenate([getattr(p, name) for p in parts]) for name in ("at", "step", "var"))) if parts else cls()


def find_leaps(track: Track, residual: Floats, noise: Noise, stretches: Stretches, *, coarse: Floats) -> Leaps:
    """Return the steps in height inside `stretches`.

    Heights carried to a moment from `stretch.jump_window` before and behind it must differ by more than `stretch.jump_sigmas` of
    what they usually differ by, times `coarse` (n,), and by more than `height.least_jump`; half of it must come within three epochs.
    `residual` (n, 2) and its `noise` give what plan did meanwhile.
    """
    limits = thresholds("analyzer.evidence")
    pieces, half = _pieces(track, stretches), half_window(track)
    usual = _usual(track, pieces)
    found: list[int] = []
    for at, kink in pieces:
        least = np.maximum(limits["stretch.jump_sigmas"] * usual * coarse[at], limits["height.least_jump"])
        found += [x for s, e in intervals.runs(np.abs(kink) > least)
                  if (x := _abrupt(track.places[:, 2], int(at[s + np.argmax(np.abs(kink[s:e]))]), half)) >= 0]
    return _measured(track, residual, noise, coarse, found, usual=usual, half=half)


def half_window(track: Track) -> int:
    """Return how many epochs make half of `stretch.jump_window`: two medians over so many give the slope on a side of a moment."""
    stride = _stride(track)
    return stride * max(2, round(thresholds("analyzer.evidence")["stretch.jump_window"] / 2 / (track.nominal_s * stride)))


def usual_kink(track: Track, stretches: Stretches) -> float:
    """Return the sigma [m] of how far heights carried to a moment from both sides differ where nothing stepped, see `find_leaps`."""
    return _usual(track, _pieces(track, stretches))


def _stride(track: Track) -> int:
    return max(1, int(0.1 / track.nominal_s))


def _pieces(track: Track, stretches: Stretches) -> list[tuple[Ints, Floats]]:
    """Return the epochs (m,) of each stretch that is long enough and how heights from both sides differ there (m,) [m]."""
    stride = _stride(track)
    half = half_window(track) // stride
    rows = [(int(s), _kinks(track.places[s:e:stride, 2], half)) for s, e in stretches.spans if e - s > (4 * half + 1) * stride]
    return [(s + at * stride, kink) for s, (at, kink) in rows]


def _usual(track: Track, pieces: list[tuple[Ints, Floats]]) -> float:
    every = np.concatenate([kink for _, kink in pieces]) if pieces else np.zeros(0)
    moving = ~track.standing[np.concatenate([at for at, _ in pieces])] if pieces else np.zeros(0, dtype=bool)
    enough = moving.sum() >= thresholds("analyzer.evidence")["noise.least_pairs"]
    return track.learnt.sigma("height.kink", every[moving] if enough else every)


def _kinks(up: Floats, half: int) -> tuple[Ints, Floats]:
    """Return rows of `up` and by how much the height carried on from before differs from that carried back from behind.

    Two medians of `half` rows on either side give its slope: one and a half times the nearer less half the farther.
    """
    middle = np.median(sliding_window_view(up, half), axis=-1)
    before = 1.5 * middle[half:-2 * half] - 0.5 * middle[:-3 * half]
    behind = 1.5 * middle[2 * half:-half] - 0.5 * middle[3 * half:]
    kink = behind - before
    at = np.arange(len(kink)) + 2 * half
    known = np.isfinite(kink)
    return at[known], kink[known]


def _abrupt(up: Floats, centre: int, reach: int) -> int:
    """Return the epoch of the largest single step near `centre` off the slope around it; -1 where it comes by degrees or does not stay.

    Half of it must come within three epochs, beyond what the three before and the three behind do: braking on a slope is no step.
    """
    low, high = max(centre - reach, 1), min(centre + reach, len(up) - 2)
    steps = np.diff(up[low - 1:high])
    if not len(steps) or not np.isfinite(steps).any():
        return -1
    slope = float(np.nanmedian(steps))
    at = low + int(np.nanargmax(np.abs(steps - slope)))
    first = max(at - reach, 0)
    level = up[first:at + reach] - slope * np.arange(first, min(at + reach, len(up)))
    step = np.median(level[at - first:]) - np.median(level[:at - first])
    own = up[min(at + 1, len(up) - 1)] - up[max(at - 2, 0)]
    beside = [up[j] - up[k] for k, j in ((at - 5, at - 2), (at + 1, at + 4)) if k >= 0 and j < len(up)]
    return at if beside and abs(own - np.mean(beside)) >= 0.5 * abs(step) else -1


def _measured(
    track: Track, residual: Floats, noise: Noise, coarse: Floats, found: list[int], *, usual: float, half: int
) -> Leaps:
    """Return the steps at the epochs `found`, measured there, without those that are none once measured."""
    limits = thresholds("analyzer.evidence")
    rows = []
    for at in dict.fromkeys(found):
        up = carried_step(track.places[:, 2], at, half)
        sigma = usual * float(coarse[at])
        by_degrees = half <= FEW_ROWS and abs(single_step(track.places[:, 2], at)) < 0.5 * abs(up)
        if by_degrees or not stays(track.places[:, 2], at, half, up) or not abs(up) > max(limits["stretch.jump_sigmas"] * sigma, limits["height.least_jump"]):
            continue
        plan = np.nanmedian(residual[at:at + half], axis=0) - np.nanmedian(residual[at - half:at], axis=0)
        spread = 2 * MEDIAN_VAR * (noise.white_m * coarse[at]) ** 2 / half + noise.wander(half * track.nominal_s) ** 2
        if track.from_places:  # the way of the car is in it
            plan, spread = np.zeros(2), limits["bridge.farthest"] ** 2
        rows.append((at, plan[0], plan[1], up, spread, sigma**2))
    table = np.array(rows, dtype=np.float64).reshape(-1, 6)
    table = table[np.argsort(table[:, 0])]
    return Leaps(table[:, 0].astype(np.int64), table[:, 1:4], table[:, 4:])


def carried_step(up: Floats, at: int, half: int, *, left_out: tuple[int, int] = (0, 0)) -> float:
    """Return by how much the heights `up` (n,) [m] step at row `at`, carried there with the slopes of both sides; NaN where one has no room.

    Medians of `half` rows on either side; the `left_out` nearest of them are not used.
    """
    before, behind = left_out
    rows = [up[max(at + k * half, 0):max(at + (k + 1) * half, 0)] for k in (-2 - before, -1 - before, behind, behind + 1)]
    if not all(np.isfinite(row).any() for row in rows):
        return float("nan")
    middle = [float(np.nanmedian(row)) for row in rows]
    return (1.5 + behind) * middle[2] - (0.5 + behind) * middle[3] - (1.5 + before) * middle[1] + (0.5 + before) * middle[0]


def stays(up: Floats, at: int, half: int, step: float) -> bool:
    """Return whether the heights `up` (n,) [m] that `step` at row `at` stay there, and had not come from there: spikes of some rows come back."""
    return not any(carried_step(up, at, half, left_out=out) * step < 0.5 * step**2 for out in ((0, 1), (1, 0)))


def single_step(up: Floats, at: int) -> float:
    """Return by how much the heights `up` (n,) [m] step from row `at` - 1 to `at` beyond what they do from one row to the next beside it.

    Braking on a slope and crests change the climb by degrees: half of what is left of them here.
    """
    if not 2 <= at < len(up) - 1:
        return float("nan")
    before, own, behind = np.diff(up[at - 2:at + 2])
    return float(own - (before + behind) / 2)


def step_between(fixes: pd.DataFrame, before: int, behind: int, rise: Noise | None) -> tuple[float, float]:
    """Return the step in height [m] from the epochs up to `before` to those from `behind` on, and its variance [m²].

    For where nothing bridges in plan: heights around either side are compared, and `rise` says how far they wander in that time. Where
    it was not learnt, or beyond `bridge.longest`, a road may rise by `height.slope` of the way between. NaN without heights.
    """
    limits = thresholds("analyzer.evidence")
    t, up = pd.DatetimeIndex(fixes.index), fixes["height_m"].to_numpy(np.float64)
    span = pd.Timedelta(seconds=limits["height.span"])
    sides = up[max(int(t.searchsorted(t[before] - span)), 0):before + 1], up[behind:int(t.searchsorted(t[behind] + span, side="right"))]
    if not all(np.isfinite(s).any() for s in sides):
        return float("nan"), float("nan")
    middle = [float(np.nanmedian(s)) for s in sides]
    seconds = float((t[behind] - t[before]).total_seconds()) + limits["height.span"]
    speed = fixes["speed_mps"].to_numpy(np.float64)[max(before - 1, 0):behind + 2]
    fastest = float(np.nanmax(speed)) if np.isfinite(speed).any() else limits["height.fastest"]
    learnt = rise is not None and rise.learnt and seconds <= limits["bridge.longest"] + limits["height.span"]
    spread = rise.wander(seconds) if rise is not None and learnt else limits["height.slope"] * fastest * seconds
    return middle[1] - middle[0], spread**2 + 2 * limits["height.right_sigma"] ** 2
