"""The day that a log writes beside its times, from RMC and ZDA, and what is said where the two disagree."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from analyzer.parsers.nmea_clock import FEW_DATES, NO_DAY, day_text, moment_text
from analyzer.parsers.nmea_groups import Stream
from analyzer.parsers.sentences import Sentences
from analyzer.recording import Finding
from analyzer.timebase import DAY_US, ROLLOVER_DAYS, time_of_day_us

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


def observed_days(sentences: Mapping[str, Sentences], stream: Stream, has_position: Flags) -> tuple[Ints, list[Finding]]:
    """Return the day that RMC, else ZDA gives for each run (days since 1970-01-01; `NO_DAY` where none does), and findings.

    Where the two lie whole multiples of 1024 weeks apart the later one holds, also for the runs around that have but one.
    Other differences are reported for runs with a position, one of a day only where it is no matter of midnight.
    """
    zda, rmc = (np.full(len(stream.run_time_us), NO_DAY, dtype=np.int64) for _ in range(2))
    if "ZDA" in sentences and len(sentences["ZDA"]):
        run, day = _days_of_zda(sentences["ZDA"], stream)
        zda[run[::-1]] = day[::-1]
    if "RMC" in stream.run_of:
        day, run = whole_days(sentences["RMC"].columns["date_day"]), stream.run_of["RMC"]
        known = day != NO_DAY
        if not known.all():
            day, run = day[known], run[known]
        rmc[run[::-1]] = day[::-1]
    both = np.flatnonzero((zda != NO_DAY) & (rmc != NO_DAY))
    apart = zda[both] - rmc[both]
    findings: list[Finding] = []
    if np.any(apart):
        findings = [*_differing(both, rmc, zda, stream.run_time_us, has_position), *_later_weeks(both, apart, rmc, zda)]
    return np.where(rmc != NO_DAY, rmc, zda), findings


def whole_days(column: NDArray[np.generic]) -> Ints:
    """Return a column of days since 1970-01-01 as integers; missing (NaN, or not above 0) is `NO_DAY`."""
    values = np.asarray(column, dtype=np.float64)
    known = values > 0
    return values.astype(np.int64) if known.all() else np.where(known, values, NO_DAY).astype(np.int64)


def _days_of_zda(zda: Sentences, stream: Stream) -> tuple[Ints, Ints]:
    """Return the runs beside ZDA sentences and the day that puts each within 12 h of its ZDA."""
    day = whole_days(zda.columns["date_day"])
    time = time_of_day_us(zda.columns["time_of_day_s"])
    known = (day != NO_DAY) & (time >= 0)
    nearest = np.full(len(zda), -1, dtype=np.int64)
    least = np.full(len(zda), DAY_US, dtype=np.int64)
    for beside in stream.around(zda.start, "run"):
        run = np.where((beside >= 0) & (stream.run_time_us[beside] >= 0), beside, -1) if len(stream.run_time_us) else beside
        apart = np.abs(time - stream.run_time_us[run]) if len(stream.run_time_us) else least
        apart = np.where(run >= 0, np.minimum(apart, np.abs(DAY_US - apart)), DAY_US)
        nearest, least = np.where(apart < least, run, nearest), np.minimum(apart, least)
    known &= nearest >= 0
    run = nearest[known]
    turn = np.rint((time[known] - stream.run_time_us[run]) / DAY_US).astype(np.int64)
    return run, day[known] + turn


def _later_weeks(both: Ints, apart: Ints, rmc: Ints, zda: Ints) -> list[Finding]:
    """Move the days of the sentence whose week number repeated, in place, and say so."""
    weeks = (apart != 0) & (apart % ROLLOVER_DAYS == 0)
    if not (weeks.all() or np.count_nonzero(weeks) > FEW_DATES):
        return []
    at = int(np.argmax(weeks))
    run, days = both[at], int(apart[at])
    older, newer = ("RMC", "ZDA") if days > 0 else ("ZDA", "RMC")
    early, late = sorted((int(rmc[run]), int(zda[run])))
    near = _nearest(both, len(rmc))
    shift = np.where(weeks, apart, 0)[near]
    rmc += np.where(rmc != NO_DAY, np.maximum(shift, 0), 0)
    zda += np.where(zda != NO_DAY, np.maximum(-shift, 0), 0)
    text = (
        f"{older} is dated {day_text(early)} and {newer} beside it {day_text(late)}, {abs(days) // 7} weeks later, a repeated "
        "week number: the later date was used."
    )
    return [Finding("week_rollover", "warning", text, {"count": int(np.count_nonzero(weeks)), "weeks": abs(days) // 7})]


def _nearest(places: Ints, count: int) -> Ints:
    """Return, for each of `count` places, which of the increasing `places` is the nearest."""
    edges = (places[1:] + places[:-1] + 1) // 2
    return np.searchsorted(edges, np.arange(count), side="right")


def _differing(both: Ints, rmc: Ints, zda: Ints, run_time_us: Ints, has_position: Flags) -> list[Finding]:
    """Report other days in RMC than in ZDA."""
    held = both[has_position[both]]
    apart = zda[held] - rmc[held]
    other = apart % ROLLOVER_DAYS != 0
    beside = other & (np.abs(apart) == 1)
    if 2 * np.count_nonzero(beside) <= len(held):  # late or early at midnight
        other &= ~beside
    if not other.any():
        return []
    first, count = held[int(np.argmax(other))], int(np.count_nonzero(other))
    moment = moment_text(int(run_time_us[first]))
    text = (
        f"RMC and ZDA give different dates at {count} {'epoch' if count == 1 else 'epochs'} with a position, first at {moment}: RMC "
        f"{day_text(int(rmc[first]))}, ZDA {day_text(int(zda[first]))}. RMC was followed: check the day of the drive, and correct the log if ZDA is right."
    )
    return [Finding("dates_disagree", "warning", text, {"count": count, "days": int(zda[first] - rmc[first])})]
