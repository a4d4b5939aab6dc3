"""Read a measurement file for joining, whatever its format; rows are counted in the order in which they are stored."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from analyzer.attaching import measured_csv, parquet_writer
from analyzer.attaching.csv_lines import Layout
from analyzer.attaching.measured import Measured, Named, apart, choose_map, of_table, place, signals_of, with_units
from analyzer.attaching.signals import Array
from analyzer.errors import InputError, UsageError
from analyzer.parsers import columnar, delimited, mdf4
from analyzer.parsers.column_map import Clock, ColumnMap
from analyzer.parsers.column_map_apply import RawTable, apply_map
from analyzer.parsers.column_map_time import utc_times
from analyzer.parsers.mdf4_channels import Channel
from analyzer.parsers.mdf4_process import Fetched, fetch
from analyzer.parsers.raw import RawSource
from analyzer.parsers.reader import ReadOptions
from analyzer.parsers.sources import open_sources
from analyzer.recording import Finding

STAMP = mdf4.STAMP


@dataclass(frozen=True)
class Marker:
    """The marker channel as it stands in the file: its name, UTC of each row by the measurement's own clock, and values."""

    name: str
    times: pd.DatetimeIndex
    values: pd.Series


@dataclass(frozen=True)
class Opened:
    """A measurement file: its bytes, format (``csv``, ``parquet``, ``mdf4``), what it says, and names of its columns."""

    raw: RawSource
    kind: str
    measured: Measured
    columns: tuple[str, ...]
    cut: Layout | None = None
    marker: Marker | None = None


def open_measurement_file(path: str | Path, maps: Sequence[ColumnMap], named: Named, *, start: pd.Timestamp,
                          bus: Path | None = None) -> Opened:
    """Return the measurement at `path`.

    Raises
    ------
    InputError : no such file, no such format, or damaged.
    UsageError : no column map fits.
    """
    raws, _ = open_sources([path])
    if len(raws) != 1:
        raise UsageError(f"{path} holds {len(raws)} files: attach to one measurement file at a time.")
    raw = raws[0]
    head = raw.head()
    if columnar.recognise(head, raw.base_name) == 1.0:
        used = choose_map(raw.base_name, maps, named, path=Path(path))
        return _parquet(raw, used, named, start)
    if mdf4.recognise(head, raw.base_name) == 1.0:
        used = choose_map(raw.base_name, maps, named, path=Path(path), bus=bus)
        return _mdf4(raw, used, named, start=start, bus=bus)
    if delimited.recognise(head, raw.base_name) > 0.0 or any(m.serves(raw.base_name) for m in maps):
        used = choose_map(raw.base_name, maps, named, path=Path(path))
        cut = measured_csv.layout(raw, used)
        used, kept = apart(used, named)
        table = measured_csv.read_columns(raw, cut, tuple(dict.fromkeys((*used.used_columns, *kept))))
        measured = of_table(used, table, start=start)
        return Opened(raw, "csv", measured, cut.dialect.names, cut, _marker(measured, table, kept))
    raise InputError(f"{path} is no measurement that can be joined: expected delimited text, Parquet or ASAM MDF 4.")


def _marker(measured: Measured, table: RawTable, kept: Sequence[str]) -> Marker | None:
    return Marker(kept[0], measured.times, table.columns[kept[0]]) if kept else None


def _parquet(raw: RawSource, used: ColumnMap, named: Named, start: pd.Timestamp) -> Opened:
    used, kept = apart(used, named)
    wanted = tuple(dict.fromkeys((*used.used_columns, *kept)))
    with raw.local_file() as path:
        try:
            with pq.ParquetFile(path) as file:
                names = tuple(str(n) for n in file.schema_arrow.names)
                lacking = [c for c in wanted if c not in names]
                if lacking:
                    raise UsageError(f"{raw.name} has no column '{lacking[0]}'; it has {', '.join(names[:12])}.")
                table = file.read(columns=list(wanted))
                units = _units(file.schema_arrow)
        except (pa.ArrowException, OSError) as error:
            raise parquet_writer.open_error(Path(raw.name), error) from error
    columns = {name: columnar.series_of(table.column(name)) for name in wanted}
    rows = RawTable(raw.name, columns, table.num_rows, units)
    made = of_table(used, rows, start=start)
    return Opened(raw, "parquet", made, names, marker=_marker(made, rows, kept))


def _units(schema: pa.Schema) -> dict[str, str]:
    out = {}
    for field in schema:
        for key in (b"unit", b"units"):
            if field.metadata and key in field.metadata:
                out[str(field.name)] = field.metadata[key].decode("utf-8", "replace")
    return out


def _mdf4(raw: RawSource, used: ColumnMap, named: Named, *, start: pd.Timestamp, bus: Path | None) -> Opened:
    """Read signals on their own clocks, and the time base of the channel that the quality group shall follow."""
    used, kept = apart(used, named)
    leading = named.rate_of or next((c.column for c in used.columns if c.name == "speed_mps"), None)
    leading = leading or next((c.column for c in used.columns), kept[0] if kept else None)
    if leading is None:
        raise UsageError(f"{raw.name}: name the channel whose rate the quality shall have with --rate-of.")
    wanted = dict.fromkeys([*used.used_columns, leading, *kept])
    with raw.local_file() as path:
        opened = fetch(path, raw.name, bus=bus, wanted=[w for w in wanted if w != STAMP])
    used = with_units(used, {n: c.unit for n, c in opened.channels.items()})
    clock = _Clock(opened, used, raw, bus, start)
    signals: dict[str, tuple[pd.DatetimeIndex, Array]] = {}
    findings: list[Finding] = []
    for value in used.columns:
        channel = opened.channels[value.column]
        table = pd.DataFrame({value.name: _numbers(replace(used, columns=(value,)), channel, clock)})
        found, words = signals_of(table, raw.name)
        signals |= found
        findings += list(words)
    stamps = opened.channels[leading].seconds
    times = clock.utc(stamps)
    speed = None
    if "speed_mps" in signals:
        at, values = signals["speed_mps"]
        speed = np.interp(times.asi8, at.asi8, values)
    own = tuple(v.name for v in used.columns if np.array_equal(opened.channels[v.column].seconds, stamps))
    made = Measured(raw.name, times, signals, tuple(findings), clock.placed, speed, stamps, used.name, own)
    marker = Marker(kept[0], clock.utc(opened.channels[kept[0]].seconds), pd.Series(opened.channels[kept[0]].values)) if kept else None
    return Opened(raw, "mdf4", made, opened.names, marker=marker)


def _numbers(used: ColumnMap, channel: Channel, clock: _Clock) -> pd.Series:
    """Return a channel in our unit on its own times in UTC."""
    times = clock.utc(channel.seconds)
    columns = {channel.name: pd.Series(channel.values), STAMP: pd.Series(times)}
    own = replace(used, time=Clock("iso_utc", STAMP, taken_by="logger"))
    table = apply_map(own, RawTable(clock.name, columns, len(times), {channel.name: channel.unit}), ReadOptions()).table
    return table[own.columns[0].name]


class _Clock:
    """Turns stamps of the logger into UTC as the column map says."""

    def __init__(self, opened: Fetched, used: ColumnMap, raw: RawSource, bus: Path | None, start: pd.Timestamp) -> None:
        self.name = raw.name
        clock = used.time
        self.placed = True
        self._knots: tuple[Array, Array] | None = None
        column = clock.column
        if column is not None and column != STAMP:
            clock, self.placed = place(clock, start)
            channels = {n: pd.Series(c.values) for n, c in opened.channels.items()}
            times = utc_times(clock, channels, raw.name)
            self._set(opened.channels[column].seconds, times)
            return
        if clock.utc_column is not None:
            if not used.columns:
                raise UsageError(f"{raw.name}: its clock is tied by '{clock.utc_column}', which needs one more channel than the marker; name "
                                 "its speed in the column map.")
            value = used.columns[0]
            part = mdf4.read(raw, ReadOptions(maps=(replace(used, files=("*",), columns=(value,)),), bus=bus))
            seconds = opened.channels[value.column].seconds
            index = pd.DatetimeIndex(part.tables["measurement"].index)
            if len(index) == len(seconds):
                self._set(seconds, index)
                return
            raise InputError(f"{raw.name}: channel '{value.column}' does not give a time for each of its rows; name another first "
                             "channel in the column map.")
        known = clock.start_utc is not None or clock.anchor_utc is not None
        self._line = replace(clock, column=STAMP, scale="relative", start_utc=clock.start_utc if known else opened.start_utc)

    def _set(self, seconds: Array, times: pd.DatetimeIndex) -> None:
        good = ~np.asarray(times.isna())
        stamps, first = np.unique(seconds[good], return_index=True)
        self._knots = stamps, times.asi8[good][first].astype(np.float64)

    def utc(self, seconds: Array) -> pd.DatetimeIndex:
        """Return UTC of stamps; beyond the first and last known one the clock runs on."""
        if self._knots is None:
            return utc_times(self._line, {STAMP: pd.Series(seconds)}, self.name)
        stamps, moments = self._knots
        base = moments[0]
        out = np.interp(seconds, stamps, moments - base)
        out += 1e6 * (np.minimum(seconds - stamps[0], 0.0) + np.maximum(seconds - stamps[-1], 0.0))
        micro = np.rint(out).astype(np.int64) + int(base)
        return pd.DatetimeIndex(micro.astype("datetime64[us]")).tz_localize("UTC")
