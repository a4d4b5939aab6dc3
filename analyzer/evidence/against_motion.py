"""Courses that point against the motion: a car that reverses while its course tells where it points, or a course turned about.

The way of the positions over about a second and the integral of the logged velocity are as long as each other and opposed then, second
after second. Neither a wrong fix nor multipath does that: a step is over within the second, a swing is slower than the car.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import intervals, wording
from analyzer.recording import Finding
from analyzer.settings import thresholds

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


def against_motion(t: Floats, places: Floats, velocity: Floats) -> Flags:
    """Return at which epochs the logged velocity points against the way of the positions.

    Parameters
    ----------
    t : (n,) [s].
    places, velocity : (n, 2) east, north [m], [m/s]; NaN where unknown.

    Notes
    -----
    Only runs of `against.shortest` count. They reach to the next moment at which the course leaps, or to the slowest beside them, where
    the way is too short to tell.
    """
    limits = thresholds("analyzer.evidence")
    known: Flags = np.asarray(np.isfinite(velocity).all(axis=1) & np.isfinite(places).all(axis=1), dtype=bool)
    if known.sum() < 3:
        return np.zeros(len(t), dtype=bool)
    opposed, told = _opposed(t, places, velocity, known)
    out = np.zeros(len(t), dtype=bool)
    for start, end in intervals.runs(opposed | (~told & _between(opposed, told))):
        if t[end - 1] - t[start] >= limits["against.shortest"]:
            first, last = _reach(velocity, told, int(start), int(end))
            out[first:last] = True
    return out


def _opposed(t: Floats, places: Floats, velocity: Floats, known: Flags) -> tuple[Flags, Flags]:
    """Return where both ways are opposed, and where they are long enough to tell."""
    limits = thresholds("analyzer.evidence")
    rows = np.flatnonzero(known)
    time, v = t[rows], velocity[rows]
    path = np.vstack([np.zeros((1, 2)), np.cumsum((v[1:] + v[:-1]) / 2 * np.diff(time)[:, None], axis=0)])
    half = limits["against.span"] / 2
    before = np.maximum(np.minimum(np.searchsorted(time, time - half), np.arange(len(rows)) - 1), 0)
    behind = np.minimum(np.maximum(np.searchsorted(time, time + half, side="right") - 1, np.arange(len(rows)) + 1), len(rows) - 1)
    whole = time[behind] - time[before] <= 2 * max(limits["against.span"], 2 * float(np.median(np.diff(time))))
    way, told = places[rows][behind] - places[rows][before], path[behind] - path[before]
    long, said = np.hypot(*way.T), np.hypot(*told.T)
    # a way that is partly turned about is shorter than the other, and tells nothing
    alike = whole & (np.minimum(long, said) > limits["against.least_way"]) & (np.abs(long - said) < limits["against.alike"] * said)
    cosine = np.where(alike, (way * told).sum(axis=1) / np.maximum(long * said, 1e-9), 0.0)
    opposed, clear = np.zeros(len(t), dtype=bool), np.zeros(len(t), dtype=bool)
    opposed[rows], clear[rows] = cosine < -limits["against.opposed"], np.abs(cosine) > limits["against.opposed"]
    return opposed, clear


def _between(opposed: Flags, told: Flags) -> Flags:
    """Return which epochs lie between opposed ones with nothing else told meanwhile."""
    sign = np.where(told, np.where(opposed, -1, 1), 0)
    ahead = pd.Series(np.where(sign != 0, sign, np.nan)).ffill().to_numpy()
    back = pd.Series(np.where(sign != 0, sign, np.nan)).bfill().to_numpy()
    return np.asarray((ahead == -1) & (back == -1))


def _reach(velocity: Floats, told: Flags, start: int, end: int) -> tuple[int, int]:
    """Return the run from `start` to `end` (exclusive) with the epochs beside it that belong to it."""
    first, last = start, end
    while first > 0 and not told[first - 1]:
        first -= 1
    while last < len(told) and not told[last]:
        last += 1
    return _turn(velocity, first, start + 1), len(told) - _turn(velocity[::-1], len(told) - last, len(told) - end + 1)


def _turn(velocity: Floats, first: int, last: int) -> int:
    """Return the epoch from `first` to before `last` at which the direction turns about: where the course leaps, else the slowest."""
    part = np.nan_to_num(velocity[max(first - 1, 0):last])
    back = np.flatnonzero((part[1:] * part[:-1]).sum(axis=1) < 0)
    if len(back):
        return max(first - 1, 0) + int(back[-1]) + 1
    return max(first - 1, 0) + int(np.argmin(np.hypot(*part.T)))


def reversed_words(turned: Flags, t: Floats, times: pd.DatetimeIndex) -> tuple[Finding, ...]:
    """Return the finding on courses that point against the motion; none where there is none."""
    spans = intervals.runs(turned)
    if not len(spans):
        return ()
    seconds = float(sum(t[end - 1] - t[start] for start, end in spans))
    first = times[int(spans[0, 0])]
    text = (f"The course points against the motion for {wording.duration(seconds)} ({wording.count(len(spans), 'time')}, first at {first:%H:%M:%S} UTC): it tells where the car "
            "points while it reverses, or is turned by half a circle. The velocity was turned about there; as a heading or a course it must not be read unseen.")
    return (Finding("course_against_motion", "warning", text, {"seconds": seconds, "times": len(spans)}),)
