"""Repair of receiver clocks that were not yet set: wrong dates before the first position, 1024 weeks, leap seconds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from analyzer.intervals import equal_runs
from analyzer.recording import Finding
from analyzer.timebase import DAY_US, ROLLOVER_DAYS, SECOND_US

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

NO_DAY = np.int64(-(10**9))
#: Values of the column ``time_origin``, and their codes.
ORIGINS = ("dated", "carried", "given", "retimed")
DATED, CARRIED, GIVEN, RETIMED = range(4)
#: A clock without date and position that jumps on by more than this [us], or back by more than the next, was not set.
_UNSET_JUMP_US = 3600 * SECOND_US
_SMALL_STEP_BACK_US = 60 * SECOND_US
#: A date further than this [us] from the first position, before it, is that of an unset clock.
_FAR_US = DAY_US
#: So few dates between two stretches that agree with each other are slips of the date.
FEW_DATES = 3
#: The leap second count is broadcast every 12.5 minutes (GPS navigation message, subframe 4 page 18): a receiver knows
#: it after that much tracking, and a few minutes to begin tracking.
_LEAP_KNOWN_AFTER_US = 1200 * SECOND_US
_LARGEST_LEAP_S = 18
_DATED_FROM_US = 3652 * DAY_US


@dataclass(frozen=True)
class Blocks:
    """Stretches of continuous time.

    Attributes
    ----------
    of_run : block of each run.
    first_us, last_us : unwrapped time of the first and last run of each block.
    step_us : unwrapped step from each block to the next (one fewer than blocks).
    has_position : whether any run of the block has a position.
    offset : days to add to the unwrapped time; `NO_DAY` where the block holds no date.
    runs_dated : how many runs of the block hold a date.
    """

    of_run: Ints
    first_us: Ints
    last_us: Ints
    step_us: Ints
    has_position: Flags
    offset: Ints
    runs_dated: Ints


def repair(blocks: Blocks, interval_us: int) -> tuple[Ints, Flags, list[Finding]]:
    """Return the shift of each block [us] from unwrapped time to instants, whether it was retimed, and findings."""
    offset = _fill(blocks)
    findings: list[Finding] = []
    retimed = np.zeros(len(offset), dtype=bool)
    if np.any(offset != offset[0]):
        offset = _drop_slips(offset, blocks.runs_dated)
        offset, moved = _join_rollovers(offset)
        retimed |= moved
        if moved.any():
            findings.append(_rollover_finding(blocks, offset, moved))
    shift_us = offset * DAY_US
    before = _retime_unset(blocks, shift_us, interval_us)
    if before.any():
        findings.append(_unset_finding(blocks, offset, before, shift_us))
    return shift_us, retimed | before, findings


def late_leap_step(
    instant_us: Ints, interval_us: int, *, repeats: Callable[[Ints, Ints], bool]
) -> tuple[int, int] | None:
    """Find the one backward step early in the log at which the receiver learnt the leap seconds.

    Parameters
    ----------
    instant_us : instants of the epochs in stream order [us].
    interval_us : nominal interval [us].
    repeats : tells whether the second epochs repeat the content of the first ones (then it is replayed data).

    Returns
    -------
    The last epoch before the step and the seconds by which it and all earlier ones are late, or None. A backward
    step counts only if it is whole seconds beyond one interval, runs once more over the times before it without a
    break, goes on beyond them, and brings new content. A step of exactly one interval shows only as one epoch with
    the time of another and is left as a duplicate.
    """
    step_us = np.diff(instant_us)
    elapsed_us = np.cumsum(np.clip(step_us, 0, 60 * SECOND_US))
    found: list[tuple[int, int]] = []
    for at in np.flatnonzero((step_us < 0) & (elapsed_us <= _LEAP_KNOWN_AFTER_US)):
        seconds = round((interval_us - int(step_us[at])) / SECOND_US)
        uneven_us = abs(interval_us - int(step_us[at]) - seconds * SECOND_US)
        if not 1 <= seconds <= _LARGEST_LEAP_S or uneven_us > interval_us / 20:
            continue
        again = _run_over(instant_us, int(at), interval_us)
        if again is None:
            continue
        earlier = np.flatnonzero(instant_us[: at + 1] >= instant_us[at + 1])
        if not repeats(earlier, again):
            found.append((int(at), seconds))
    return found[0] if len(found) == 1 else None


def leap_finding(at_us: int, seconds: int, count: int) -> Finding:
    """Report a leap second count that arrived late."""
    moment = moment_text(at_us - seconds * SECOND_US)
    text = (
        f"The receiver learnt the leap seconds only at {moment} and stepped back by {seconds} s: the {count} epochs "
        f"before it were {seconds} s late and were moved back."
    )
    return Finding("late_leap_seconds", "warning", text, {"seconds": seconds, "count": count})


def day_text(day: int) -> str:
    """Return a day since 1970-01-01 as a date."""
    return str(np.datetime64(int(day), "D"))


def moment_text(instant_us: int) -> str:
    """Return an instant in words; without a date where it is unknown (instants then count from 1970)."""
    text = str(np.datetime64(int(instant_us), "us")).removesuffix("000")
    return f"{text}Z" if instant_us >= _DATED_FROM_US else text.partition("T")[2]


def _run_over(instant_us: Ints, at: int, interval_us: int) -> Ints | None:
    """Return the epochs after a backward step that pass over earlier times unbroken and go on beyond; else None."""
    after = instant_us[at + 1:]
    beyond = np.flatnonzero(after > instant_us[at])
    if not len(beyond) or not beyond[0]:
        return None
    steps = np.diff(after[: beyond[0] + 1])
    if np.any(steps <= 0) or np.any(steps > 1.5 * interval_us):
        return None
    return np.arange(at + 1, at + 1 + int(beyond[0]), dtype=np.int64)


def _fill(blocks: Blocks) -> Ints:
    """Carry offsets to blocks without a date: forward, backward at the start; between two, across the smaller steps."""
    offset = blocks.offset
    known = np.flatnonzero(offset != NO_DAY)
    if not len(known):
        return np.zeros(len(offset), dtype=np.int64)
    place = np.searchsorted(known, np.arange(len(offset)), side="right") - 1
    out = offset[known[np.maximum(place, 0)]]
    for left, right in pairwise(known) if np.any(out != out[0]) else ():
        if right - left > 1 and offset[left] != offset[right]:
            widest = left + int(np.argmax(np.abs(blocks.step_us[left:right])))
            out[widest + 1: right] = offset[right]
    return np.asarray(out, dtype=np.int64)


def _drop_slips(offset: Ints, runs_dated: Ints) -> Ints:
    """Overrule a handful of dates that stand between two stretches of equal offset."""
    out = offset.copy()
    spans = equal_runs(out)
    for before, (first, end), after in zip(spans[:-2], spans[1:-1], spans[2:], strict=True):
        agree = out[before[0]] == out[after[0]]
        if agree and runs_dated[first:end].sum() <= FEW_DATES < runs_dated[before[0]: before[1]].sum():
            out[first:end] = out[before[0]]
    return out


def _join_rollovers(offset: Ints) -> tuple[Ints, Flags]:
    """Move neighbouring stretches that lie whole multiples of 1024 weeks apart to the later date."""
    out = offset.copy()
    spans = equal_runs(out)
    pairs = list(pairwise(spans))
    for (first, end), (next_first, next_end) in pairs + pairs[::-1]:
        apart = int(out[next_first] - out[first])
        if apart and apart % ROLLOVER_DAYS == 0:
            later = max(out[first], out[next_first])
            out[first:end] = later
            out[next_first:next_end] = later
    return out, out != offset


def _retime_unset(blocks: Blocks, shift_us: Ints, interval_us: int) -> Flags:
    """Move blocks of an unset clock before the first position so that they end where the good time begins.

    Changes `shift_us` in place; returns the blocks that were moved.
    """
    moved = np.zeros(len(shift_us), dtype=bool)
    first_good = int(np.argmax(blocks.has_position)) if blocks.has_position.any() else len(shift_us) - 1
    undated = np.logical_and.accumulate(blocks.runs_dated == 0)
    old_us = shift_us.copy()
    for block in range(first_good - 1, -1, -1):
        gap_us = blocks.first_us[block + 1] + old_us[block + 1] - blocks.last_us[block] - old_us[block]
        step_us = blocks.step_us[block]
        unset = bool(undated[block]) and not -_SMALL_STEP_BACK_US <= step_us <= _UNSET_JUMP_US
        if abs(gap_us) > _FAR_US or unset:
            shift_us[block] = blocks.first_us[block + 1] + shift_us[block + 1] - interval_us - blocks.last_us[block]
            moved[block] = True
        elif moved[block + 1]:
            shift_us[block] += shift_us[block + 1] - old_us[block + 1]
            moved[block] = True
    return moved


def _rollover_finding(blocks: Blocks, offset: Ints, moved: Flags) -> Finding:
    count = int(np.count_nonzero(moved[blocks.of_run]))
    at = int(np.argmax(moved))
    weeks = int(offset[at] - blocks.offset[at]) // 7 if blocks.offset[at] != NO_DAY else ROLLOVER_DAYS // 7
    day = day_text((blocks.first_us[at] + offset[at] * DAY_US) // DAY_US)
    text = (
        f"The date jumps by {abs(weeks)} weeks inside the log, a repeated week number: {count} epochs were moved to "
        f"the later date, the first to {day}."
    )
    return Finding("week_rollover", "warning", text, {"count": count, "weeks": weeks})


def _unset_finding(blocks: Blocks, offset: Ints, moved: Flags, shift_us: Ints) -> Finding:
    count = int(np.count_nonzero(moved[blocks.of_run]))
    at = int(np.argmax(moved))
    dated = blocks.offset[at] != NO_DAY
    said = moment_text(int(blocks.first_us[at] + offset[at] * DAY_US))
    clock = f"dated {said}" if dated else "without a date"
    moment = moment_text(int(blocks.first_us[at] + shift_us[at]))
    text = (
        f"The receiver clock was not set before the first position: {count} epochs, the first {clock}, were moved so "
        f"that they end one interval before the good time; they now begin at {moment} and their spacing is as logged."
    )
    return Finding("clock_before_fix", "warning", text, {"count": count})
