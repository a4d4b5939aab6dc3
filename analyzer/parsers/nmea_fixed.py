"""Fields of fixed width: times of day, dates, latitudes and longitudes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analyzer.parsers import nmea_words as number
from analyzer.parsers.nmea_spans import Bytes, Flags, Floats, Group, Positions

_U = np.uint64
_POINT = ord(".")
_POWERS = 10.0 ** np.arange(9)
#: Longest tail of decimals that one word holds.
_WORD = 8
#: Two-digit years from this on lie in the 1900s.
FIRST_YEAR_OF_1900 = 80


def time_of_day(group: Group, field: int) -> tuple[Floats, Flags]:
    """Return hhmmss with any number of decimals as seconds of the day [s], and which are wrong."""
    start, end = group.span(field)
    head, good = number.whole(group.words, start, 6)
    hundreds = head // _U(100)
    hours = hundreds // _U(100)
    minutes = hundreds - hours * _U(100)
    second, bad = _with_decimals(group, head - hundreds * _U(100), start + 6, end)
    bad |= ~good
    bad |= hours > 23
    bad |= minutes > 59
    late = second >= 60
    if late.any():
        bad |= late & ~((hours == 23) & (minutes == 59) & (second < 61))
    seconds = (hours * _U(3600) + minutes * _U(60)).astype(np.float64)
    seconds += second
    return _missing_where_empty(group.buffer, seconds, bad, start, end)


def position(group: Group, field: int) -> tuple[Floats, Floats, NDArray[np.int8], Flags]:
    """Return latitude and longitude [deg], the decimals of the latitude minutes (-1 where none), and which are wrong.

    Four fields from `field` on: ddmm.m, N or S, dddmm.m, E or W. Half a position is wrong.
    """
    latitude, decimals, bad_latitude = _angle(group, field, letters=b"NS", width=2)
    longitude, _, bad_longitude = _angle(group, field + 2, letters=b"EW", width=3)
    bad = bad_latitude | bad_longitude | (np.isnan(latitude) != np.isnan(longitude))
    bad |= (np.abs(latitude) > 90) | (np.abs(longitude) > 180)
    return latitude, longitude, decimals, bad


def date(group: Group, field: int) -> tuple[Floats, Flags]:
    """Return ddmmyy as days since 1970-01-01 (NaN where empty or all zeros), and which are wrong."""
    start, end = group.span(field)
    word = group.words[start] << _U(16)
    if len(word) > 1 and bool(((word == word[0]) & (end - start == end[0] - start[0])).all()):
        days, bad = date(Group(group.buffer, group.words, group.tokens, group.token[:1], group.fields[:1]), field)
        return np.full(len(word), days[0]), np.full(len(word), bad[0])
    value, good = number.whole(group.words, start, 6)
    digits = np.where(good, value, 0).astype(np.int64)
    year = digits % 100
    year += np.where(year >= FIRST_YEAR_OF_1900, 1900, 2000)
    days, bad = _days(year, digits // 100 % 100, digits // 10000)
    unset = good & (digits == 0) & (end - start == 6)
    bad = (bad | ~good | (end - start != 6)) & ~unset
    days[unset] = np.nan
    return _missing_where_empty(group.buffer, days, bad, start, end)


def date_of_parts(values: Floats, bad: Flags) -> tuple[Floats, Flags]:
    """Return days since 1970-01-01 from rows of day, month and four-digit year, and which are wrong."""
    wrong = (bad | (values < 0) | (values > 9999)).any(axis=0)
    missing = np.isnan(values)
    whole = np.where(missing | wrong, 0, values).astype(np.int64)
    days, none = _days(whole[2], whole[1], whole[0])
    unset = ~wrong & (whole.sum(axis=0) == 0)
    days[unset] = np.nan
    return days, (none | wrong | missing.any(axis=0)) & ~unset


def zone_minutes(values: Floats, bad: Flags) -> tuple[Floats, Flags]:
    """Return the local zone [min] from rows of hours and minutes, the minutes with the sign of the hours."""
    hours, minutes = values
    wrong = bad.any(axis=0) | (np.abs(hours) > 14) | (np.abs(minutes) > 59)
    return hours * 60 + np.where(np.signbit(hours), -1.0, 1.0) * np.abs(np.nan_to_num(minutes)), wrong


def _days(year: Positions, month: Positions, day: Positions) -> tuple[Floats, Flags]:
    """Return days since 1970-01-01 and which dates do not exist."""
    bad = (month < 1) | (month > 12) | (day < 1) | (year < 1970)
    months = ((np.where(bad, 1970, year) - 1970) * 12 + np.where(bad, 0, month - 1)).astype("datetime64[M]")
    first = months.astype("datetime64[D]")
    length = ((months + 1).astype("datetime64[D]") - first).astype(np.int64)
    return (first.astype(np.int64) + day - 1).astype(np.float64), bad | (day > length)


def _angle(group: Group, field: int, *, letters: bytes, width: int) -> tuple[Floats, NDArray[np.int8], Flags]:
    """Return degrees with sign, decimals of the minutes and which are wrong, of an angle and its hemisphere."""
    start, end = group.span(field)
    point = start + width + 2
    head, good = number.whole(group.words, start, width + 2)
    degrees = head // _U(100)
    minutes, bad = _with_decimals(group, head - degrees * _U(100), point, end)
    bad |= ~good
    value = minutes / 60.0
    value += degrees
    decimals = np.maximum(end - point - 1, 0).astype(np.int8)
    if bad.any() or bool((end <= start).any()):
        decimals = np.where(bad | (end <= start), -1, decimals).astype(np.int8)
        value, bad = _missing_where_empty(group.buffer, value, bad, start, end)
        _read_unpadded(group, (start, end), value, decimals, bad, minutes)
    bad |= minutes >= 60
    side_start, side_end = group.span(field + 1)
    letter = group.buffer[side_start]
    negative = letter == letters[1]
    faulty = (side_end - side_start != 1) | ((letter != letters[0]) & ~negative)
    if faulty.any():
        bad |= faulty & ~np.isnan(value)
    if negative.any():
        np.negative(value, out=value, where=negative)
    return value, decimals, bad


def _read_unpadded(group: Group, span: tuple[Positions, Positions], value: Floats, decimals: NDArray[np.int8],
                   bad: Flags, minutes: Floats) -> None:
    """Read in place angles without their leading zeros or with more decimals than usual."""
    rest = np.flatnonzero(bad)
    minutes[np.isnan(value)] = 0.0
    if not len(rest):
        return
    start, end = span[0][rest], span[1][rest]
    plain, wrong = number.slow_decimals(group.buffer, start, end)
    wrong |= np.isnan(plain) | (plain < 0) | (plain >= 1e5)
    degrees = np.floor(np.where(wrong, 0, plain) / 100)
    minutes[rest] = np.where(wrong, 0, plain - degrees * 100)
    value[rest] = np.where(wrong, np.nan, degrees + minutes[rest] / 60)
    dots = _point_positions(group.buffer, start, end)
    decimals[rest] = np.where(wrong, -1, np.where(dots >= 0, end - dots - 1, 0))
    bad[rest] = wrong


def _point_positions(buffer: Bytes, start: Positions, end: Positions) -> Positions:
    """Return where the first point of each field stands, -1 where there is none."""
    found = np.full(len(start), -1, dtype=np.int64)
    for place in range(int((end - start).max(initial=0))):
        at = start + place
        hit = (found < 0) & (at < end) & (buffer[np.minimum(at, len(buffer) - 1)] == _POINT)
        found[hit] = at[hit]
    return found


def _with_decimals(group: Group, whole: number.Words, point: Positions, end: Positions) -> tuple[Floats, Flags]:
    """Return `whole` continued by what stands from `point` on: nothing, or a point and digits; and which are wrong."""
    places = end - point - 1
    first = int(places[0]) if len(places) else 0
    if 0 < first <= _WORD and bool((places == first).all()):
        digits, good = number.whole(group.words, point + 1, first)
        value = (whole * _U(10**first) + digits).astype(np.float64)
        value /= _POWERS[first]
        good &= group.buffer[point] == _POINT
        return value, ~good
    usual = np.minimum(np.maximum(places, 0), _WORD)
    digits, good = number.whole(group.words, np.minimum(point + 1, len(group.words) - 1), usual)
    scale = _POWERS.take(usual)
    value = (whole.astype(np.float64) * scale + digits.astype(np.float64)) / scale
    bad = (~good & (places > 0)) | (places < -1) | ((group.buffer[point] != _POINT) & (places >= 0))
    long = np.flatnonzero((places > _WORD) & ~bad)
    if len(long):
        tail, wrong = number.slow_decimals(group.buffer, point[long], end[long])
        value[long] = whole[long].astype(np.float64) + tail
        bad[long] = wrong
    return value, bad


def _missing_where_empty(buffer: Bytes, values: Floats, bad: Flags, start: Positions,
                         end: Positions) -> tuple[Floats, Flags]:
    """Set NaN where nothing was written (or spaces only), which is not wrong, and where the value is wrong."""
    odd = np.flatnonzero(bad | (end <= start))
    if len(odd):
        low, high = number.trimmed(buffer, start[odd], end[odd])
        values[odd] = np.nan
        bad[odd] = high > low
    return values, bad
