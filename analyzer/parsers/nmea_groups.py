"""Timed NMEA sentences in stream order, gathered into runs of one time and groups that each make one epoch.

A run is a stretch of consecutive timed sentences with the same time of day. Where a kind returns with the same talker
inside a run, a further group begins. Sentences without a time belong to the group of the timed sentences around them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from analyzer.parsers.sentences import Sentences
from analyzer.scratch import Scratch, Spool
from analyzer.timebase import time_of_day_us

Ints = NDArray[np.int64]

#: Kinds that can open an epoch, best source of a position first.
POSITION_KINDS = ("GGA", "GNS", "RMC", "GLL")
#: Kinds that carry a time; ZDA is not among them: it dates, and may stand some hundredths beside its epoch.
TIMED_KINDS = (*POSITION_KINDS, "GST", "GBS", "GRS")
UNTIMED_KINDS = ("GSA", "GSV", "VTG", "HDT", "THS", "ROT")
KIND_BIT = {kind: np.uint8(1 << place) for place, kind in enumerate(TIMED_KINDS)}
POSITION_BITS = np.uint8(sum(int(KIND_BIT[kind]) for kind in POSITION_KINDS))
#: Sentences of one kind in which the next run surely begins, a wait of seconds at any rate.
_AROUND = 2000
#: Sentences of one talker that may stand several times in one epoch, told apart by these columns.
_PART_COLUMNS = {"GRS": ("system_id", "signal_id"), "GBS": ("failed_satellite",)}


@dataclass
class Stream:
    """The timed sentences in stream order.

    Attributes
    ----------
    ordered : byte offsets of the timed sentences, increasing, and run and group of each; None where `beats` say it.
    beats : byte offsets of the sentences of each kind, where the k-th of all make run and group k, one behind the other.
    run_time_us : time of day of each run [us]; -1 where its sentences carry no time.
    group_run : run of each group.
    group_bits : kinds of each group, an OR of `KIND_BIT`.
    group_start : byte offset of the first timed sentence of each group.
    run_of, group_of : the same per kind and row of its `Sentences`.
    """

    ordered: tuple[Ints, Ints, Ints] | None
    run_time_us: Ints
    group_run: Ints
    group_bits: NDArray[np.uint8]
    group_start: Ints
    run_of: dict[str, Ints]
    group_of: dict[str, Ints]
    beats: tuple[Ints, ...] = ()

    @cached_property
    def _lookup(self) -> tuple[Ints, Ints, Ints]:
        return self.ordered or (np.empty(0, dtype=np.int64),) * 3

    def around(self, start: Ints, what: str = "group") -> tuple[Ints, Ints]:
        """Return group (or run) of the timed sentences before and behind the bytes `start`, -1 where there is none."""
        if self.ordered is None:
            after: Ints = np.sum([np.searchsorted(beat, start) for beat in self.beats], axis=0, dtype=np.int64)
            width, count = len(self.beats), len(self.run_time_us)
            return (after - 1) // width, np.where(after < width * count, after // width, -1)
        at = np.asarray(np.searchsorted(self._lookup[0], start), dtype=np.int64)
        held = self._lookup[2 if what == "group" else 1]
        before, behind = np.full(len(at), -1, dtype=np.int64), np.full(len(at), -1, dtype=np.int64)
        before[at > 0], behind[at < len(held)] = held[at[at > 0] - 1], held[at[at < len(held)]]
        return before, behind

    def sentences_in(self, groups: NDArray[np.bool_]) -> int:
        """Return how many timed sentences lie in the flagged groups."""
        if self.ordered is None:
            return int(np.count_nonzero(groups)) * len(self.beats)
        return int(np.count_nonzero(groups[self._lookup[2]]))


def gather(sentences: Mapping[str, Sentences], scratch: Scratch | None = None) -> Stream:
    """Put the timed sentences in stream order and form runs and groups; of long streams piece by piece, with `scratch`."""
    parts = {kind: sentences[kind] for kind in TIMED_KINDS if kind in sentences and len(sentences[kind])}
    if (regular := _regular(parts)) is not None:
        return regular
    if scratch is None or sum(map(len, parts.values())) <= scratch.sizes.piece:
        return _gather(parts)
    return _gather_pieces(parts, scratch)


def _gather(parts: Mapping[str, Sentences]) -> Stream:
    """Do so in general."""
    starts = np.concatenate([np.empty(0, dtype=np.int64), *(part.start for part in parts.values())])
    times = np.concatenate([
        np.empty(0, dtype=np.int64), *(time_of_day_us(part.columns["time_of_day_s"]) for part in parts.values())
    ])
    order = np.argsort(starts, kind="stable")
    times = times[order]
    run = np.cumsum(np.concatenate([np.ones(1, dtype=bool), times[1:] != times[:-1]])[: len(times)]) - 1
    run_time = times[first_of_runs(run)]
    run_unsorted = np.empty_like(run)
    run_unsorted[order] = run
    run_of = _split(run_unsorted, parts)
    ordinals = {kind: _ordinals(part, run_of[kind]) for kind, part in parts.items()}
    groups_in_run = np.ones(len(run_time), dtype=np.int64)
    for kind, ordinal in ordinals.items():
        if ordinal is not None:
            np.maximum.at(groups_in_run, run_of[kind], ordinal + 1)
    first_group = np.cumsum(groups_in_run) - groups_in_run
    group_of = {
        kind: first_group[run_of[kind]] + (0 if ordinal is None else ordinal) for kind, ordinal in ordinals.items()
    }
    group = np.concatenate([np.empty(0, dtype=np.int64), *group_of.values()])[order]
    bits, group_start = _group_facts(parts, group_of, int(groups_in_run.sum()))
    return Stream(
        ordered=(starts[order], run, group), run_time_us=run_time,
        group_run=np.repeat(np.arange(len(run_time)), groups_in_run), group_bits=bits, group_start=group_start,
        run_of=run_of, group_of=group_of,
    )


def _gather_pieces(parts: Mapping[str, Sentences], scratch: Scratch) -> Stream:
    """Do so piece by piece, cut between runs, with everything that grows with the stream in files."""
    kinds = tuple(parts)
    names = ("start", "run", "group", "run_time_us", "group_run", "group_bits", "group_start",
             *(f"run {k}" for k in kinds), *(f"group {k}" for k in kinds))
    spools: dict[str, Spool] = {name: scratch.spool() for name in names}
    runs = groups = 0
    cuts = [-1, *_cuts(parts, scratch.sizes.piece), np.iinfo(np.int64).max]
    for low, high in pairwise(cuts):
        piece = {k: part for k, one in parts.items() if len(part := _between(one, low, high))}
        stream = _regular(piece) or _gather(piece)
        start, run, group = stream.ordered or _beats_in_order(stream)
        values: dict[str, NDArray[np.generic]] = {"start": start, "run": run + runs, "group": group + groups, "run_time_us": stream.run_time_us,
                  "group_run": stream.group_run + runs, "group_bits": stream.group_bits, "group_start": stream.group_start}
        values |= {f"run {k}": found + runs for k, found in stream.run_of.items()}
        values |= {f"group {k}": found + groups for k, found in stream.group_of.items()}
        for name, value in values.items():
            spools[name].add(value)
        runs, groups = runs + len(stream.run_time_us), groups + len(stream.group_run)
    held = {name: spool.finish(np.uint8 if name == "group_bits" else np.int64) for name, spool in spools.items()}
    return Stream(
        ordered=(held["start"], held["run"], held["group"]), run_time_us=held["run_time_us"], group_run=held["group_run"],
        group_bits=held["group_bits"], group_start=held["group_start"],
        run_of={k: held[f"run {k}"] for k in kinds}, group_of={k: held[f"group {k}"] for k in kinds},
    )


def _cuts(parts: Mapping[str, Sentences], size: int) -> list[int]:
    """Return bytes at which runs begin, some `size` timed sentences apart."""
    longest = max(parts.values(), key=len)
    step = max(1, size * len(longest) // sum(map(len, parts.values())))
    cuts: list[int] = []
    for at in range(step, len(longest), step):
        first = int(longest.start[at])
        if cuts and first <= cuts[-1]:
            continue
        last = int(longest.start[min(at + _AROUND, len(longest) - 1)])
        near = {k: part for k, one in parts.items() if len(part := _between(one, first, last))}
        if near:
            start, run, _ = _gather(near).ordered or (np.empty(0, dtype=np.int64),) * 3
            begins = start[np.flatnonzero(np.diff(run)) + 1]
            cuts += [int(begins[0])] if len(begins) else []
    return cuts


def _between(part: Sentences, low: int, high: int) -> Sentences:
    """Return the sentences that start at bytes from `low` on and before `high`."""
    rows = slice(*np.searchsorted(part.start, [low, high]))
    return Sentences(part.kind, part.start[rows], part.end[rows], part.talker[rows],
                     {name: column[rows] for name, column in part.columns.items()})


def _beats_in_order(stream: Stream) -> tuple[Ints, Ints, Ints]:
    every = np.repeat(np.arange(len(stream.run_time_us)), len(stream.beats))
    return np.stack(stream.beats, axis=1).ravel(), every, every


def place_untimed(part: Sentences, stream: Stream) -> tuple[Ints, NDArray[np.bool_]]:
    """Return the group of each sentence of an untimed kind (-1: none) and whether its place is certain.

    Between two sentences of one group the place is certain. Elsewhere the kind leads or trails its epoch in the whole
    log: the choice that leaves fewer epochs without it, then the one that mixes with fewer certain ones, then trailing.
    """
    trailing, leading = stream.around(part.start)
    certain = (leading == trailing) & (leading >= 0)
    unsure = ~certain
    if not unsure.any():
        return leading, certain
    costs = [_cost(choice, certain, len(stream.group_run)) for choice in (trailing, leading)]
    choice = leading if costs[1] < costs[0] else trailing
    return np.where(certain, leading, choice), certain


def first_of_runs(run: Ints) -> Ints:
    """Return the first row of each value of a non-decreasing run number that counts from 0."""
    if not len(run):
        return np.empty(0, dtype=np.int64)
    return np.flatnonzero(np.concatenate([[True], run[1:] != run[:-1]])).astype(np.int64)


def _regular(parts: Mapping[str, Sentences]) -> Stream | None:
    """Return the stream of a log in which each beat holds one sentence of each kind, all of one time, in one order.

    A shortcut with the result of the general way; None where anything is otherwise.
    """
    if not parts or len({len(part) for part in parts.values()}) != 1:
        return None
    ordered = sorted(parts.values(), key=lambda part: int(part.start[0]))
    first, last = ordered[0], ordered[-1]
    if not (last.start[:-1] < first.start[1:]).all():
        return None
    if not all((a.start < b.start).all() for a, b in pairwise(ordered)):
        return None
    if not all(np.array_equal(part.columns["time_of_day_s"], first.columns["time_of_day_s"]) for part in ordered[1:]):
        return None
    times = time_of_day_us(first.columns["time_of_day_s"])
    if (times[1:] == times[:-1]).any():
        return None
    beat = np.arange(len(first))
    bits = np.full(len(first), np.bitwise_or.reduce([KIND_BIT[kind] for kind in parts]), dtype=np.uint8)
    shared = dict.fromkeys(parts, beat)
    return Stream(ordered=None, run_time_us=times, group_run=beat, group_bits=bits, group_start=first.start,
                  run_of=shared, group_of=shared, beats=tuple(part.start for part in ordered))


def _cost(choice: Ints, certain: NDArray[np.bool_], groups: int) -> tuple[int, int]:
    """Return how many groups stay without a sentence and how many hold placed ones beside certain ones.

    One group may lack it through the cut at the start or end of the log, so one is forgiven.
    """
    holds_certain = np.zeros(groups, dtype=bool)
    holds_certain[choice[certain]] = True
    holds_placed = np.zeros(groups, dtype=bool)
    placed = choice[~certain]
    holds_placed[placed[placed >= 0]] = True
    without = groups - int(np.count_nonzero(holds_certain | holds_placed))
    return max(without - 1, 0), int(np.count_nonzero(holds_certain & holds_placed))


def _split(values: Ints, parts: Mapping[str, Sentences]) -> dict[str, Ints]:
    """Split values over all kinds into one array per kind."""
    ends = np.cumsum([len(part) for part in parts.values()])
    return {kind: values[end - len(part): end] for (kind, part), end in zip(parts.items(), ends, strict=True)}


def _ordinals(part: Sentences, run: Ints) -> Ints | None:
    """Return how often kind and talker stood before in the run; None where none returns (the usual case)."""
    if not np.any(run[1:] == run[:-1]):
        return None
    keys = [part.talker.astype(np.int64)]
    for name in _PART_COLUMNS.get(part.kind, ()):
        if name in part.columns:
            keys.append(np.nan_to_num(part.columns[name].astype(np.float64), nan=-1.0).astype(np.int64))
    order = np.lexsort((*keys, run))
    same = run[order][1:] == run[order][:-1]
    for key in keys:
        same &= key[order][1:] == key[order][:-1]
    if not same.any():
        return None
    place = np.arange(len(run))
    head = np.concatenate([[True], ~same])
    ordinal = np.empty(len(run), dtype=np.int64)
    ordinal[order] = place - np.maximum.accumulate(np.where(head, place, 0))
    return ordinal


def _group_facts(
    parts: Mapping[str, Sentences], group_of: Mapping[str, Ints], count: int
) -> tuple[NDArray[np.uint8], Ints]:
    """Return the kinds and the first byte of each group."""
    bits = np.zeros(count, dtype=np.uint8)
    start = np.full(count, np.iinfo(np.int64).max)
    for kind, part in parts.items():
        bits[group_of[kind]] |= KIND_BIT[kind]
        np.minimum.at(start, group_of[kind], part.start)
    return bits, start
