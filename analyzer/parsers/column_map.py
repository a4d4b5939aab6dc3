"""Column maps: small TOML files in which a user says what the columns of a table are.

A map names the files it serves by pattern, the table they become, the unit of each column, the clock and the axes.
The layout is fixed by schemas/column_map.json.
"""

from __future__ import annotations

import datetime as dt
import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fnmatch import fnmatch
from pathlib import Path
from typing import Any

from analyzer import tables
from analyzer.errors import UsageError
from analyzer.parsers.column_map_units import factor_to
from analyzer.userfiles.toml_file import line_of_key, parse_toml, read_user_text

_TABLES = {table.name: table for table in tables.TABLES}
#: Columns of the schemas that no map may set: the tool writes them, or they have a key of their own.
_RESERVED = {"source_id", "byte_offset", "fix_state", "fix_state_source", "solution_kind", "time_origin", "alignment", "heading_mode",
             "arrival_utc"}
ALIGNMENT_STATES = ("aligned", "aligning", "not_aligned", "degraded")


@dataclass(frozen=True)
class Clock:
    """How a time column becomes UTC. `scale` as in the schema; times are UTC."""

    scale: str
    column: str | None = None
    week_column: str | None = None
    week: int | None = None
    date: dt.date | None = None
    date_column: str | None = None
    unit: str = "s"
    start_utc: dt.datetime | None = None
    anchor_clock: float | None = None
    anchor_utc: dt.datetime | None = None
    utc_column: str | None = None
    utc_offset_s: float = 0.0
    taken_by: str = "device"
    backwards: str = "refuse"

    @property
    def used_columns(self) -> tuple[str, ...]:
        """Columns of the file that this clock reads."""
        return tuple(c for c in (self.column, self.week_column, self.date_column, self.utc_column)
                     if c is not None)


@dataclass(frozen=True)
class ValueColumn:
    """One quantity: our name, the column of the file, its unit there, and a further factor and offset."""

    name: str
    column: str
    unit: str
    factor: float = 1.0
    offset: float = 0.0
    stated_unit: bool = True


@dataclass(frozen=True)
class Codes:
    """A column of codes and what each value means."""

    column: str
    codes: Mapping[str, str]


@dataclass(frozen=True)
class ColumnMap:
    """A column map as loaded; `name` is the file it came from."""

    name: str
    files: tuple[str, ...]
    table: str
    time: Clock
    columns: tuple[ValueColumn, ...]
    arrival: Clock | None = None
    delimiter: str | None = None
    decimal: str | None = None
    encoding: str | None = None
    header_row: int | None = None
    unit_row: int | None = None
    comment: str | None = None
    missing: tuple[str, ...] = ()
    frame: str = "iso8855"
    fix_state: Codes | None = None
    alignment: Codes | None = None
    valid: Codes | None = None
    solution_kind: str | None = None
    join_tolerance_s: float | None = None
    details: Mapping[str, object] = field(default_factory=dict)

    @property
    def schema(self) -> tables.Table:
        """The table the rows become."""
        return _TABLES[self.table]

    @property
    def used_columns(self) -> tuple[str, ...]:
        """Columns of the file that this map reads, each once."""
        clocks = self.time.used_columns + (self.arrival.used_columns if self.arrival else ())
        coded = tuple(c.column for c in (self.fix_state, self.alignment, self.valid) if c is not None)
        return tuple(dict.fromkeys((*clocks, *(c.column for c in self.columns), *coded)))

    def serves(self, name: str) -> bool:
        """Return whether the map is for a file of this name (folders are ignored)."""
        last = name.replace("\\", "/").rsplit("/", 1)[-1]
        return any(fnmatch(last.lower(), pattern.lower()) for pattern in self.files)


def load_column_map(path: str | Path) -> ColumnMap:
    """Return the column map in the TOML file at `path`.

    Raises
    ------
    UsageError
        The file is missing, no TOML, or breaks a rule; the sentence names the line, the key and the remedy.
    """
    file = Path(path)
    return parse_column_map(read_user_text(file, what="column map"), name=str(file))


def parse_column_map(text: str, *, name: str = "column map") -> ColumnMap:
    """Return the column map that `text` (TOML) describes; `name` is what errors call it."""
    content = parse_toml(text, name=name, schema_name="column_map", what="column map", package="analyzer.parsers")
    fail = _Fault(text, name)
    table = _TABLES[content["table"]]
    return ColumnMap(
        name=name, files=tuple(content["files"]), table=table.name,
        time=_clock(content["time"], "time", fail),
        arrival=_clock(content["arrival"], "arrival", fail) if "arrival" in content else None,
        columns=tuple(_value(key, item, table, fail) for key, item in content["columns"].items()),
        frame=content.get("axes", {}).get("frame", "iso8855"),
        fix_state=_codes(content, "fix_state", ("fixes", tables.FIX_STATES), table.name, fail=fail),
        alignment=_codes(content, "alignment", ("attitude", ALIGNMENT_STATES), table.name, fail=fail),
        valid=_valid(content),
        missing=tuple(str(m) for m in content.get("missing", [])),
        **{k: content[k] for k in ("delimiter", "decimal", "encoding", "header_row", "unit_row", "comment",
                                   "solution_kind", "join_tolerance_s") if k in content},
    )


def maps_for(name: str, maps: Sequence[ColumnMap]) -> tuple[ColumnMap, ...]:
    """Return the maps that serve the file `name`; two of them must not make the same table.

    Raises
    ------
    UsageError
        Two maps give the same table for one file.
    """
    fitting = tuple(m for m in maps if m.serves(name))
    by_table: dict[str, ColumnMap] = {}
    for one in fitting:
        other = by_table.setdefault(one.table, one)
        if other is not one:
            raise UsageError(f"column maps {other.name} and {one.name} both make the table {one.table} of {name}: "
                             "narrow the patterns under files so that one of them fits.")
    return fitting


def table_columns(table: str) -> dict[str, str]:
    """Return the columns of a table that a map may set, with their units."""
    return {c.name: c.unit for c in _TABLES[table].columns if c.name not in _RESERVED}


class _Fault:
    """Raises UsageError with file, line and key."""

    def __init__(self, text: str, name: str) -> None:
        self._text, self._name = text, name

    def __call__(self, keys: list[str], words: str) -> UsageError:
        line = line_of_key(self._text, keys)
        place = f"line {line}, " if line else ""
        return UsageError(f"column map {self._name}: {place}key '{'.'.join(keys)}': {words}")


def _value(key: str, item: Mapping[str, Any], table: tables.Table, fail: _Fault) -> ValueColumn:
    """Return one entry of [columns]."""
    known = table_columns(table.name)
    if key not in known and table.name != "measurement":
        near = difflib.get_close_matches(key, known, n=1)
        hint = f"did you mean '{near[0]}'?" if near else f"use one of {', '.join(known)}."
        raise fail(["columns", key], f"the table {table.name} has no such column; {hint}")
    target = known.get(key)
    unit = str(item.get("unit", target or "-"))
    if target is not None:
        try:
            factor_to(unit, target, quantity=key)
        except ValueError as error:
            raise fail(["columns", key, "unit"], f"{error}.") from error
    return ValueColumn(key, str(item["column"]), unit, float(item.get("factor", 1.0)), float(item.get("offset", 0.0)),
                       "unit" in item)


def _codes(content: Mapping[str, Any], key: str, rule: tuple[str, Sequence[str]], table: str, *,
           fail: _Fault) -> Codes | None:
    """Return a column of codes, checked against the words we have for it."""
    if key not in content:
        return None
    home, words = rule
    if table != home:
        raise fail([key], f"belongs to maps of the table {home}, not {table}; remove it.")
    codes = {str(k): str(v) for k, v in content[key]["codes"].items()}
    wrong = sorted(set(codes.values()) - set(words))
    if wrong:
        raise fail([key, "codes"], f"'{wrong[0]}' is no state; use one of {', '.join(words)}.")
    return Codes(str(content[key]["column"]), codes)


def _valid(content: Mapping[str, Any]) -> Codes | None:
    """Return the column that marks valid rows; numbers are written as in the file, 1 and not 1.0."""
    if "valid" not in content:
        return None
    values = (f"{v:g}" if isinstance(v, float) else str(v) for v in content["valid"]["values"])
    return Codes(str(content["valid"]["column"]), dict.fromkeys(values, "valid"))


def _clock(item: Mapping[str, Any], key: str, fail: _Fault) -> Clock:
    """Return a clock, with what its scale needs."""
    def text(name: str) -> str | None:
        return str(item[name]) if name in item else None

    clock = Clock(
        scale=item["scale"], column=text("column"), week_column=text("week_column"), week=item.get("week"),
        date=_date(item, key, fail), date_column=text("date_column"), unit=item.get("unit", "s"),
        start_utc=_utc(item, "start_utc", key, fail=fail), anchor_clock=item.get("anchor_clock"),
        anchor_utc=_utc(item, "anchor_utc", key, fail=fail), utc_column=text("utc_column"),
        utc_offset_s=float(item.get("utc_offset_s", 0.0)),
        taken_by=item.get("taken_by", "logger" if key == "arrival" else "device"),
        backwards=item.get("backwards", "refuse"),
    )
    if clock.scale == "gps_week_seconds" and clock.week is None and clock.week_column is None:
        raise fail([key, "scale"], "gps_week_seconds needs week_column, or week where no column holds it.")
    if (clock.anchor_clock is None) != (clock.anchor_utc is None):
        raise fail([key], "anchor_clock and anchor_utc belong together; give both.")
    if clock.scale == "relative":
        try:
            factor_to(clock.unit, "s", quantity="a clock")
        except ValueError as error:
            raise fail([key, "unit"], f"{error}.") from error
    return clock


def _utc(item: Mapping[str, Any], name: str, key: str, *, fail: _Fault) -> dt.datetime | None:
    """Return a moment in UTC; without a zone it is taken as UTC."""
    if name not in item:
        return None
    value = item[name]
    if isinstance(value, str):
        try:
            value = dt.datetime.fromisoformat(value)
        except ValueError:
            value = None
    if not isinstance(value, dt.datetime):
        raise fail([key, name], f"'{item[name]}' is no moment; write it as 2026-05-04T10:00:00.000Z.")
    return value.replace(tzinfo=dt.UTC) if value.tzinfo is None else value.astimezone(dt.UTC)


def _date(item: Mapping[str, Any], key: str, fail: _Fault) -> dt.date | None:
    """Return a day."""
    if "date" not in item:
        return None
    value = item["date"]
    if isinstance(value, str):
        try:
            value = dt.date.fromisoformat(value)
        except ValueError:
            value = None
    if isinstance(value, dt.datetime) or not isinstance(value, dt.date):
        raise fail([key, "date"], f"'{item['date']}' is no day; write it as 2026-05-04.")
    return value
