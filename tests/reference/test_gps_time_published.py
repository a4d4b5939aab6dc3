"""GPS time against published dates.

Sources: IERS Bulletin C through the tzdata file `leapseconds` (GPS - UTC, file valid until 2027-06-28); the epoch
1980-01-06 and TAI - GPS = 19 s of the GPS interface specification; the week rollovers of 1999-08-22, 2019-04-07 and
2038-11-21; BeiDou time from the BeiDou interface document (TAI - 33 s, epoch 2006-01-01); the Galileo week origin
1999-08-22 is from memory, not re-read. The rows with week and seconds of week were computed by calendar arithmetic.
"""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from analyzer import timebase

# UTC, GPS week, seconds of week, week modulo 1024, Unix time
CONVERSIONS = [
    ("1980-01-06T00:00:00", 0, 0, 0, 315964800),
    ("1999-08-21T23:59:47", 1024, 0, 0, 935279987),
    ("2006-01-01T00:00:00", 1356, 14, 332, 1136073600),
    ("2014-09-22T21:36:52", 1811, 164228, 787, 1411421812),
    ("2017-01-01T00:00:00", 1930, 18, 906, 1483228800),
    ("2019-04-06T23:59:42", 2048, 0, 0, 1554595182),
    ("2024-01-01T00:00:00", 2295, 86418, 247, 1704067200),
    ("2026-11-25T00:00:00", 2446, 259218, 398, 1795564800),
]
# First day and GPS - UTC [s] from that day (leap-seconds.list, TAI - UTC minus 19)
GPS_MINUS_UTC = [
    ("1981-07-01", 1), ("1982-07-01", 2), ("1983-07-01", 3), ("1985-07-01", 4), ("1988-01-01", 5), ("1990-01-01", 6),
    ("1991-01-01", 7), ("1992-07-01", 8), ("1993-07-01", 9), ("1994-07-01", 10), ("1996-01-01", 11),
    ("1997-07-01", 12), ("1999-01-01", 13), ("2006-01-01", 14), ("2009-01-01", 15), ("2012-07-01", 16),
    ("2015-07-01", 17), ("2017-01-01", 18),
]


@pytest.mark.parametrize(("utc", "week", "seconds", "short", "unix"), CONVERSIONS)
def test_utc_and_gps_week(utc: str, week: int, seconds: int, short: int, unix: int) -> None:
    got_week, got_seconds = timebase.utc_to_gps(np.datetime64(utc))
    assert (int(got_week), float(got_seconds)) == (week, float(seconds))
    back = timebase.gps_to_utc(week, seconds)
    assert back == np.datetime64(utc)
    assert int(back.astype("datetime64[s]").astype(np.int64)) == unix
    assert int(timebase.resolve_week(short, np.datetime64(utc))) == week


@pytest.mark.parametrize(("start", "value"), GPS_MINUS_UTC)
def test_leap_second_steps(start: str, value: int) -> None:
    day = np.datetime64(start, "us")
    assert timebase.gps_minus_utc_s([day - 1, day]).tolist() == [value - 1, value]


def test_no_leap_second_in_the_validity_of_bulletin_c() -> None:
    assert timebase.gps_minus_utc_s(np.datetime64("2026-11-25")) == 18
    table = timebase.leap_seconds()
    assert table.valid_until is None or table.valid_until >= date(2024, 12, 28)


def test_unix_time_of_the_ntp_value_of_2017() -> None:
    # leap-seconds.list gives NTP second 3692217600 for 2017-01-01; NTP counts from 1900-01-01 (2208988800 s earlier)
    assert timebase.gps_to_utc(1930, 18).astype("datetime64[s]").astype(np.int64) + 2208988800 == 3692217600


@pytest.mark.parametrize(
    ("rollover", "week", "utc"),
    [
        ("1999-08-22", 1024, "1999-08-21T23:59:47"),
        ("2019-04-07", 2048, "2019-04-06T23:59:42"),
        ("2038-11-21", 3072, "2038-11-20T23:59:42"),
    ],
)
def test_ten_bit_rollovers(rollover: str, week: int, utc: str) -> None:
    gps_calendar = timebase.GPS_EPOCH + np.timedelta64(week * 7, "D")
    assert gps_calendar == np.datetime64(rollover)
    # the date in UTC of 2038 holds as long as no further leap second is announced
    assert timebase.gps_to_utc(week, 0) == np.datetime64(utc)


def test_thirteen_bit_rollover() -> None:
    assert timebase.GPS_EPOCH + np.timedelta64(8192 * 7, "D") == np.datetime64("2137-01-06")


def test_galileo_beidou_glonass() -> None:
    assert timebase.galileo_to_utc(0, 0) == np.datetime64("1999-08-21T23:59:47")
    assert timebase.beidou_to_utc(0, 0) == np.datetime64("2006-01-01T00:00:00")
    # BDT - UTC is 4 s since 2017 (GPS - UTC 18 s minus 14 s)
    moment = np.datetime64("2024-01-01T00:00:00", "us")
    week, seconds = timebase.utc_to_gps(moment)
    assert timebase.beidou_to_utc(week - 1356, seconds - 14) == moment
    assert timebase.beidou_to_utc(week - 1356, seconds - 18 + 4) == moment
    day = timebase.day_number(date(2024, 1, 1))
    assert timebase.glonass_to_utc(day, 10800.0) == moment
