"""From the positions of fields to columns: one reader per way of writing a value, none knows a single sentence.

Each reader returns the values and the rows that are wrong: unreadable, or impossible (minutes 60, hour 24, latitude
91). A second of 23:59:60 is possible: its time of day is 86400.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
from numpy.typing import NDArray

from analyzer.parsers import nmea_fixed as fixed
from analyzer.parsers.nmea_layouts import KMH_MPS, KNOT_MPS, LAYOUTS, SATELLITE_FIELDS, Column
from analyzer.parsers.nmea_spans import Bytes, Flags, Floats, Group, decimals, letter, not_letter

Values = NDArray[np.generic]

#: Mode letters best first, in the order of `analyzer.tables.FIX_STATES`.
MODE_ORDER = b"RPFDAEMSN"
_UNKNOWN, _ABSENT = 99, 98
_RANK = np.full(256, _UNKNOWN, dtype=np.uint8)
_RANK[list(MODE_ORDER)] = range(len(MODE_ORDER))
_LETTER = np.zeros(100, dtype=np.uint8)
_LETTER[: len(MODE_ORDER)] = list(MODE_ORDER)
_HEX = np.full(256, np.nan)
_HEX[list(b"0123456789ABCDEF")] = range(16)


def parse(kind: str, group: Group) -> tuple[dict[str, Values], NDArray[np.int8] | None, Flags]:
    """Return the columns of `kind`, the digits after the point of the latitude, and which sentences are wrong.

    The number of fields must have been checked against `LAYOUTS`.
    """
    columns: dict[str, Values] = {}
    places: NDArray[np.int8] | None = None
    wrong = np.zeros(len(group), dtype=bool)
    for run in _runs(kind):
        numeric = group.limited(_last_of_satellites(group)) if kind == "GSV" else group
        first = run[0].field
        values, bad = decimals(numeric, range(first, run[-1].field + WIDTHS[run[-1].reader]))
        for column in run:
            rows = slice(column.field - first, column.field - first + WIDTHS[column.reader])
            result, faulty = NUMBERS[column.reader](values[rows], bad[rows], column)
            columns[column.name] = result.astype(column.dtype, copy=False)
            wrong |= faulty
    for column in LAYOUTS[kind].columns:
        if column.reader == "position":
            columns["latitude_deg"], columns["longitude_deg"], places, faulty = fixed.position(group, column.field)
        elif column.reader == "unit_m":
            faulty = not_letter(group, column.field, b"M")
        elif column.reader in READERS:
            result, faulty = READERS[column.reader](group, column)
            columns[column.name] = result.astype(column.dtype, copy=False)
        wrong |= faulty
    return columns, places, wrong


@cache
def _runs(kind: str) -> tuple[tuple[Column, ...], ...]:
    """Return the number columns of `kind` in runs of fields that touch, which are converted in one go."""
    runs: list[list[Column]] = []
    for column in (c for c in LAYOUTS[kind].columns if c.reader in WIDTHS):
        if runs and runs[-1][-1].field + WIDTHS[runs[-1][-1].reader] == column.field:
            runs[-1].append(column)
        else:
            runs.append([column])
    return tuple(tuple(run) for run in runs)


def _last_of_satellites(group: Group) -> NDArray[np.int64]:
    """Return the last field of GSV that belongs to a satellite; a signal id may follow it."""
    return 3 + 4 * ((group.fields - 3) // 4)


def count_is_right(kind: str, fields: NDArray[np.int64]) -> Flags:
    """Whether each number of fields is one that some version of the standard gives `kind`."""
    layout = LAYOUTS[kind]
    if not layout.counts:
        return np.asarray(fields >= layout.least)
    if len(fields) and bool((fields == fields[0]).all()):
        return np.full(len(fields), int(fields[0]) in layout.counts)
    return np.isin(fields, list(layout.counts))


def _limited(values: Floats, bad: Flags, column: Column) -> Flags:
    """Return `bad` or outside of what is possible; missing is not wrong."""
    return bad | (values < column.low) | (values > column.high)


def _number(values: Floats, bad: Flags, column: Column) -> tuple[Floats, Flags]:
    faulty = _limited(values[0], bad[0], column)
    if column.lenient:
        values[0, faulty] = np.nan
        faulty[:] = False
    return values[0], faulty


def _knots(values: Floats, bad: Flags, column: Column) -> tuple[Floats, Flags]:
    return values[0] * KNOT_MPS, _limited(values[0], bad[0], column)


def _twelve(values: Floats, bad: Flags, column: Column) -> tuple[NDArray[np.float32], Flags]:
    return values.T.astype(np.float32), np.asarray(_limited(values, bad, column).any(axis=0))


def _satellites(values: Floats, bad: Flags, column: Column) -> tuple[NDArray[np.float32], Flags]:
    """Four satellites of four fields each (n x 4 x 4); missing where the sentence lists fewer."""
    parts = values.reshape(4, 4, -1)
    low, high = (np.array(limits)[:, None] for limits in zip(*SATELLITE_FIELDS, strict=True))
    faulty = bad.reshape(parts.shape) | (parts < low) | (parts > high)
    return np.ascontiguousarray(parts.transpose(2, 0, 1), dtype=np.float32), np.asarray(faulty.any(axis=(0, 1)))


def _ground_speed(group: Group, column: Column) -> tuple[Floats, Flags]:
    """Speed of VTG from knots, else from km/h; the old form of four fields has them at 3 and 4 and no letters."""
    old = group.fields == 4
    values, bad = decimals(group.limited(np.where(old, 0, group.fields)), range(5, 8))
    knots, kmh, faulty = values[0], values[2], bad[0] | bad[2]
    lettered = not_letter(group, 2, b"T") | not_letter(group, 6, b"N") | not_letter(group, 8, b"K")
    faulty |= lettered & ~old
    if old.any():
        early, wrong = decimals(group.limited(np.where(old, 4, 0)), range(3, 5))
        knots[old], kmh[old] = early[0, old], early[1, old]
        faulty |= wrong.any(axis=0)
    speed = np.where(np.isnan(knots), kmh * KMH_MPS, knots * KNOT_MPS)
    return speed, _limited(speed, faulty, column)


def _letter(group: Group, column: Column) -> tuple[Bytes, Flags]:
    return letter(group, column.field)


def _hex(group: Group, column: Column) -> tuple[Floats, Flags]:
    code, bad = letter(group, column.field)
    values = _HEX[code]
    return values, bad | (np.isnan(values) & (code != 0))


def _signal(group: Group, column: Column) -> tuple[Bytes, Flags]:
    """The signal id: last field of a GSV that has one field more than its satellites need."""
    has = group.fields % 4 == 0
    at = group.token + np.where(has, group.fields, 0)
    start, end = group.tokens[at] + 1, group.tokens[at + 1]
    code = np.where(has & (end > start), group.buffer[start], 0).astype(np.uint8)
    return code, has & (end - start > 1)


def _best_mode(group: Group, column: Column) -> tuple[Bytes, Flags]:
    """The best letter of a mode string with one letter per system; an unknown letter is wrong."""
    start, end = group.span(column.field)
    best = np.full(len(group), _ABSENT, dtype=np.uint8)
    unknown = np.zeros(len(group), dtype=bool)
    for place in range(int((end - start).max(initial=0))):
        inside = start + place < end
        rank = _RANK[group.buffer[np.where(inside, start + place, 0)]]
        rank[~inside] = _ABSENT
        unknown |= rank == _UNKNOWN
        best = np.minimum(best, rank)
    return _LETTER[best], unknown


#: Readers of numbers, and how many fields each takes.
WIDTHS = {"number": 1, "knots": 1, "twelve": 12, "satellites": 16, "date_parts": 3, "zone": 2}
NUMBERS: dict[str, Callable[[Floats, Flags, Column], tuple[Values, Flags]]] = {
    "number": _number, "knots": _knots, "twelve": _twelve, "satellites": _satellites,
    "date_parts": lambda values, bad, column: fixed.date_of_parts(values, bad),
    "zone": lambda values, bad, column: fixed.zone_minutes(values, bad),
}
READERS: dict[str, Callable[[Group, Column], tuple[Values, Flags]]] = {
    "ground_speed": _ground_speed, "letter": _letter, "hex": _hex, "signal": _signal, "best_mode": _best_mode,
    "time": lambda group, column: fixed.time_of_day(group, column.field),
    "date": lambda group, column: fixed.date(group, column.field),
}
