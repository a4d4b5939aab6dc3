"""What a measurement says of its own motion and time: signals for the clock, and the UTC of every row."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

from analyzer import tables
from analyzer.attaching.signals import Array
from analyzer.errors import InputError, UsageError
from analyzer.metrics.channels import channel_table, check_channels
from analyzer.parsers.column_map import Clock, ColumnMap, ValueColumn, maps_for, parse_column_map
from analyzer.parsers.column_map_apply import RawTable, apply_map
from analyzer.parsers.column_map_checks import unit_of
from analyzer.parsers.column_map_time import utc_times
from analyzer.parsers.column_map_units import is_unit
from analyzer.parsers.reader import ReadOptions
from analyzer.recording import Finding

SIGNALS = ("speed_mps", "yaw_rate_radps", "acceleration_x_mps2")
PULSE, MARKER = "pulse", "marker"


@dataclass(frozen=True)
class Named:
    """Channels that the user names on the command line, over those of the column map.

    `marker` is None where no marker is wanted, and empty for the one that the column map names.
    """

    speed: str | None = None
    yaw_rate: str | None = None
    rate_of: str | None = None
    marker: str | None = None


@dataclass(frozen=True)
class Measured:
    """A measurement as far as joining needs it.

    Attributes
    ----------
    name : what messages call it.
    times : UTC of each row as its own clock says, in the order of the rows, NaT where a row has none.
    signals : for each quantity UTC (naive microseconds as its clock says) and values.
    findings : what is wrong with the recorded channels.
    placed : False where the clock is not UTC and was laid onto the start of the recording to be searched for.
    speed_mps : speed on the rows, None where it was not measured on them.
    stamps_s : the row's own stamps [s], for measurement files.
    rows_of : the signals that are stamped as the rows are; None where all are.
    """

    name: str
    times: pd.DatetimeIndex
    signals: dict[str, tuple[pd.DatetimeIndex, Array]]
    findings: tuple[Finding, ...] = ()
    placed: bool = True
    speed_mps: Array | None = None
    stamps_s: Array = field(default_factory=lambda: np.empty(0))
    map_name: str = ""
    rows_of: tuple[str, ...] | None = None


def choose_map(name: str, maps: Sequence[ColumnMap], named: Named, *, path: Path, bus: Path | None = None) -> ColumnMap:
    """Return the column map of a measurement, proposed from names and units where none was given.

    Raises
    ------
    UsageError : no map serves the file and none can be proposed.
    """
    fitting = [m for m in maps_for(name, maps) if m.table == "measurement"]
    if fitting:
        return with_named(fitting[0], named)
    if maps:
        raise UsageError(f"{name}: none of the column maps that were given is for it and makes the table measurement; "
                         f"correct the patterns under files, or the table ({', '.join(m.name for m in maps)}).")
    from analyzer.parsers.column_map_propose import propose_column_map

    proposal = propose_column_map(path, bus=bus, table="measurement")
    if proposal.map is None:
        raise UsageError(f"{name}: it is not clear which column is its time and what else it holds; run 'postdrive columns {name} "
                         "--table measurement', complete what it prints, and pass that file with --columns.")
    return with_named(proposal.map, named)


def frame_map(frame: pd.DataFrame, named: Named) -> ColumnMap:
    """Return the map of a table in memory: our own column names, and those that were named."""
    known = [n for n in (*SIGNALS, PULSE) if n in frame]
    lines = ['files = ["*"]', 'table = "measurement"', "[time]", 'column = "time_utc"', 'scale = "iso_utc"', 'backwards = "sort"',
             "[columns]"]
    lines += [f'{n} = {{ column = "{n}" }}' for n in known]
    used = parse_column_map("\n".join(lines) + "\n", name="the table's own names") if known else None
    if used is None:
        first = named.speed or named.yaw_rate
        if first is None:
            raise UsageError("the table has none of the columns " + ", ".join(SIGNALS) + ": name its speed by speed=, or give an "
                             "offset by offset=.")
        text = "\n".join([*lines[:-1], "[columns.speed_mps]", "column = 'x'"])
        used = replace(parse_column_map(text + "\n", name="the table's own names"), columns=())
    return with_named(used, named)


def with_named(used: ColumnMap, named: Named) -> ColumnMap:
    """Return `used` with the channels that the user named."""
    columns = list(used.columns)
    for quantity, channel in (("speed_mps", named.speed), ("yaw_rate_radps", named.yaw_rate)):
        if channel is not None:
            columns = [c for c in columns if c.name != quantity]
            # Its unit does not matter for the clock, which is found whatever the scale; see `with_units`.
            columns.insert(0, ValueColumn(quantity, channel, "", stated_unit=False))
    kept = tuple(c for c in columns if c.name in (*SIGNALS, PULSE, MARKER))
    if named.marker is not None:
        channel = named.marker or next((c.column for c in kept if c.name == MARKER), None)
        if channel is None:
            raise UsageError(f"column map {used.name} names no marker; add marker = {{ column = \"…\" }} under [columns], or name the channel "
                             "as FILE:CHANNEL.")
        kept = (*(c for c in kept if c.name != MARKER), ValueColumn(MARKER, channel, "-"))
    return replace(used, columns=kept, fix_state=None, alignment=None, arrival=None)


def apart(used: ColumnMap, named: Named) -> tuple[ColumnMap, tuple[str, ...]]:
    """Return `used` without the marker that is wanted as it stands in the file, text or number, and its column."""
    if named.marker is None:
        return used, ()
    marker = next(c.column for c in used.columns if c.name == MARKER)
    return replace(used, columns=tuple(c for c in used.columns if c.name != MARKER)), (marker,)


def with_units(used: ColumnMap, units: dict[str, str]) -> ColumnMap:
    """Return `used` with the unit that the file states for channels named without one, else our own."""
    target = {c.name: c.unit for c in tables.MEASUREMENT.columns}

    def fitted(value: ValueColumn) -> ValueColumn:
        if value.unit:
            return value
        stated = unit_of(value.column, units)
        return replace(value, unit=stated if stated and is_unit(stated) else target.get(value.name, "-"))

    return replace(used, columns=tuple(fitted(c) for c in used.columns))


def of_table(used: ColumnMap, raw: RawTable, *, start: pd.Timestamp) -> Measured:
    """Return signals and row times of a table whose used columns are `raw`, rows in the order of the file.

    Parameters
    ----------
    start : where a clock that is not placed in UTC is laid; it is searched for from there.

    Raises
    ------
    InputError, UsageError : the content contradicts the column map.
    """
    used = with_units(used, dict(raw.units))
    clock, placed = place(used.time, start)
    used = replace(used, time=clock)
    times = utc_times(clock, raw.columns, raw.name)
    applied = apply_map(used, raw, ReadOptions()).table if used.columns else tables.MEASUREMENT.empty()
    if used.columns and not len(applied):
        raise InputError(f"{raw.name}: no row holds a time and a value; check the column map {used.name}.")
    signals, findings = signals_of(applied, raw.name)
    speed = None
    if "speed_mps" in signals and len(applied) == len(times) and not times.hasnans:
        speed = _in_file_order(times, applied["speed_mps"].to_numpy(dtype=np.float64, na_value=np.nan))
    return Measured(raw.name, times, signals, findings, placed, speed, map_name=used.name)


def _in_file_order(times: pd.DatetimeIndex, by_time: Array) -> Array:
    """Return values sorted by time in the order of the rows."""
    order = np.argsort(times.asi8, kind="stable")
    out = np.empty(len(times))
    out[order] = by_time
    return out


def place(clock: Clock, start: pd.Timestamp) -> tuple[Clock, bool]:
    """Return `clock` placed in UTC; one that is placed nowhere is laid onto `start`, and False says so."""
    if clock.scale == "relative" and clock.start_utc is None and clock.anchor_utc is None:
        return replace(clock, start_utc=start.to_pydatetime()), False
    return clock, True


def signals_of(table: pd.DataFrame, name: str) -> tuple[dict[str, tuple[pd.DatetimeIndex, Array]], tuple[Finding, ...]]:
    """Return the motion signals of a measurement table, with what is wrong with its channels.

    Of a channel that holds each value over several rows only the rows with a new value are used: the others are old.
    """
    wanted = [n for n in (*SIGNALS, PULSE, MARKER) if n in table and table[n].notna().any()]
    if not wanted:
        return {}, ()
    found = check_channels(table[[n for n in wanted if n in SIGNALS]], source_name=name) if set(wanted) & set(SIGNALS) else ()
    pace = channel_table(table[wanted]).set_index("channel")["update"] if len(table) > 2 else pd.Series(dtype=object)
    out = {}
    for column in wanted:
        values = table[column].to_numpy(dtype=np.float64, na_value=np.nan)
        known = np.isfinite(values)
        if column in SIGNALS and pace.get(column) == "held":
            kept = values[known]
            known[np.flatnonzero(known)] = np.r_[True, kept[1:] != kept[:-1]]
        out[column] = pd.DatetimeIndex(table.index[known]), values[known]
    return out, tuple(found)
