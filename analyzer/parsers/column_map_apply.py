"""Turn the columns of a file into a table of ours, as a column map says, with an account of every cell."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import tables
from analyzer.errors import UsageError
from analyzer.parsers.column_map import Codes, ColumnMap, ValueColumn
from analyzer.parsers.column_map_cells import numbers
from analyzer.parsers.column_map_checks import (
    check_range,
    check_unit,
    gravity_unit,
    unit_of,
    zero_channels,
)
from analyzer.parsers.column_map_order import check_order
from analyzer.parsers.column_map_time import utc_times
from analyzer.parsers.column_map_units import factor_to
from analyzer.parsers.reader import ReadOptions
from analyzer.recording import Entry, Finding

#: Quantities whose sign turns from forward-right-down to ISO 8855 (forward-left-up).
_TURNED = {"acceleration_y_mps2", "acceleration_z_mps2", "rate_y_radps", "rate_z_radps", "pitch_deg", "yaw_rate_radps",
           "steering_angle_rad"}


@dataclass(frozen=True)
class RawTable:
    """Columns of a file as read. `first_row` is the row number of the first one in messages; `lost_rows` were cut."""

    name: str
    columns: Mapping[str, pd.Series]
    rows: int
    units: Mapping[str, str] = field(default_factory=dict)
    decimal: str = "."
    first_row: int = 1
    lost_rows: int = 0


@dataclass(frozen=True)
class Applied:
    """A table of ours, its ledger entries in cells, and findings."""

    table: pd.DataFrame
    entries: tuple[Entry, ...]
    findings: tuple[Finding, ...]


def apply_map(used: ColumnMap, raw: RawTable, options: ReadOptions) -> Applied:
    """Return the table that `used` makes of `raw`.

    Raises
    ------
    UsageError
        The map names a column the file lacks, or its clock is not placed in UTC.
    InputError
        The content contradicts the map (unit, range, text for numbers) or time runs backwards.
    """
    _require(used, raw)
    clock = used.time
    if clock.scale == "time_of_day" and clock.date is None:
        clock = replace(clock, date=options.date)
    times = utc_times(clock, raw.columns, raw.name)
    book = _Book(raw, len(used.used_columns))
    data = {value.name: _converted(value, used, raw, book) for value in used.columns}
    _drop_invalid(data, used, raw, book)
    if used.arrival is not None:
        data["arrival_utc"] = pd.Series(utc_times(used.arrival, raw.columns, raw.name, "arrival"))
    elif clock.taken_by == "logger" and "arrival_utc" in used.schema.names:
        data["arrival_utc"] = pd.Series(times)
    _state_columns(data, used, raw, options, book=book)
    table = pd.DataFrame(data)
    table.index = times
    return _finish(table, used, raw, options, book=book)


def _finish(table: pd.DataFrame, used: ColumnMap, raw: RawTable, options: ReadOptions, *, book: _Book) -> Applied:
    """Drop rows without time, order them, and fit the schema."""
    dated = ~np.asarray(table.index.isna(), dtype=bool)
    book.rows_out(~dated, "field", "row without a time")
    table = table.loc[dated]
    rows = np.flatnonzero(dated) + raw.first_row
    keep, said = check_order(pd.DatetimeIndex(table.index), rows, used.time, raw.name)
    book.rows_out(~keep, "field", "row with a time out of order")
    findings = book.findings + said
    table = table.loc[keep].sort_index(kind="stable")
    if used.table == "fixes":
        again = np.asarray(table.index.duplicated(keep="first"))
        book.rows_out(again, "duplicate_epoch", "second row of one time")
        table = _heights(table.loc[~again].copy())
    table = table.copy()
    findings += zero_channels(table, used.columns, raw.name)
    table.insert(0, "source_id", np.full(len(table), options.source_id, dtype="int16"))
    fitted = used.schema.conform(_typed(table, used.schema))
    findings += gravity_unit(fitted, used, raw.name)
    return Applied(fitted, book.entries(), tuple(findings))


class _Book:
    """Counts the cells of one map: rows times used columns."""

    def __init__(self, raw: RawTable, width: int) -> None:
        self._size = raw.rows * width
        self._width = width
        self._out: list[Entry] = []
        self.findings: list[Finding] = []
        if raw.lost_rows:
            self._out.append(Entry("truncated", "row with another number of columns", raw.lost_rows,
                                   raw.lost_rows * width))

    def cells_out(self, entry: Entry) -> None:
        """Take cells out of the accepted ones."""
        self._out.append(entry)
        self._size -= entry.size

    def rows_out(self, mask: NDArray[np.bool_], kind: str, tag: str) -> None:
        """Take whole rows out; cells of them that were out before stay counted once."""
        count = int(mask.sum())
        if count:
            size = min(count * self._width, self._size)
            self._out.append(Entry(kind, tag, count, size))
            self._size -= size

    def entries(self) -> tuple[Entry, ...]:
        """Return accepted cells first, then the others."""
        return (Entry("accepted", "cells", self._size, self._size), *self._out)


def _require(used: ColumnMap, raw: RawTable) -> None:
    """Raise where the map names a column that the file lacks."""
    for column in used.used_columns:
        if column not in raw.columns:
            near = difflib.get_close_matches(column, list(raw.columns), n=1, cutoff=0.5)
            hint = f"did you mean '{near[0]}'?" if near else f"it has {', '.join(list(raw.columns)[:12])}."
            raise UsageError(f"{raw.name} has no column '{column}', which column map {used.name} names; {hint}")


def _converted(value: ValueColumn, used: ColumnMap, raw: RawTable, book: _Book) -> pd.Series:
    """Return one quantity in our unit and axes."""
    dtypes = {c.name: (c.dtype, c.unit) for c in used.schema.columns}
    dtype, target = dtypes.get(value.name, ("float64", value.unit))
    source = raw.columns[value.column]
    if dtype in ("category", "str"):
        return source.astype("str").reset_index(drop=True)
    cells = numbers(source, column=value.column, name=raw.name, decimal=raw.decimal, missing=used.missing,
                    first_row=raw.first_row)
    check_unit(value, cells.unit or unit_of(value.column, raw.units), target=target, where=raw.name)
    sign = -1.0 if used.frame == "forward_right_down" and value.name in _TURNED else 1.0
    factor = factor_to(value.unit, target, quantity=value.name) * value.factor * sign
    out = cells.values * factor + value.offset
    out = _wrapped(value.name, out)
    beyond = check_range(value.name, out, value.column, raw.name)
    out[beyond] = np.nan
    bad = replace(cells, bad=cells.bad | beyond)
    count = int(bad.bad.sum())
    if count:
        cases = bad.cases(source, raw.first_row)
        book.cells_out(Entry("field", value.column, count, count, cases))
        book.findings.append(
            Finding(
                "unreadable_cells",
                "warning",
                f"{raw.name}: cells without a possible value in column '{value.column}': {count} (first: row"
                f" {cases[0].start}, '{cases[0].excerpt}'); they count as missing: correct them, or name their text"
                " under missing in the column map.",
                {"source": raw.name, "column": value.column, "count": count},
            )
        )
    return pd.Series(out)


def _wrapped(name: str, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return longitudes in -180…180 and directions in 0…360; what is further off stays, to be found by its range."""
    if name == "longitude_deg":
        return np.where((values > 180.0) & (values <= 360.0), values - 360.0, values)
    if name in ("heading_deg", "course_deg"):
        return np.where((values < 0.0) & (values >= -180.0), values + 360.0, values)
    return values


def _state_columns(data: dict[str, pd.Series], used: ColumnMap, raw: RawTable, options: ReadOptions, *,
                   book: _Book) -> None:
    """Add fix state, alignment and what positions need beside them."""
    if used.alignment is not None:
        data["alignment"] = _coded(used.alignment, raw, book)
    if used.table != "fixes":
        return
    kind = used.solution_kind or options.solution_kind
    data["solution_kind"] = pd.Series([kind] * raw.rows, dtype="str")
    data["time_origin"] = pd.Series(["given" if used.time.scale == "time_of_day" and used.time.date_column is None
                                     else "dated"] * raw.rows, dtype="str")
    if used.fix_state is not None:
        data["fix_state"] = _coded(used.fix_state, raw, book)
        data["fix_state_source"] = data["fix_state"].map(lambda v: None if pd.isna(v) else "reported")


def _coded(codes: Codes, raw: RawTable, book: _Book) -> pd.Series:
    """Return the words for the codes of a column; unknown codes are missing and reported."""
    text = _code_text(raw.columns[codes.column])
    out = text.map(dict(codes.codes)).astype("object").reset_index(drop=True)
    unknown = (text != "").to_numpy(dtype=bool) & out.isna().to_numpy(dtype=bool)
    if unknown.any():
        count = int(unknown.sum())
        shown = sorted(set(text[unknown]))
        book.cells_out(Entry("field", codes.column, count, count))
        book.findings.append(
            Finding(
                "unknown_code",
                "warning",
                f"{raw.name}: column '{codes.column}' holds codes the column map does not list ({', '.join(shown[:6])};"
                f" {count} rows), which count as missing: add them under codes.",
                {"source": raw.name, "codes": shown[:20]},
            )
        )
    return out


def _code_text(source: pd.Series) -> pd.Series:
    """Return codes as text: 4 for 4.0, the empty text where there is none."""
    if pd.api.types.is_float_dtype(source.dtype):
        return source.map(lambda v: "" if pd.isna(v) else f"{v:g}")
    return source.astype("object").where(source.notna(), "").astype("str").str.strip()


def _drop_invalid(data: dict[str, pd.Series], used: ColumnMap, raw: RawTable, book: _Book) -> None:
    """Take the values of rows that the file itself marks as invalid as missing."""
    if used.valid is None:
        return
    wrong = ~_code_text(raw.columns[used.valid.column]).isin(list(used.valid.codes)).to_numpy(dtype=bool)
    for value in used.columns:
        data[value.name] = data[value.name].mask(wrong)
    if wrong.any():
        book.findings.append(
            Finding(
                "marked_invalid",
                "note",
                f"{raw.name}: {int(wrong.sum())} of {raw.rows} rows are marked invalid by column '{used.valid.column}';"
                " their values count as missing.",
                {"source": raw.name, "count": int(wrong.sum())},
            )
        )


def _heights(table: pd.DataFrame) -> pd.DataFrame:
    """Give the ellipsoidal height where only height above the geoid and its separation are mapped."""
    if "height_m" not in table and {"height_msl_m", "geoid_separation_m"} <= set(table):
        table["height_m"] = table["height_msl_m"] + table["geoid_separation_m"]
    return table


def _typed(table: pd.DataFrame, schema: tables.Table) -> pd.DataFrame:
    """Return `table` with values that the schema's types can hold."""
    for column in schema.columns:
        if column.name in table and column.name != "source_id":
            if column.dtype.startswith("int"):
                table[column.name] = table[column.name].fillna(-1).round()
            elif column.dtype.startswith("Int"):
                table[column.name] = table[column.name].round()
            elif column.dtype == "bool":
                table[column.name] = table[column.name].fillna(0) != 0
    return table
