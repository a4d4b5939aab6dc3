"""Windows from crossing lines: the passes of the route between two lines, or between crossings of one line.

Two lines of one name are the way in and the way out of a stretch of road. A pass runs from one to the other *through* that
stretch: the line it comes in by is crossed towards the other one, the line it goes out by away from it. So the rest of a lap,
from the way out round to the way in, is no pass; driving back through the stretch is one, marked as opposite. Where the lines lie
beside each other, as at a hairpin, the file decides: from the first line to the second, and back only with both crossed the other
way.

A crossing that falls between two positions far apart in time has no moment of its own: a pass takes in all of that gap.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.settings import thresholds
from analyzer.userfiles.tabular import WINDOW_COLUMNS

Path2 = NDArray[np.float64]


@dataclass(frozen=True)
class Crossing:
    """One crossing of line `which`: when [s], and to which of its sides (+1 left of its direction, -1 right).

    `between_s` are the moments between which it lies: twice `at_s`, but for a crossing in a gap of the positions.
    """

    at_s: float
    which: int
    side: int
    between_s: tuple[float, float]

    @property
    def known(self) -> bool:
        """Whether its moment is known."""
        return self.between_s[0] == self.between_s[1]


def passes(lines: pd.DataFrame, times_s: NDArray[np.float64], places: Path2, start: pd.Timestamp) -> pd.DataFrame:
    """Return windows ``name start_utc end_utc``, numbered within each name by time; ``(opposite)`` where driven back.

    Parameters
    ----------
    lines : ``name from_east_m from_north_m to_east_m to_north_m`` in the local frame; two lines of one name are the
        ends of a pass, a single line ends one pass and begins the next.
    times_s : seconds since `start`, increasing, of epochs with a position.
    places : (n, 2) east and north [m] of the same epochs.
    """
    rows = []
    for name, group in lines.groupby("name", sort=False):
        ends = group[["from_east_m", "from_north_m", "to_east_m", "to_north_m"]].to_numpy(np.float64)
        marks = sorted((c for which, line in enumerate(ends) for c in _crossings(line, which, times_s, places)), key=lambda c: c.at_s)
        found = list(_between_two(ends, marks)) if len(ends) > 1 else [(a, b, False) for a, b in pairwise(marks)]
        rows += [
            (f"{name} {number}{' (opposite)' if back else ''}", _moment(start, a.between_s[0]), _moment(start, b.between_s[1]))
            for number, (a, b, back) in enumerate(found, 1)
        ]
    return pd.DataFrame(rows, columns=list(WINDOW_COLUMNS))


def _moment(start: pd.Timestamp, seconds: float) -> pd.Timestamp:
    """Return a moment to the microsecond, the resolution of all tables."""
    return (start + pd.Timedelta(microseconds=round(seconds * 1e6))).as_unit("us")


def crossings(line: NDArray[np.float64], times_s: NDArray[np.float64], places: Path2) -> NDArray[np.float64]:
    """Return the times [s] at which the track crosses the segment `line` (from east, north to east, north), interpolated.

    A crossing counts once the track is `passes.clear` beyond the line, so that a car that stands on it crosses it once.
    """
    return np.array([c.at_s for c in _crossings(line, 0, times_s, places)])


def crossed_in_gaps(line: NDArray[np.float64], times_s: NDArray[np.float64], places: Path2) -> list[tuple[float, float]]:
    """Return from when to when [s] there was no position, for each crossing of `line` whose moment is therefore not known."""
    return [c.between_s for c in _crossings(line, 0, times_s, places) if not c.known]


def nearest_end_m(line: NDArray[np.float64], places: Path2) -> float:
    """Return how near an end of `line` the track comes where it crosses the line or its extension [m]; infinite where it does not."""
    length = float(np.hypot(*(line[2:] - line[:2])))
    return min((min(abs(w), abs(1 - w)) * length for _, _, w, _ in _changes(line, places)), default=np.inf)


def _crossings(line: NDArray[np.float64], which: int, times_s: NDArray[np.float64], places: Path2) -> Iterator[Crossing]:
    """Yield the crossings of one line in order of time."""
    gap_s = _gap_s(times_s) if len(times_s) > 1 else np.inf
    for at, share, where, side in _changes(line, places):
        if 0 <= where <= 1:
            last, first = float(times_s[at]), float(times_s[at + 1])
            moment = last + share * (first - last)
            yield Crossing(moment, which, side, (last, first) if first - last > gap_s else (moment, moment))


def _changes(line: NDArray[np.float64], places: Path2) -> Iterator[tuple[int, float, float, int]]:
    """Yield where the track changes the side of a line: the epoch before, the share of the step and of the line, and the new side."""
    origin, along = line[:2], line[2:] - line[:2]
    length = float(np.hypot(*along))
    if length == 0 or len(places) < 2:
        return
    off = (places - origin) @ np.array([-along[1], along[0]]) / length
    clear = np.where(np.abs(off) > thresholds("analyzer.verdict")["passes.clear"], np.sign(off), 0.0).astype(np.int64)
    sure = np.flatnonzero(clear)
    raw = np.flatnonzero((off[:-1] < 0) != (off[1:] < 0))
    for before, after in pairwise(sure.tolist()):
        if clear[before] == clear[after]:
            continue
        # the last change of side before the track is clear of the line
        at = int(raw[np.searchsorted(raw, after) - 1])
        share = off[at] / (off[at] - off[at + 1])
        where = places[at] + share * (places[at + 1] - places[at])
        yield at, float(share), float((where - origin) @ along / length**2), int(clear[after])


def _gap_s(times_s: NDArray[np.float64]) -> float:
    """Return from which interval [s] on a crossing is not interpolated any more."""
    limit = thresholds("analyzer.verdict")
    return max(limit["passes.gap"], limit["passes.gap_share"] * float(np.median(np.diff(times_s))))


def _between_two(ends: NDArray[np.float64], marks: list[Crossing]) -> Iterator[tuple[Crossing, Crossing, bool]]:
    """Yield the passes between two lines: in, out, and whether it is driven from the second line to the first."""
    towards = [_side_of(ends[0], ends[1]), _side_of(ends[1], ends[0])]
    pairs = [(a, b) for a, b in pairwise(marks) if a.which != b.which]
    if 0 not in towards:
        through = [(a, b) for a, b in pairs if a.side == towards[a.which] and b.side == -towards[b.which]]
        yield from ((a, b, a.which == 1) for a, b in through)
        return
    usual = {(a.side, b.side) for a, b in pairs if a.which == 0}
    for a, b in pairs:
        if a.which == 0 or not usual or (-b.side, -a.side) in usual:
            yield a, b, a.which == 1


def _side_of(line: NDArray[np.float64], other: NDArray[np.float64]) -> int:
    """Return on which side of `line` the whole of `other` lies; 0 where it lies on both or on the line's own extension."""
    origin, along = line[:2], line[2:] - line[:2]
    across = np.array([-along[1], along[0]]) / max(float(np.hypot(*along)), 1e-9)
    off = (other.reshape(2, 2) - origin) @ across
    near = thresholds("analyzer.verdict")["passes.beside"] * float(np.hypot(*(other.reshape(2, 2).mean(axis=0) - (line[:2] + line[2:]) / 2)))
    return int(np.sign(off[0])) if (np.abs(off) > near).all() and off[0] * off[1] > 0 else 0
