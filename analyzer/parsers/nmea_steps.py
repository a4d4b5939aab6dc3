"""A clock that steps back over other positions, or two recordings in one stream.

Sorted by time, the epochs of both sides take turns and look like a position that jumps to and fro. Each epoch that lies behind
the latest time so far is therefore held against where the log was at that time before: what arrived late or was logged twice
agrees, what was measured anew somewhere else does not.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyzer.intervals import equal_runs
from analyzer.parsers.nmea_groups import POSITION_KINDS, Stream
from analyzer.parsers.sentences import Sentences
from analyzer.settings import thresholds
from analyzer.timebase import DAY_US

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Single epochs with a damaged time are no step of the clock; more than so many in a row are.
_FEW = 2
#: Neighbours this many usual intervals apart have no gap between them.
_NO_GAP = 1.5
#: What a straight line between two epochs misses is an eighth of the second difference, and noise of one position 0.4 of it.
_PER_SECOND_DIFFERENCE = 1.5
_M_PER_DEG = 111_195.0
_M_PER_MINUTE = 1852.0


@dataclass(frozen=True)
class Steps:
    """Epochs behind the latest time so far that lie elsewhere than the log did at their time.

    Attributes
    ----------
    start, from_us, to_us : byte at which each step back begins, instants [us] before and behind it.
    apart_m : distances of the epochs behind these steps [m].
    repeats_apart_m : distances of all epochs that repeat the very time of another and differ in place [m].
    """

    start: Ints
    from_us: Ints
    to_us: Ints
    apart_m: Floats
    repeats_apart_m: Floats


@dataclass(frozen=True)
class _Line:
    """Positions of one kind in stream order: byte at which their epoch begins, instant [us], north and east [m], what rounding may leave [m]."""

    start: Ints
    time_us: Ints
    place_m: Floats
    rounding_m: float


def find_steps(sentences: Mapping[str, Sentences], stream: Stream, run_instant_us: Ints) -> Steps | None:
    """Return the steps back over other positions; None where time never steps back.

    Parameters
    ----------
    run_instant_us : instant of each run of the stream [us].
    """
    line = _line(sentences, stream, run_instant_us)
    if line is None:
        return None
    latest = np.maximum.accumulate(line.time_us)
    behind = np.concatenate([[False], line.time_us[1:] <= latest[:-1]])
    front, late = np.flatnonzero(~behind), np.flatnonzero(behind)
    interval_us = float(np.median(np.diff(line.time_us[front]))) if len(front) > 1 else 0.0
    apart, differs, same = _held_against(line, front, late, interval_us)
    first, last = _stretches(line.time_us, late)
    stepped = [_is_step(line.time_us, late, (a, b), differs, apart, interval_us=interval_us) for a, b in zip(first, last, strict=True)]
    chosen = first[np.array(stepped, dtype=bool)]
    inside = np.repeat(np.array(stepped, dtype=bool), last - first)
    at = late[chosen]
    return Steps(line.start[at], line.time_us[at - 1], line.time_us[at], apart[inside & differs], apart[same & differs])


def _line(sentences: Mapping[str, Sentences], stream: Stream, run_instant_us: Ints) -> _Line | None:
    """Return the positions of the kind that has most, where their time ever steps back or stands."""
    best: tuple[str, Ints] | None = None
    for kind in (kind for kind in POSITION_KINDS if kind in stream.run_of):
        run_time = stream.run_time_us[stream.run_of[kind]]
        known = np.isfinite(np.asarray(sentences[kind].columns["latitude_deg"], dtype=np.float64))
        known &= np.isfinite(np.asarray(sentences[kind].columns["longitude_deg"], dtype=np.float64))
        rows = np.flatnonzero(known & (run_time >= 0) & (run_time < DAY_US))
        if best is None or len(rows) > len(best[1]):
            best = kind, rows
    if best is None or len(best[1]) < 2:
        return None
    kind, rows = best
    time_us = run_instant_us[stream.run_of[kind][rows]]
    if bool((np.diff(time_us) > 0).all()):
        return None
    one = sentences[kind]
    latitude, longitude = (np.asarray(one.columns[c], dtype=np.float64)[rows] for c in ("latitude_deg", "longitude_deg"))
    east = (longitude - longitude[0] + 180.0) % 360.0 - 180.0
    place = np.column_stack([latitude - latitude[0], east * np.cos(np.radians(latitude))]) * _M_PER_DEG
    digits = 4 if one.decimals is None else int(one.decimals[rows].min())
    first = np.searchsorted(stream.group_run, stream.run_of[kind][rows])
    return _Line(stream.group_start[first], time_us, place, 2.0 * _M_PER_MINUTE * 10.0 ** -max(digits, 0))


def _held_against(line: _Line, front: Ints, late: Ints, interval_us: float) -> tuple[Floats, Flags, Flags]:
    """Return distances [m] of late epochs from the line at their time, NaN where it has a gap; whether they differ; whether times are equal."""
    time, place = line.time_us[front], line.place_m[front]
    left = np.searchsorted(time, line.time_us[late], side="right") - 1
    known, left = left >= 0, np.maximum(left, 0)
    same = known & (time[left] == line.time_us[late])
    right = np.where(same, left, np.minimum(left + 1, len(front) - 1))
    wide_us = (time[right] - time[left]).astype(np.float64)
    share = np.where(same, 0.0, (line.time_us[late] - time[left]) / np.maximum(wide_us, 1.0))
    expected = place[left] + share[:, None] * (place[right] - place[left])
    apart = np.hypot(*(line.place_m[late] - expected).T)
    apart[~known | (wide_us > _NO_GAP * interval_us)] = np.nan
    bend = np.concatenate([[0.0], np.hypot(*np.diff(place, 2, axis=0).T), [0.0]]) if len(front) > 2 else np.zeros(len(front))
    # of what came before the late epoch alone: behind it the line may go on elsewhere
    missed = np.where(same, 0.0, _PER_SECOND_DIFFERENCE * np.maximum(bend[left], bend[np.maximum(left - 1, 0)]))
    least = thresholds("analyzer.parsers", "thresholds_reading.toml")["files.same_place"] + line.rounding_m
    return apart, np.nan_to_num(apart) > least + missed, same


def _stretches(time_us: Ints, late: Ints) -> tuple[Ints, Ints]:
    """Return [first, last) places in `late` of epochs that follow each other in the stream with time running on."""
    new = np.concatenate([[True], (np.diff(late) > 1) | (np.diff(time_us[late]) < 0)])
    spans = equal_runs(np.cumsum(new))
    return spans[:, 0], spans[:, 1]


def _is_step(time_us: Ints, late: Ints, span: tuple[int, int], differs: Flags, apart: Floats, *, interval_us: float) -> bool:
    """Return whether most of a stretch lies elsewhere, and it is more than a few epochs or runs on unbroken beyond the latest time."""
    first, last = span
    off, compared = int(differs[first:last].sum()), int(np.isfinite(apart[first:last]).sum())
    if not off or 2 * off <= compared:
        return False
    run = time_us[late[first]: late[last - 1] + 2]
    unbroken = len(run) == last - first + 1 and bool(((np.diff(run) > 0) & (np.diff(run) <= _NO_GAP * interval_us)).all())
    return off > _FEW or (unbroken and bool(run[0] < time_us[late[first] - 1]))
