"""Positions that drift while the car stands and come back when it drives on: multipath is slow at a stand and averages out in motion.

Velocity is nothing at a stand, so that the drift is seen directly. Left in the residual it would pass for a slow swing of the
minutes around, whose shape it has not. What strays from the level just before the stand is taken out where it is gone some seconds
behind it; it bears on the bound of these moments alone.

Source: multipath of a standing antenna has periods of minutes, of a moving one of seconds: common practice.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from analyzer import intervals
from analyzer.evidence.claim import RADIUS_95
from analyzer.evidence.noise import learn_moving
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds


def stand_drift(track: Track, residual: Floats, usable: Flags) -> Floats:
    """Return how far positions strayed at stands and on driving off from them (n, 2) [m]; 0 elsewhere.

    Parameters
    ----------
    track : of the drive.
    residual : (n, 2) position against integrated velocity [m].
    usable : (n,) epochs whose position and velocity count.
    """
    out = np.zeros((len(track), 2))
    stands = intervals.runs(track.standing & usable)
    if not len(stands):
        return out
    after_s = thresholds("analyzer.evidence")["drift.after"]
    behind = intervals.covered(track.t, np.column_stack([track.t[stands[:, 1] - 1], track.t[stands[:, 1] - 1] + after_s]))
    wander = learn_moving(residual, usable & ~behind, track, key="drift").wander(after_s)
    for (start, end), following in zip(stands, np.append(stands[1:, 0], len(track)), strict=True):
        back = _back(track, usable, int(end), int(following))
        before = _before(track, usable, int(start))
        if back is None or before is None:
            continue
        levels = [np.median(residual[some], axis=0) for some in (before, back)]
        first, last = int(start), int(back.start)
        away = _away(track, residual[first:last], (first, last), levels)
        away[:end - start] -= _settled(away[:end - start], track.t[start:end])
        if _is_drift(away[:end - start], track.t[start:end], levels[1] - levels[0], wander):
            out[first:last] = away
    return out


def _before(track: Track, usable: Flags, start: int) -> slice | None:
    """Return the epochs in motion just before a stand that begins at `start`; None where it follows a loss or the begin of the log."""
    seconds = thresholds("analyzer.evidence")["drift.before"]
    first = max(0, min(int(np.searchsorted(track.t, track.t[start] - seconds)), start - 3))
    inside = slice(first, start)
    whole = usable[inside] & ~track.standing[inside]
    return inside if start - first >= 3 and whole.all() and track.t[start] - track.t[first] < 2 * seconds + 3 * track.nominal_s else None


def _back(track: Track, usable: Flags, end: int, following: int) -> slice | None:
    """Return the epochs in motion some seconds behind a stand that ends before `end`, before the `following` one; None where there are none."""
    limits = thresholds("analyzer.evidence")
    if end == len(track):
        return None
    until = min(int(np.searchsorted(track.t, track.t[end] + limits["drift.after"])), following)
    first = min(int(np.searchsorted(track.t, track.t[end] + limits["drift.after"] - limits["drift.before"])), until - 3)
    late_enough = first > end and track.t[first] - track.t[end] >= limits["drift.after"] / 2
    return slice(first, until) if late_enough and until - first >= 3 and usable[end:until].all() else None


def _away(track: Track, residual: Floats, span: tuple[int, int], levels: list[NDArray[np.float64]]) -> Floats:
    """Return how far the smoothed residual of the epochs `span` lies from the level before (m, 2) [m].

    Velocity is wrong in motion only: by what the level behind differs, the level moves on driving off.
    """
    first, last = span
    moved = np.cumsum(~track.standing[first:last])
    level = levels[0] + (moved / max(int(moved[-1]), 1))[:, None] * (levels[1] - levels[0])
    width = 2 * round(0.5 / track.nominal_s) + 1
    smooth = np.column_stack([median_filter(residual[:, axis], width, mode="nearest") for axis in (0, 1)])
    return np.asarray(smooth - level)


def _settled(away: Floats, t: Floats) -> Floats:
    """Return the middle (2,) [m] of what strays at a stand (m, 2) that lasts, where it stays there for most of the time; 0 elsewhere.

    Braking to a stand leaves centimetres of its own in the level, at low rates above all. What is the same for most of a long stand is that,
    not a swing.
    """
    middle: Floats = np.median(away, axis=0)
    return middle if mostly_still(np.hypot(*(away - middle).T), float(t[-1] - t[0])) else np.zeros(2)


def mostly_still(stray_m: Floats, lasting_s: float) -> bool:
    """Return whether a stand lasts and positions stray from its middle, by `stray_m` (m,), for a smaller part of it: then the middle is the right place."""
    limits = thresholds("analyzer.evidence")
    return bool(lasting_s > 2 * limits["standstill.piece"] and (stray_m > limits["standstill.stray"]).mean() < limits["standstill.minority"])


def _is_drift(away: Floats, t: Floats, apart: Floats, wander_m: float) -> bool:
    """Return whether what strays at a stand (m, 2) is large, slow, and gone behind it, where levels are `apart` (2,) [m].

    `wander_m` is what velocity may be off by from the one level to the other, per axis.
    """
    limits = thresholds("analyzer.evidence")
    most = float(np.hypot(*away.T).max(initial=0.0))
    ends = away[-max(1, len(away) // 10):].mean(axis=0)
    lasts = float(apart @ ends) > limits["drift.closes"] * float(ends @ ends)
    if most < max(limits["drift.least"], limits["drift.sigmas"] * wander_m) or lasts or np.hypot(*apart) > RADIUS_95 * wander_m + limits["drift.least"]:
        return False
    later = np.minimum(np.searchsorted(t, t + limits["drift.sudden_time"]), len(t) - 1)
    return bool(np.hypot(*(away[later] - away).T).max() < limits["drift.sudden"] * most)
