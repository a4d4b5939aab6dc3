"""How the values of one byte layout are read: digits at fixed places, eight at a time, all columns in one go.

The arithmetic is that of `nmea_words` and `nmea_fixed`: whole numbers, exact in a double, divided once by a power of
ten. Both ways give the same bits.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from analyzer.parsers.nmea_layouts import KNOT_MPS, LAYOUTS, Column

Words = NDArray[np.uint64]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Values = NDArray[np.generic]

#: Readers whose values are taken from digits at fixed places; all others must be the same in every line of a layout.
DIGIT_READERS = frozenset({"number", "knots", "time", "position", "ground_speed"})
_NUMBER = re.compile(rb"(-?)(\d{1,12})(?:\.(\d{1,12}))?")
_TIME = re.compile(rb"()(\d{6})(?:\.(\d{1,8}))?")
_LATITUDE, _LONGITUDE = (re.compile(rb"()(\d{%d})(?:\.(\d{1,8}))?" % width) for width in (4, 5))
#: Digits that a double holds exactly, whatever they are.
_MOST_DIGITS = 15
_WORD = 8
_BELOW_SIXTY = float(np.nextafter(60.0, 0.0))
_U = np.uint64


@dataclass(frozen=True)
class _Chunk:
    """Up to eight characters, read as one number: their end in the line, and how many stand before and behind a point.

    `power` is the power of ten of its last digit within the whole number.
    """

    end: int
    before: int
    behind: int
    power: int


@dataclass(frozen=True)
class _Step:
    """One value: the chunks it is made of, the decimals behind its point and its sign."""

    column: Column
    name: str
    chunks: tuple[_Chunk, ...]
    decimals: int
    negative: bool


@dataclass(frozen=True)
class Plan:
    """How to read the lines of one layout.

    Attributes
    ----------
    steps : the columns that are read from digits.
    constant : the columns that are the same in every line, as arrays of one row.
    decimals : decimals of the latitude, an array of one row, for kinds with a position.
    """

    steps: tuple[_Step, ...]
    constant: dict[str, Values]
    decimals: NDArray[np.int8] | None

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Names of all columns."""
        return (*(step.name for step in self.steps), *self.constant)

    @cached_property
    def _chunks(self) -> tuple[list[_Chunk], dict[_Chunk, int]]:
        """All chunks, those with a point first, and where each stands."""
        distinct = dict.fromkeys(chunk for step in self.steps for chunk in step.chunks)
        ordered = sorted(distinct, key=lambda chunk: not chunk.behind)
        return ordered, {chunk: row for row, chunk in enumerate(ordered)}

    @cached_property
    def _masks(self) -> tuple[Words, Words]:
        """For each chunk the bits of the digits behind its point (or all), and of those before it."""
        late, early = [], []
        for chunk in self._chunks[0]:
            last = chunk.behind or chunk.before
            late.append(_digit_bits(_WORD - last, _WORD))
            early.append(_digit_bits(_WORD - last - 1 - chunk.before, _WORD - last - 1) if chunk.behind else 0)
        return np.array(late, dtype=np.uint64)[:, None], np.array(early, dtype=np.uint64)[:, None]

    def whole_numbers(self, rows: Words) -> Floats:
        """Return the chunks of lines (n x words) that fit the layout as whole numbers (chunks x n)."""
        ordered, (late, early) = self._chunks[0], self._masks
        count, width = rows.shape
        words = np.empty((len(ordered), count), dtype=np.uint64)
        content = rows.view(np.uint8)
        for row, chunk in enumerate(ordered):
            words[row] = np.ndarray((count,), "<u8", content, chunk.end - _WORD, (8 * width,))
        pointed = sum(chunk.behind > 0 for chunk in ordered)
        before = words[:pointed] & early[:pointed]
        before <<= _U(8)
        words &= late
        words[:pointed] |= before
        for factor, shift, mask in _JOIN:
            words *= factor
            words >>= shift
            if mask is not None:
                words &= mask
        return words.view(np.int64).astype(np.float64)

    def read(self, rows: Words) -> tuple[dict[str, Values], Flags | None]:
        """Return the columns of lines (n x words) that fit the layout, and which are out of range (None: none is)."""
        whole = self.whole_numbers(rows) if self.steps else np.empty((0, len(rows)))
        columns: dict[str, Values] = {}
        faults: list[Flags] = []
        for step in self.steps:
            parts = [(whole[self._chunks[1][chunk]], chunk.power) for chunk in step.chunks]
            if step.column.reader == "time":
                values, fault = _time(parts, step)
            elif step.column.reader == "position":
                values, fault = _angle(parts, step)
            else:
                values, fault = _number(parts, step)
            columns[step.name] = values.astype(step.column.dtype, copy=False)
            faults += fault
        bad = np.logical_or.reduce(faults) if faults else None
        return columns, bad


def plan_of(kind: str, fields: Sequence[bytes], columns: dict[str, Values], decimals: NDArray[np.int8] | None, *,
            first: int) -> Plan | None:
    """Return the plan of a sentence, or None where it is written in a way that the general way must read.

    Parameters
    ----------
    fields : texts of the fields behind the header; the first starts at place `first` of the line.
    columns, decimals : what `nmea_columns.parse` reads in it, arrays of one row.
    """
    ends = [first + sum(map(len, fields[:n])) + n - 1 for n in range(1, len(fields) + 1)]
    constant = dict(columns)
    steps: list[_Step] = []
    for column in LAYOUTS[kind].columns:
        for name, at, pattern in _wanted(column):
            text = fields[at - 1] if at <= len(fields) else b""
            if not text and column.reader != "ground_speed":
                continue
            found = pattern.fullmatch(text)
            if found is None or len(found[2]) + len(found[3] or b"") > _MOST_DIGITS:
                return None
            south_or_west = column.reader == "position" and fields[at] in (b"S", b"W")
            steps.append(_step(column, name, found, end=ends[at - 1], negative=bool(found[1]) or south_or_west))
            del constant[name]
    return Plan(tuple(steps), constant, decimals)


def _wanted(column: Column) -> list[tuple[str, int, re.Pattern[bytes]]]:
    """Return name, field and form of the values of a column that are read from digits."""
    if column.reader == "position":
        return [("latitude_deg", column.field, _LATITUDE), ("longitude_deg", column.field + 2, _LONGITUDE)]
    if column.reader not in DIGIT_READERS:
        return []
    return [(column.name, column.field, _TIME if column.reader == "time" else _NUMBER)]


def _step(column: Column, name: str, found: re.Match[bytes], *, end: int, negative: bool) -> _Step:
    """Return how one text is read."""
    whole, tail = found[2], found[3] or b""
    point = end - len(tail) - bool(tail)
    if column.reader in ("time", "position"):
        head = len(whole) if column.reader == "position" else 4
        parts = [_Chunk(point - len(whole) + head, head, 0, 0)]
        seconds = len(whole) - head
        if seconds and seconds + 1 + len(tail) <= _WORD:
            parts.append(_Chunk(end, seconds, len(tail), 0))
        else:
            parts += [_Chunk(point, seconds, 0, len(tail))] if seconds else []
            parts += [_Chunk(end, len(tail), 0, 0)] if tail else []
        return _Step(column, name, tuple(parts), len(tail), negative)
    if len(whole) + bool(tail) + len(tail) <= _WORD:
        return _Step(column, name, (_Chunk(end, len(whole), len(tail), 0),), len(tail), negative)
    parts = [*_split(point, len(whole), len(tail)), *_split(end, len(tail), 0)]
    return _Step(column, name, tuple(parts), len(tail), negative)


def _split(end: int, count: int, power: int) -> Iterator[_Chunk]:
    """Yield chunks of `count` digits that end at `end`."""
    for done in range(0, count, _WORD):
        yield _Chunk(end - done, min(_WORD, count - done), 0, power + done)


def _digit_bits(low: int, high: int) -> int:
    """Return the value bits of ASCII digits in the bytes from `low` to `high` of a word."""
    return sum(0x0F << (8 * place) for place in range(low, high))


def _joined(parts: Sequence[tuple[Floats, int]]) -> Floats:
    """Return the sum of chunks, each at its power of ten; exact."""
    total = parts[0][0] * 10.0 ** parts[0][1] if parts[0][1] else parts[0][0].copy()
    for values, power in parts[1:]:
        total += values * 10.0**power if power else values
    return total


def _number(parts: Sequence[tuple[Floats, int]], step: _Step) -> tuple[Floats, list[Flags]]:
    """Return numbers and where they are out of range."""
    values = _joined(parts)
    if step.decimals:
        values /= 10.0**step.decimals
    if step.negative:
        np.negative(values, out=values)
    column = step.column
    out = [values < column.low] if step.negative or column.low > 0 else []
    out += _above(values, column.high)
    if column.reader in ("knots", "ground_speed"):
        values *= KNOT_MPS
    return values, out


def _above(values: Floats, limit: float) -> list[Flags]:
    """Return where values exceed a limit, nothing where none does."""
    return [values > limit] if values.max(initial=0.0) > limit else []


def _hundreds(head: Floats) -> Floats:
    """Return the whole hundreds of whole numbers; exact, since no quotient rounds up to the next one."""
    return np.floor(head / 100.0)


def _time(parts: Sequence[tuple[Floats, int]], step: _Step) -> tuple[Floats, list[Flags]]:
    """Return seconds of the day [s] from hhmm and seconds; a leap second is left to the general way."""
    head = parts[0][0]
    hours = _hundreds(head)
    second = _joined(parts[1:])
    if step.decimals:
        second /= 10.0**step.decimals
    minutes = head - 100.0 * hours
    faults = [*_above(hours, 23), *_above(minutes, 59), *_above(second, _BELOW_SIXTY)]
    hours *= 3600.0
    minutes *= 60.0
    hours += minutes
    hours += second
    return hours, faults


def _angle(parts: Sequence[tuple[Floats, int]], step: _Step) -> tuple[Floats, list[Flags]]:
    """Return degrees without sign from (d)ddmm and decimals, and where the angle is none."""
    head = parts[0][0]
    degrees = _hundreds(head)
    minutes = head - 100.0 * degrees
    if step.decimals:
        minutes *= 10.0**step.decimals
        minutes += parts[1][0]
        minutes /= 10.0**step.decimals
    limit = 90 if step.name == "latitude_deg" else 180
    faults = _above(minutes, _BELOW_SIXTY)
    minutes /= 60.0
    minutes += degrees
    faults += _above(minutes, limit)
    if step.negative:
        np.negative(minutes, out=minutes)
    return minutes, faults


_JOIN = (
    (_U(1 + (10 << 8)), _U(8), _U(0x00FF00FF00FF00FF)), (_U(1 + (100 << 16)), _U(16), _U(0x0000FFFF0000FFFF)),
    (_U(1 + (10000 << 32)), _U(32), None),
)
