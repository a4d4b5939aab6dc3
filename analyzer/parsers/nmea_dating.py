"""Calendar dates for times of day: from the log's own dates, carried over midnight, or from one given date.

Times of day are first unwrapped into a continuous count: each step is the shortest one, between -12 h and +12 h. Where
the log writes a date, date minus counted day is an offset; one offset holds for every stretch of continuous time. A
date that comes a beat late or early at midnight is a minority there and loses. Changes of the offset are gaps of days
or faults of the clock; `nmea_clock` repairs the latter.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from analyzer.intervals import equal_runs
from analyzer.parsers import nmea_clock
from analyzer.parsers.nmea_clock import (
    CARRIED,
    DATED,
    FEW_DATES,
    GIVEN,
    NO_DAY,
    RETIMED,
    Blocks,
    Ints,
    day_text,
    moment_text,
)
from analyzer.recording import Finding
from analyzer.timebase import DAY_US, ROLLOVER_DAYS, SECOND_US, day_number

Flags = NDArray[np.bool_]

#: A step up to this many nominal intervals, and at least this long [us], is continuous: the date cannot jump there.
_CONTINUOUS_INTERVALS = 5
_CONTINUOUS_US = 2 * SECOND_US
#: The week number is broadcast every 30 s (GPS navigation message, subframe 1): a receiver that has positions knows its date
#: after a few minutes of tracking at most.
_DATE_KNOWN_AFTER_US = 1200 * SECOND_US


@dataclass(frozen=True)
class Dating:
    """The instant of each run.

    Attributes
    ----------
    instant_us : microseconds since 1970-01-01 UTC; counted from an unknown midnight where `undated`.
    origin : index into `analyzer.parsers.nmea_clock.ORIGINS`.
    interval_us : nominal interval of the runs; 0 where unknown.
    """

    instant_us: Ints
    origin: NDArray[np.uint8]
    findings: tuple[Finding, ...]
    undated: bool
    interval_us: int


def date_runs(time_us: Ints, day: Ints, has_position: Flags, *, given: date | None) -> Dating:
    """Date runs of known time of day.

    Parameters
    ----------
    time_us : times of day in stream order [us, 0 … 86 401 000 000).
    day : days since 1970-01-01 from the log, `NO_DAY` where unknown.
    has_position : whether the run holds a position with a fix.
    given : date of the first epoch, for logs that hold none; also tells a log that is 1024 weeks off.
    """
    if not len(time_us):
        return Dating(np.empty(0, dtype=np.int64), np.empty(0, dtype=np.uint8), (), given is None, 0)
    relative_us, step_us = unwrap(time_us)
    counted_day = (relative_us - time_us) // DAY_US
    interval_us = nominal_interval_us(step_us)
    dated = day != NO_DAY
    offset = np.where(dated, day - counted_day, NO_DAY)
    broken = _breaks(step_us, interval_us)
    if not broken.any() and dated.any() and (agreed := _all_alike(offset[dated])) is not None:
        origin = np.where(dated, np.uint8(DATED), np.uint8(CARRIED))
        plain = Dating(relative_us + agreed * DAY_US, origin, (), False, interval_us)
        return _apply_given(plain, given, any_date=True)
    gaps = _whole_day_gaps(offset, day, has_position)
    unset = _runs_before_the_date(gaps, relative_us, broken)
    broken[gaps[gaps > unset] - 1] = True
    blocks = _form_blocks(relative_us, step_us, has_position, broken)
    blocks = replace(blocks, offset=_block_offsets(blocks, np.where(np.arange(len(offset)) < unset, NO_DAY, offset), has_position))
    shift_us, retimed, findings = nmea_clock.repair(blocks, interval_us)
    instant_us = relative_us + shift_us[blocks.of_run]
    final_offset = shift_us[blocks.of_run] // DAY_US
    off = dated & (offset != final_offset)
    late = off & (np.abs(offset - final_offset) <= 1)
    origin = np.where(dated & ~off, DATED, CARRIED).astype(np.uint8)
    origin[retimed[blocks.of_run] | (off & ~late)] = RETIMED
    if np.any(late & ~retimed[blocks.of_run]):
        findings.append(_late_dates(instant_us, late & ~retimed[blocks.of_run]))
    findings += _date_jumps(off & ~late & ~retimed[blocks.of_run], offset, final_offset, instant_us)
    dating = Dating(instant_us, origin, tuple(findings), False, interval_us)
    return _apply_given(dating, given, any_date=bool(dated.any()))


def _all_alike(values: Ints) -> int | None:
    """Return the one value that all have, None where they differ."""
    return int(values[0]) if bool((values == values[0]).all()) else None


def unwrap(time_us: Ints) -> tuple[Ints, Ints]:
    """Return times of day as a continuous count [us] and its steps, each the shortest one around the clock."""
    step_us = np.diff(time_us)
    half = DAY_US // 2
    step_us = (step_us + half - 1) % DAY_US - half + 1
    return time_us[0] + np.concatenate([[0], np.cumsum(step_us)]), step_us


def nominal_interval_us(step_us: Ints) -> int:
    """Return the median of the forward steps [us]; 0 where there is none."""
    forward = step_us[step_us > 0]
    return int(np.median(forward)) if len(forward) else 0


def _breaks(step_us: Ints, interval_us: int) -> Flags:
    """Return the steps at which time does not go on continuously."""
    limit = max(_CONTINUOUS_INTERVALS * interval_us, _CONTINUOUS_US)
    return np.asarray((step_us < 0) | (step_us > limit))


def _whole_day_gaps(offset: Ints, day: Ints, has_position: Flags) -> Ints:
    """Return the runs before which whole days passed unseen, so that the time of day seems to go on.

    Both sides must hold positions and more than a few agreeing dates, and the date must go forward, though not by the
    1024 weeks of a repeated week number. A date that goes forward by one day next to a midnight over which it stood
    still comes late or early; no day passed.
    """
    dated = np.flatnonzero(offset != NO_DAY)
    values = offset[dated]
    if not len(values) or np.all(values == values[0]):
        return np.empty(0, dtype=np.int64)
    spans = equal_runs(values)
    good = (np.diff(spans, axis=1)[:, 0] > FEW_DATES) & np.logical_or.reduceat(has_position[dated], spans[:, 0])
    first = spans[1:, 0]
    days = values[first] - values[first - 1]
    still = np.concatenate([[False], (days == -1) & (day[dated[first]] == day[dated[first - 1]]), [False]])
    beside_midnight = (days == 1) & (still[:-2] | still[2:])
    real = good[1:] & good[:-1] & (days > 0) & (days % ROLLOVER_DAYS != 0) & ~beside_midnight
    return np.asarray(dated[spans[1:, 0][real]], dtype=np.int64)


def _runs_before_the_date(gaps: Ints, relative_us: Ints, broken: Flags) -> int:
    """Return how many runs at the beginning have positions and a date that the receiver had not yet set.

    Their time of day runs on into the other date, they are fewer than the rest, and the log is not older than a receiver
    takes to learn its date. Whole days that passed unseen at that very second would look alike, once in thousands.
    """
    early = gaps[(relative_us[gaps] - relative_us[0] <= _DATE_KNOWN_AFTER_US) & (2 * gaps < len(relative_us)) & ~broken[gaps - 1]]
    return int(early[-1]) if len(early) else 0


def _form_blocks(relative_us: Ints, step_us: Ints, has_position: Flags, broken: Flags) -> Blocks:
    """Split runs after which `broken` is true."""
    first = np.concatenate([[0], np.flatnonzero(broken) + 1])
    last = np.concatenate([first[1:] - 1, [len(relative_us) - 1]])
    return Blocks(
        of_run=np.concatenate([[0], np.cumsum(broken)]), first_us=relative_us[first], last_us=relative_us[last],
        step_us=step_us[first[1:] - 1], has_position=np.logical_or.reduceat(has_position, first),
        offset=np.full(len(first), NO_DAY, dtype=np.int64), runs_dated=np.zeros(len(first), dtype=np.int64),
    )


def _block_offsets(blocks: Blocks, offset: Ints, has_position: Flags) -> Ints:
    """Return one offset per block, the one that most of its dates agree on; `NO_DAY` for blocks without a date."""
    dated = np.flatnonzero(offset != NO_DAY)
    out = blocks.offset.copy()
    if not len(dated):
        return out
    of_block, values = blocks.of_run[dated], offset[dated]
    np.add.at(blocks.runs_dated, of_block, 1)
    out[of_block] = values
    mixed = np.unique(of_block[values != out[of_block]])
    positions = has_position[dated]
    for block in mixed:
        rows = slice(*np.searchsorted(of_block, [block, block + 1]))
        out[block] = _agreed(values[rows], positions[rows])
    return out


def _agreed(values: Ints, has_position: Flags) -> int:
    """Return the offset of continuous time: the commonest with a position; of two 1024 weeks apart the later."""
    found, inverse = np.unique(values, return_inverse=True)
    weight = np.bincount(inverse, weights=has_position, minlength=len(found))
    weight = weight if weight.any() else np.bincount(inverse, minlength=len(found)).astype(np.float64)
    best = int(found[len(found) - 1 - int(np.argmax(weight[::-1]))])
    weeks_apart = (found > best) & ((found - best) % ROLLOVER_DAYS == 0)
    return int(found[weeks_apart][-1]) if weeks_apart.any() else best


def _apply_given(dating: Dating, given: date | None, *, any_date: bool) -> Dating:
    """Use the given date: for a log without dates, or to repair one that is a multiple of 1024 weeks off."""
    if given is None:
        return replace(dating, undated=not any_date)
    first = int(dating.instant_us[0] // DAY_US)
    days = day_number(given) - first
    if not any_date:
        origin = np.where(dating.origin == RETIMED, RETIMED, GIVEN).astype(np.uint8)
        return replace(dating, instant_us=dating.instant_us + days * DAY_US, origin=origin)
    if not days:
        return dating
    if days % ROLLOVER_DAYS:
        text = (
            f"The given date {given} differs from the date of the log, which begins on {day_text(first)}: "
            "the dates of the log are used."
        )
        return replace(dating, findings=(*dating.findings, Finding("given_date_differs", "warning", text)))
    weeks = days // 7
    text = (
        f"The log is dated {day_text(first)}, {abs(weeks)} weeks from the given date {given}: a repeated week number, "
        "so all its dates were moved by that much."
    )
    finding = Finding("week_rollover", "warning", text, {"weeks": weeks})
    origin = np.full(len(dating.origin), RETIMED, dtype=np.uint8)
    return replace(
        dating, instant_us=dating.instant_us + days * DAY_US, origin=origin, findings=(*dating.findings, finding)
    )


def _late_dates(instant_us: Ints, late: Flags) -> Finding:
    count = int(np.count_nonzero(late))
    moment = moment_text(int(instant_us[np.argmax(late)]))
    text = (
        f"At {count} {'epoch' if count == 1 else 'epochs'}, first at {moment}, the written date is a day beside the "
        "running time: the running time was followed."
    )
    return Finding("date_beside_midnight", "note", text, {"count": count})


def _date_jumps(wrong: Flags, offset: Ints, final_offset: Ints, instant_us: Ints) -> list[Finding]:
    """Report dates that disagree with the rest of a stretch of continuous time."""
    if not wrong.any():
        return []
    count = int(np.count_nonzero(wrong))
    at = int(np.argmax(wrong))
    days = int(final_offset[at] - offset[at])
    moment = moment_text(int(instant_us[at]))
    if days % ROLLOVER_DAYS == 0:
        text = (
            f"The date jumps by {abs(days) // 7} weeks inside the log while the time of day runs on, a repeated week "
            f"number: {count} epochs from {moment} were moved to the later date."
        )
        return [Finding("week_rollover", "warning", text, {"count": count, "weeks": days // 7})]
    text = (
        f"The date jumps by {abs(days)} days inside the log while the time of day runs on: {count} epochs from "
        f"{moment} were given the date of the rest, which has positions or is longer."
    )
    return [Finding("clock_before_fix", "warning", text, {"count": count, "days": days})]
