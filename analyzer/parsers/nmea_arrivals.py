"""Times of reception that a logger wrote before each sentence: Unix seconds or milliseconds, or ISO 8601."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analyzer.parsers import nmea_words as number

Positions = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Separators between the time and the sentence, and brackets around it.
_SEPARATORS = np.zeros(256, dtype=bool)
_SEPARATORS[list(b" \t,;:|[]()<>\"'")] = True
#: Seconds since 1970 that can be times of reception: 1998 to 2128.
_EARLIEST_S, _LATEST_S = 9e8, 5e9
_LONGEST = 64


def arrival_seconds(buffer: NDArray[np.uint8], start: Positions, end: Positions) -> Floats:
    """Return UTC seconds since 1970 of texts that are nothing but a time, NaN for all others.

    ISO 8601 times without zone are taken as UTC.
    """
    start, end = _bare(buffer, start, end)
    words = number.words_of(buffer)
    out = np.full(len(start), np.nan)
    short = (end - start >= 9) & (end - start <= _LONGEST)
    start, end = np.where(short, start, 0), np.where(short, end, 0)
    plain, bad = number.slow_decimals(buffer, start, end)
    plain = np.where(plain > _LATEST_S, plain / 1000.0, plain)
    plain_good = short & ~bad & (plain > _EARLIEST_S) & (plain < _LATEST_S)
    out[plain_good] = plain[plain_good]
    rest = np.flatnonzero(short & ~plain_good & (end - start >= 19))
    if len(rest):
        out[rest] = _iso_seconds(buffer, words, start[rest], end[rest])
    return out


def _bare(buffer: NDArray[np.uint8], start: Positions, end: Positions) -> tuple[Positions, Positions]:
    """Return the spans without surrounding separators."""
    start, end = start.copy(), end.copy()
    for _ in range(_LONGEST):
        leading = (start < end) & _SEPARATORS[buffer[start]]
        start += leading
        trailing = (start < end) & _SEPARATORS[buffer[end - 1]]
        end -= trailing
        if not leading.any() and not trailing.any():
            break
    return start, end


def _iso_seconds(buffer: NDArray[np.uint8], words: number.Words, start: Positions, end: Positions) -> Floats:
    """Return seconds since 1970 of ``YYYY-MM-DDThh:mm:ss[.f][Z|±hh:mm]`` (T or a space), NaN where it is none."""
    parts, good = [], np.ones(len(start), dtype=bool)
    for offset, width in ((0, 4), (5, 2), (8, 2), (11, 2), (14, 2), (17, 2)):
        value, digits = number.whole(words, start + offset, width)
        good &= digits
        parts.append(np.where(digits, value, 0).astype(np.int64))
    for offset, marks in ((4, b"-"), (7, b"-"), (10, b"T t_"), (13, b":"), (16, b":")):
        good &= np.isin(buffer[start + offset], list(marks))
    year, month, day, hour, minute, second = parts
    good &= (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31) & (hour < 24) & (minute < 60) & (second <= 60)
    end, zone_s = _zone(buffer, words, start, end)
    fraction, bad = number.slow_decimals(buffer, np.minimum(start + 19, end), end)
    good &= ~bad & ((end <= start + 19) | (buffer[start + 19] == ord(".")))
    months = ((year - 1970) * 12 + np.where(good, month, 1) - 1).astype("datetime64[M]")
    days = months.astype("datetime64[D]").astype(np.int64) + day - 1
    seconds = days * 86400.0 + hour * 3600 + minute * 60 + second - zone_s + np.nan_to_num(fraction)
    return np.where(good, seconds, np.nan)


def _zone(buffer: NDArray[np.uint8], words: number.Words, start: Positions, end: Positions) -> tuple[Positions, Floats]:
    """Return where the digits end, and the seconds that the zone is ahead of UTC."""
    zulu = np.isin(buffer[end - 1], list(b"Zz"))
    sign = buffer[np.maximum(end - 6, 0)]
    hours, hours_good = number.whole(words, np.maximum(end - 5, 0), 2)
    minutes, minutes_good = number.whole(words, np.maximum(end - 2, 0), 2)
    offset = (end - 6 >= start + 19) & np.isin(sign, list(b"+-")) & hours_good & minutes_good
    offset &= buffer[np.maximum(end - 3, 0)] == ord(":")
    ahead = hours.astype(np.float64) * 3600 + minutes.astype(np.float64) * 60
    ahead = np.where(offset, np.where(sign == ord("-"), -ahead, ahead), 0.0)
    return end - zulu - 6 * offset, ahead
