"""Times that users write: UTC moments with a date, and times of day that only a drive gives a date to."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import pandas as pd

_OF_DAY = re.compile(r"T?(\d{1,2}):(\d{2})(?::(\d{2}(?:[.,]\d+)?))?\s*(?:(Z|UTC)|([+-])(\d{2}):?(\d{2})?)?", re.IGNORECASE)
#: A year or a compact date: what has none would get the date of today from a parser of dates.
_DATED = re.compile(r"(?<!\d)(19|20)\d{2}(?!\d)|(?<!\d)(19|20)\d{6}(?!\d)")
#: Figures of day and month before a year: which is which differs from country to country, so neither is guessed.
_AMBIGUOUS = re.compile(r"(?<!\d)\d{1,2}\s*[./ -]\s*\d{1,2}\s*[./ -]\s*\d{4}(?!\d)")
_DAY = pd.Timedelta(days=1)
#: The time zones furthest from UTC [h].
_MOST_AHEAD_H = 14


@dataclass(frozen=True)
class TimeOfDay:
    """A time of day: how long after 00:00 UTC, within one day, and as it was written."""

    since_midnight: pd.Timedelta
    text: str

    def moments(self, first: pd.Timestamp, last: pd.Timestamp) -> list[pd.Timestamp]:
        """Return the moments from `first` to `last` at which the clock shows it."""
        days = pd.date_range(first.normalize() - _DAY, last.normalize() + _DAY, freq="D")
        return [day + self.since_midnight for day in days if first <= day + self.since_midnight <= last]


Written = pd.Timestamp | TimeOfDay


@dataclass(frozen=True)
class Undated:
    """A window of which at least one end has no date; `where` names file and line."""

    start: Written
    end: Written
    where: str


def read_moment(text: str) -> Written | None:
    """Return the UTC moment or time of day that `text` names, None where it is neither; without a zone it is UTC.

    A date begins with its year, or writes its month as a word: 05.04.2026 is April or May.
    """
    text = text.strip()
    of_day = _OF_DAY.fullmatch(text)
    if of_day:
        return _time_of_day(of_day)
    found: Any = pd.to_datetime(text, errors="coerce") if _DATED.search(text) and not _AMBIGUOUS.search(text) else pd.NaT
    if pd.isna(found):
        return None
    utc: pd.Timestamp = found.tz_localize("UTC") if found.tzinfo is None else found.tz_convert("UTC")
    return utc


def has_zone(text: str) -> bool:
    """Return whether a moment that can be read says in which zone it is written, be it UTC."""
    of_day = _OF_DAY.fullmatch(text.strip())
    if of_day:
        return bool(of_day[4] or of_day[5])
    found: Any = pd.to_datetime(text.strip(), errors="coerce")
    return not pd.isna(found) and found.tzinfo is not None


def _time_of_day(found: re.Match[str]) -> TimeOfDay | None:
    hours, minutes, seconds = int(found[1]), int(found[2]), float((found[3] or "0").replace(",", "."))
    if hours > 23 or minutes > 59 or seconds >= 60 or (found[5] and (int(found[6]) > _MOST_AHEAD_H or int(found[7] or 0) > 59)):
        return None
    ahead = (60 * int(found[6]) + int(found[7] or 0)) * (-1 if found[5] == "-" else 1) if found[5] else 0
    micros = round((3600 * hours + 60 * (minutes - ahead) + seconds) * 1e6)
    return TimeOfDay(pd.Timedelta(microseconds=micros % 86_400_000_000), found[0])


def dated(window: Undated, first: pd.Timestamp, last: pd.Timestamp) -> tuple[pd.Timestamp, pd.Timestamp] | str:
    """Return start and end of a window on the one day on which a drive from `first` to `last` meets it, or why there is none."""
    found = _candidates(window, first, last)
    if len(found) == 1:
        return found[0]
    if isinstance(window.start, TimeOfDay) and isinstance(window.end, TimeOfDay) and window.end.since_midnight <= window.start.since_midnight and not found:
        return f"its end '{window.end.text}' is not later than its start '{window.start.text}'; correct the times."
    written = window.start if isinstance(window.start, TimeOfDay) else window.end
    assert isinstance(written, TimeOfDay)
    days = "no day" if not found else f"{len(found)} days"
    return (f"'{written.text}' has no date, and the drive ({first:%Y-%m-%d %H:%M:%S} to {last:%Y-%m-%d %H:%M:%S} UTC) meets this window "
            f"on {days}; write the date, like {first:%Y-%m-%d}T{written.text.upper().lstrip('T')}.")


def _candidates(window: Undated, first: pd.Timestamp, last: pd.Timestamp) -> list[tuple[pd.Timestamp, pd.Timestamp]]:
    """Return what the window may mean; over midnight only where the drive itself lasts over it."""
    start, end = window.start, window.end
    out = []
    for day in pd.date_range(first.normalize() - _DAY, last.normalize() + _DAY, freq="D"):
        a = day + start.since_midnight if isinstance(start, TimeOfDay) else start
        b = day + end.since_midnight if isinstance(end, TimeOfDay) else end
        if isinstance(start, TimeOfDay) and isinstance(end, TimeOfDay) and b <= a and first < day + _DAY < last:
            b += _DAY
        if pd.Timedelta(0) < b - a < _DAY and a <= last and b >= first:
            out.append((a, b))
    return out
