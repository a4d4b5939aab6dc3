"""Time scales of satellite navigation and the UTC index of every table; vectorised, integer microseconds inside.

UTC times are ``datetime64[us]`` without a zone (numpy has none); `utc_index` makes the zoned index of the tables.
A time inside a leap second (23:59:60) has no place in ``datetime64``; the conversions give 00:00:00 of the next day
for it, as for the second that follows.
"""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import cache
from importlib import resources
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

Times = NDArray[np.datetime64]

SECOND_US = 1_000_000
DAY_US = 86_400 * SECOND_US
WEEK_S = 604_800
#: The ten-bit week number of the GPS navigation message repeats after this many weeks, or days.
ROLLOVER_WEEKS = 1024
ROLLOVER_DAYS = 7 * ROLLOVER_WEEKS
#: First moments of the system times, in UTC (GPS interface specification; BeiDou interface document).
GPS_EPOCH = np.datetime64("1980-01-06T00:00:00", "us")
#: Weeks by which GPS week numbers exceed those of the other systems.
GALILEO_WEEK_OFFSET = 1024
BEIDOU_WEEK_OFFSET = 1356
#: BeiDou time is behind GPS time by this much [s] (TAI - 33 s against TAI - 19 s).
GPS_MINUS_BEIDOU_S = 14
#: GLONASS time is UTC + 3 h and follows leap seconds [s].
GLONASS_MINUS_UTC_S = 10_800
_TAI_MINUS_GPS_S = 19
_TAI_MINUS_UTC_1972_S = 10
_SYSTEM_FILE = Path("/usr/share/zoneinfo/leapseconds")
#: Used where neither the tzdata package nor the system has the table. IERS Bulletin C through tzdata `leapseconds`.
_BUILT_IN = (
    "1972-07-01", "1973-01-01", "1974-01-01", "1975-01-01", "1976-01-01", "1977-01-01", "1978-01-01", "1979-01-01",
    "1980-01-01", "1981-07-01", "1982-07-01", "1983-07-01", "1985-07-01", "1988-01-01", "1990-01-01", "1991-01-01",
    "1992-07-01", "1993-07-01", "1994-07-01", "1996-01-01", "1997-07-01", "1999-01-01", "2006-01-01", "2009-01-01",
    "2012-07-01", "2015-07-01", "2017-01-01",
)
_BUILT_IN_VALID_UNTIL = date(2027, 6, 28)


@dataclass(frozen=True)
class LeapSeconds:
    """GPS - UTC as a step function.

    Attributes
    ----------
    starts : datetime64[us], UTC moments from which a value holds, increasing.
    gps_minus_utc_s : int64, the values [s] from those moments; before the first the value is one less.
    valid_until : date on which the table expires, None where its source does not say.
    source : where it was read.
    """

    starts: Times
    gps_minus_utc_s: NDArray[np.int64]
    valid_until: date | None
    source: str

    def at_utc(self, times: ArrayLike) -> NDArray[np.int64]:
        """Return GPS - UTC [s] at UTC `times`."""
        place = np.searchsorted(self.starts, np.asarray(times, dtype="datetime64[us]"), side="right")
        return self._value(place)

    def at_gps(self, times: ArrayLike) -> NDArray[np.int64]:
        """Return GPS - UTC [s] at `times` counted in GPS time."""
        starts = self.starts + self.gps_minus_utc_s * np.timedelta64(SECOND_US, "us")
        return self._value(np.searchsorted(starts, np.asarray(times, dtype="datetime64[us]"), side="right"))

    def _value(self, place: np.intp | NDArray[np.intp]) -> NDArray[np.int64]:
        values = np.concatenate([self.gps_minus_utc_s[:1] - 1, self.gps_minus_utc_s])
        return np.asarray(values[place], dtype=np.int64)


@cache
def leap_seconds() -> LeapSeconds:
    """Return the leap second table of the tzdata package, else of the system, else the built-in one."""
    for text, source in _texts():
        starts, valid_until = _read_table(text)
        if len(starts):
            return _table(starts, valid_until, source)
    return _table(_BUILT_IN, _BUILT_IN_VALID_UNTIL, "built-in table, IERS Bulletin C")


def _texts() -> Iterable[tuple[str, str]]:
    """Yield the texts of the tables that this machine has."""
    with suppress(ModuleNotFoundError, OSError):
        yield resources.files("tzdata.zoneinfo").joinpath("leapseconds").read_text(encoding="utf-8"), "tzdata package"
    if _SYSTEM_FILE.is_file():
        yield _SYSTEM_FILE.read_text(encoding="utf-8"), str(_SYSTEM_FILE)


def _read_table(text: str) -> tuple[list[str], date | None]:
    """Return the first days after each leap second and the expiry date of a `leapseconds` text."""
    starts: list[str] = []
    valid_until = None
    for line in text.splitlines():
        words = line.split()
        if len(words) >= 6 and words[0] == "Leap" and words[5] == "+":
            day = datetime.strptime(" ".join(words[1:4]), "%Y %b %d").replace(tzinfo=UTC).date()
            starts.append(str(np.datetime64(day) + 1))
        elif len(words) >= 2 and words[0] == "#expires":
            valid_until = datetime.fromtimestamp(int(words[1]), UTC).date()
    return starts, valid_until


def _table(starts: Iterable[str], valid_until: date | None, source: str) -> LeapSeconds:
    days = np.asarray(list(starts), dtype="datetime64[us]")
    values = np.arange(1, len(days) + 1, dtype=np.int64) + _TAI_MINUS_UTC_1972_S - _TAI_MINUS_GPS_S
    return LeapSeconds(days, values, valid_until, source)


def gps_minus_utc_s(times_utc: ArrayLike) -> NDArray[np.int64]:
    """Return GPS - UTC [s] at UTC times."""
    return leap_seconds().at_utc(times_utc)


def gps_to_utc(week: ArrayLike, time_of_week_s: ArrayLike) -> Times:
    """Return UTC of full GPS week numbers and seconds of week [s, 0 … 604800)."""
    gps = GPS_EPOCH + np.asarray(week, dtype=np.int64) * np.timedelta64(WEEK_S * SECOND_US, "us") + _us(time_of_week_s)
    return np.asarray(gps - leap_seconds().at_gps(gps) * np.timedelta64(SECOND_US, "us"))


def utc_to_gps(times_utc: ArrayLike) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return full GPS week numbers and seconds of week [s] of UTC times."""
    times = np.asarray(times_utc, dtype="datetime64[us]")
    since_us = (times - GPS_EPOCH).astype(np.int64) + gps_minus_utc_s(times) * SECOND_US
    week, rest_us = np.divmod(since_us, WEEK_S * SECOND_US)
    return np.asarray(week, dtype=np.int64), np.asarray(rest_us / SECOND_US, dtype=np.float64)


def galileo_to_utc(week: ArrayLike, time_of_week_s: ArrayLike) -> Times:
    """Return UTC of Galileo weeks (week 0 began on 1999-08-22) and seconds of week [s]."""
    return gps_to_utc(np.asarray(week, dtype=np.int64) + GALILEO_WEEK_OFFSET, time_of_week_s)


def beidou_to_utc(week: ArrayLike, time_of_week_s: ArrayLike) -> Times:
    """Return UTC of BeiDou weeks (week 0 began on 2006-01-01) and seconds of week [s]."""
    seconds = np.asarray(time_of_week_s, dtype=np.float64) + GPS_MINUS_BEIDOU_S
    return gps_to_utc(np.asarray(week, dtype=np.int64) + BEIDOU_WEEK_OFFSET, seconds)


def glonass_to_utc(day: ArrayLike, time_of_day_s: ArrayLike) -> Times:
    """Return UTC of GLONASS calendar days (days since 1970-01-01 in UTC + 3 h) and seconds of that day [s]."""
    return day_and_time(day, np.asarray(time_of_day_s, dtype=np.float64) - GLONASS_MINUS_UTC_S)


def resolve_week(week: ArrayLike, reference_utc: ArrayLike, *, modulus: int = ROLLOVER_WEEKS) -> NDArray[np.int64]:
    """Return the full GPS week numbers that equal `week` modulo `modulus` and lie nearest to `reference_utc`.

    Within half a modulus (9.8 years for ten bits) of the reference the answer is unique.
    """
    near, _ = utc_to_gps(reference_utc)
    short = np.asarray(week, dtype=np.int64) % modulus
    return np.asarray(near + (short - near + modulus // 2) % modulus - modulus // 2, dtype=np.int64)


def day_and_time(day: ArrayLike, time_of_day_s: ArrayLike) -> Times:
    """Return UTC of days since 1970-01-01 and seconds of day [s], rounded to microseconds; NaN gives NaT."""
    days = np.asarray(day, dtype=np.float64)
    return np.asarray(np.datetime64(0, "us") + (_us(days * 86_400.0) + _us(time_of_day_s)))


def utc_index(times: ArrayLike) -> pd.DatetimeIndex:
    """Return the index of a timed table from UTC times or integer microseconds since 1970-01-01."""
    array = np.asarray(times)
    if array.dtype.kind in "iu":
        array = array.astype(np.int64, copy=False).view("datetime64[us]")
    stamps = array.astype("datetime64[us]", copy=False)
    return pd.DatetimeIndex(stamps, name="time_utc").tz_localize("UTC")


def day_number(day: date) -> int:
    """Return days since 1970-01-01."""
    return day.toordinal() - date(1970, 1, 1).toordinal()


def time_of_day_us(time_of_day_s: ArrayLike) -> NDArray[np.int64]:
    """Return whole microseconds of seconds of day [s]; -1 where missing."""
    scaled = np.asarray(time_of_day_s, dtype=np.float64) * SECOND_US
    return np.where(np.isfinite(scaled), np.rint(scaled), -1.0).astype(np.int64)


def _us(seconds: ArrayLike) -> NDArray[np.timedelta64]:
    """Return seconds [s] rounded to microseconds; NaN gives NaT."""
    scaled = np.rint(np.asarray(seconds, dtype=np.float64) * SECOND_US)
    known = np.isfinite(scaled)
    whole = np.where(known, scaled, 0.0).astype(np.int64).astype("timedelta64[us]")
    return np.asarray(np.where(known, whole, np.timedelta64("NaT", "us")))
