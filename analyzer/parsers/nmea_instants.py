"""Which groups of sentences become epochs: one per instant, the first complete one, fragments joined."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyzer.parsers.nmea_groups import POSITION_BITS, POSITION_KINDS, Stream
from analyzer.parsers.sentences import Sentences
from analyzer.timebase import DAY_US

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

#: What became of a group.
KEPT, DUPLICATE, LEAP_SECOND, WITHOUT_TIME, WITHOUT_EPOCH = range(5)
#: Share of compared sentences that must be equal in every value for data to count as replayed.
_REPLAYED_SHARE = 0.95


@dataclass(frozen=True)
class Resolved:
    """The epochs and what became of each group.

    Attributes
    ----------
    instant_us : instants of the epochs, increasing.
    winner : the group that stands for each epoch.
    start : first byte of the timed sentences of each epoch.
    epoch_of_group : epoch of each group, -1 where none.
    status : what became of each group.
    """

    instant_us: Ints
    winner: Ints
    start: Ints
    epoch_of_group: Ints
    status: NDArray[np.uint8]


def resolve(stream: Stream, run_instant_us: Ints) -> Resolved:
    """Choose one group per instant.

    The group with the most kinds wins, position kinds first, the earlier on a tie. Groups that hold only kinds which
    the winner lacks are parts of the same epoch that arrived apart and join it; the others are duplicates.
    """
    time_us = stream.run_time_us[stream.group_run]
    status = np.full(len(time_us), KEPT, dtype=np.uint8)
    status[time_us >= DAY_US] = LEAP_SECOND
    status[time_us < 0] = WITHOUT_TIME
    groups = np.flatnonzero(status == KEPT)
    instant_us, bits = run_instant_us[stream.group_run[groups]], stream.group_bits[groups]
    opening = (bits & POSITION_BITS) > 0
    epoch_of_group = np.full(len(time_us), -1, dtype=np.int64)
    if np.all(opening) and np.all(instant_us[1:] > instant_us[:-1]):
        epoch_of_group[groups] = np.arange(len(groups))
        return Resolved(instant_us, groups, stream.group_start[groups], epoch_of_group, status)
    completeness = np.bitwise_count(bits).astype(np.int64) + 8 * opening
    order = np.lexsort((groups, -completeness, instant_us))
    first = np.concatenate([[True], instant_us[order][1:] != instant_us[order][:-1]])[: len(order)]
    segment = np.cumsum(first) - 1
    winner = order[first]
    counts = opening[winner]
    epoch = np.where(counts, np.cumsum(counts) - 1, -1)[segment]
    overlaps = ~first & ((bits[order] & bits[winner][segment]) > 0)
    joins = (epoch >= 0) & ~overlaps
    epoch_of_group[groups[order]] = np.where(joins, epoch, -1)
    status[groups[order]] = np.where(epoch < 0, WITHOUT_EPOCH, np.where(overlaps, DUPLICATE, KEPT))
    chosen = winner[counts]
    start = stream.group_start[groups[chosen]].copy()
    np.minimum.at(start, epoch[joins], stream.group_start[groups[order[joins]]])
    return Resolved(instant_us[chosen], groups[chosen], start, epoch_of_group, status)


def runs_with_position(sentences: Mapping[str, Sentences], stream: Stream) -> Flags:
    """Return which runs hold a position that its sentence calls valid."""
    out = np.zeros(len(stream.run_time_us), dtype=bool)
    for kind, run in stream.run_of.items():
        if kind not in POSITION_KINDS:
            continue
        columns = sentences[kind].columns
        valid = np.isfinite(np.asarray(columns["latitude_deg"], dtype=np.float64))
        if kind == "GGA":
            valid &= np.asarray(columns["quality"], dtype=np.float64) > 0
        elif kind == "GNS":
            valid &= ~np.isin(np.asarray(columns["mode"]), (0, ord("N")))
        else:
            valid &= np.asarray(columns["status"]) == ord("A")
        out[run[valid]] = True
    return out


def repeats_content(sentences: Mapping[str, Sentences], stream: Stream, earlier: Ints, later: Ints) -> bool:
    """Tell whether sentences of later runs repeat those of earlier runs with the same time in every value.

    Fresh measurements differ in some value, be it height or course; replayed ones do not.
    """
    compared = equal = 0
    for kind in POSITION_KINDS:
        if kind not in stream.run_of:
            continue
        run = stream.run_of[kind]
        rows_before, rows_after = (np.flatnonzero(np.isin(run, runs)) for runs in (earlier, later))
        _, at_before, at_after = np.intersect1d(
            stream.run_time_us[run[rows_before]], stream.run_time_us[run[rows_after]], return_indices=True
        )
        values = np.column_stack([
            np.asarray(column, dtype=np.float64)
            for name, column in sentences[kind].columns.items() if column.ndim == 1 and name != "time_of_day_s"
        ])
        before, after = values[rows_before[at_before]], values[rows_after[at_after]]
        compared += len(before)
        equal += int(np.count_nonzero(np.all((before == after) | np.isnan(before) & np.isnan(after), axis=1)))
    return compared > 0 and equal >= _REPLAYED_SHARE * compared
