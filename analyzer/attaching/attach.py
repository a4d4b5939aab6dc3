"""Attach the quality of positions to a measurement, after proving that the two clocks agree."""

from __future__ import annotations

import gzip
import os
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from analyzer.attaching import csv_writer, mdf4_writer, parquet_writer
from analyzer.attaching.clocks import measured_offset
from analyzer.attaching.decide import Applied, decide, parse_offset
from analyzer.attaching.given import Given, Result, given
from analyzer.attaching.join import NAMES, NOT_EVALUATED, find_around, join, places
from analyzer.attaching.measured import Measured, Named, frame_map, of_table
from analyzer.attaching.measured_files import Opened, open_measurement_file
from analyzer.attaching.sidecar import (
    KEY_CELLS,
    KEY_ID,
    content,
    file_digest,
    new_id,
    offset_entries,
    sidecar_path,
    write_sidecar,
)
from analyzer.attaching.time_offset import TimeOffset
from analyzer.errors import InputError, OutputError, UsageError
from analyzer.parsers.column_map import ColumnMap
from analyzer.parsers.column_map_apply import RawTable
from analyzer.recording import Finding

ORDERS = {
    "csv": "SHA-256 over the data lines as written, without their line ends, each followed by one line feed, in the order of the file",
    "parquet": "SHA-256 column by column in the order of the schema; see analyzer.attaching.parquet_writer.CellsDigest",
    "mdf4": "SHA-256 over the records of all groups, unpacked, in the order of the groups",
}


@dataclass(frozen=True)
class Attached:
    """What was joined.

    Attributes
    ----------
    offset : what the signals say about the clocks.
    applied : what was taken out.
    rows : counts: ``rows``, which are ``evaluated``, on epochs ``not_judged``, ``outside`` the recording, ``in_gaps`` or
        ``without_time``; and ``beyond_limit_by_clock``, on trusted epochs and doubtful by what is not known of the clock.
    findings : what is wrong with the recorded channels of the measurement.
    frame : the joined table, where a table was given.
    path, sidecar : the files written, where a file was given.
    """

    offset: TimeOffset
    applied: Applied
    rows: dict[str, int]
    findings: tuple[Finding, ...] = ()
    frame: pd.DataFrame | None = None
    path: Path | None = None
    sidecar: dict[str, Any] = field(default_factory=dict)


def attach(
    result: Result | Sequence[Result], measurement: pd.DataFrame | str | Path, *, out: str | Path | None = None,
    maps: Sequence[ColumnMap] = (), speed: str | None = None, yaw_rate: str | None = None, rate_of: str | None = None,
    offset: str | float | None = None, tolerance_s: float | None = None, signal_delay_s: float | None = None,
    bus: Path | None = None, overwrite: bool = False, say: Callable[[str], None] | None = None,
) -> Attached:
    """Join the quality of positions to the rows of a measurement.

    Parameters
    ----------
    result : an assessment, a result folder, or several that follow one another on one measurement.
    measurement : a table with times as index or in ``time_utc``, or a file (delimited text, Parquet, ASAM MDF 4).
    out : file to write, needed for a file.
    maps : column maps; without one for a file it is proposed from names and units.
    speed, yaw_rate : columns of these signals, over those of the map.
    rate_of : channel of a measurement file whose time base the quality gets; default the speed's.
    offset : None joins only where the clocks agree, ``auto`` takes out what was found, a number is taken out [s].
    tolerance_s : an epoch is held for so long [s]; default 1.5 intervals of the recording.
    signal_delay_s : delay of the speed signal itself [s].
    bus : bus description for raw bus recordings.
    overwrite : replace an existing file.
    say : called with sentences before joining: findings on channels, and on the clocks.

    Raises
    ------
    RefusedError : the clocks disagree or nothing shows that they agree.
    InputError, UsageError, OutputError : something cannot be read, is named wrongly, or cannot be written.
    """
    wanted = parse_offset(offset)
    if tolerance_s is not None and not tolerance_s > 0:
        raise UsageError(f"tolerance {tolerance_s}: expected seconds above zero.")
    named = Named(speed, yaw_rate, rate_of)
    ready = given(result)
    start = pd.Timestamp(ready.quality.epochs.index[0])
    opened: Opened | None = None
    if isinstance(measurement, pd.DataFrame):
        if out is not None:
            raise UsageError("a table in memory is returned joined, not written: leave out= away, or pass the path of a file.")
        measured = _frame(measurement, named, start)
    else:
        target = _target(out, Path(measurement), overwrite=overwrite)
        opened = open_measurement_file(measurement, maps, named, start=start, bus=bus)
        measured = opened.measured
    speak = say or (lambda _text: None)
    for finding in measured.findings:
        speak(finding.text)
    found = measured_offset(ready.quality.epochs, measured, signal_delay_s)
    for note in found.notes:
        speak(note)
    applied = decide(found, wanted, name=measured.name, placed=measured.placed)
    speak(f"{measured.name}: {applied.words}")
    rows = _Rows(ready, measured, applied, tolerance_s)
    if opened is None:
        assert isinstance(measurement, pd.DataFrame)
        frame = _joined_frame(measurement, rows)
        return Attached(found, applied, rows.counts, measured.findings, frame)
    return _write(target, opened, rows, Attached(found, applied, rows.counts, measured.findings, path=target), ready)


class _Rows:
    """Quality of any stretch of rows of the measurement, counted as it goes."""

    def __init__(self, ready: Given, measured: Measured, applied: Applied, tolerance_s: float | None) -> None:
        self._ready, self._measured, self._applied, self._tolerance_s = ready, measured, applied, tolerance_s
        self.counts = dict.fromkeys(("rows", "evaluated", "not_judged", "outside", "in_gaps", "without_time", "beyond_limit_by_clock"), 0)

    def __call__(self, start: int, stop: int) -> pd.DataFrame:
        """Return the quality of rows `start` to `stop`."""
        times = self._applied.utc(self._measured.times[start:stop])
        half = self._applied.half_width(times)
        speed = None if self._measured.speed_mps is None else self._measured.speed_mps[start:stop]
        around = find_around(self._ready.quality, times, self._tolerance_s)
        frame = join(self._ready.quality, times, half_width_s=half, speed_mps=speed, around=around)
        plain = (frame["trust"] == "trusted").to_numpy(dtype=bool)
        beyond = frame["horizontal_bound_m"].to_numpy(dtype=np.float64) * self._ready.margin > self._ready.limit_m
        evaluated = int(((frame["fix_state"] != NOT_EVALUATED) | (frame["trust"] != NOT_EVALUATED)).sum())
        lie = places(self._ready.quality, times, around)
        self.counts["rows"] += len(frame)
        self.counts["evaluated"] += evaluated
        self.counts["not_judged"] += lie.pop("within") - evaluated
        for where, count in lie.items():
            self.counts[where] += count
        self.counts["beyond_limit_by_clock"] += int((plain & beyond).sum())
        # nothing contradicts them: what is not known of the clock is lack of evidence
        frame.loc[plain & beyond, "trust"] = "doubtful"
        return frame


def _frame(frame: pd.DataFrame, named: Named, start: pd.Timestamp) -> Measured:
    """Return what a table in memory says."""
    used = frame_map(frame, named)
    if "time_utc" in frame:
        times = frame["time_utc"].reset_index(drop=True)
    elif isinstance(frame.index, pd.DatetimeIndex):
        times = pd.Series(frame.index)
    else:
        raise UsageError("the table has no times: expected a DatetimeIndex or a column time_utc.")
    lacking = [c.column for c in used.columns if c.column not in frame]
    if lacking:
        raise UsageError(f"the table has no column '{lacking[0]}'; it has {', '.join(map(str, list(frame.columns)[:12]))}.")
    columns = {"time_utc": times} | {c.column: frame[c.column].reset_index(drop=True) for c in used.columns}
    return of_table(used, RawTable("the table", columns, len(frame)), start=start)


def _joined_frame(frame: pd.DataFrame, rows: _Rows) -> pd.DataFrame:
    quality = rows(0, len(frame))
    quality.index = frame.index
    quality.columns = pd.Index(names_beside([str(c) for c in frame.columns]))
    return pd.concat([frame, quality], axis=1)


def names_beside(columns: Sequence[str]) -> list[str]:
    """Return names for the quality columns that none of `columns` has.

    Raises
    ------
    UsageError : the file has quality columns of both kinds of names already.
    """
    for names in (list(NAMES), [f"quality_{n}" for n in NAMES]):
        if not set(names) & set(columns):
            return names
    raise UsageError("the measurement holds quality columns already: attach to the file as the acquisition system wrote it.")


def _target(out: str | Path | None, measurement: Path, *, overwrite: bool) -> Path:
    """Return the file to write, or refuse it."""
    if out is None:
        raise UsageError("attach: --out FILE is missing; name the file to write.")
    target = Path(out)
    if target.exists() and measurement.exists() and target.samefile(measurement):
        raise OutputError(f"{target}: that is the measurement itself, which is never changed; name another file.")
    for path in (target, sidecar_path(target)):
        if (path.exists() or path.is_symlink()) and not overwrite:
            raise OutputError(f"{path}: it exists already; choose another name or pass --overwrite.")
    if target.is_dir():
        raise OutputError(f"{target}: a folder of that name stands there; choose another name.")
    parent = target.absolute().parent
    if not parent.is_dir() or not os.access(parent, os.W_OK):
        raise OutputError(f"{target}: {parent} is no folder that can be written to; make it or choose another one.")
    return target


def _write(target: Path, opened: Opened, rows: _Rows, made: Attached, ready: Given) -> Attached:
    """Write file and sidecar, whole or not at all."""
    names = names_beside(opened.columns)
    attach_id = new_id()
    handle, beside = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".building", dir=target.absolute().parent)
    os.close(handle)
    building = Path(beside)
    try:
        building.chmod(0o644)
        cells = _writer(opened, building, rows, names, attach_id, packed=target.suffix == ".gz")
        clocks = offset_entries(made.offset, made.applied.entry())
        measured_from = {"name": opened.raw.name, "format": opened.kind, "column_map": opened.measured.map_name}
        entries = content(attach_id=attach_id, cells=cells, order=ORDERS[opened.kind], names=names, results=ready.entries,
                          clocks=clocks, rows=made.rows, measurement=measured_from, findings=made.findings)
        if opened.raw.path is not None:
            entries["measurement"]["sha256"] = file_digest(opened.raw.path)
        entries["file"] = {"name": target.name, "format": opened.kind, "sha256": file_digest(building),
                           "layout": _layout(opened)}
        building.replace(target)
        write_sidecar(sidecar_path(target), entries)
    except OSError as error:
        building.unlink(missing_ok=True)
        raise OutputError(f"{target}: writing failed ({error.strerror or error}); nothing was left behind.") from error
    except BaseException:
        building.unlink(missing_ok=True)
        raise
    return Attached(made.offset, made.applied, made.rows, made.findings, None, target, entries)


def _writer(opened: Opened, target: Path, rows: _Rows, names: list[str], attach_id: str, *, packed: bool) -> str:
    """Write the file in its own format; return the hash of all cells."""
    if opened.kind == "csv":
        assert opened.cut is not None
        with target.open("wb") as plain:
            if not packed:
                return csv_writer.write(opened.raw, opened.cut, rows, plain, names=names)
            with gzip.GzipFile(filename="", mode="wb", fileobj=plain, mtime=0) as zipped:
                return csv_writer.write(opened.raw, opened.cut, rows, zipped, names=names)  # type: ignore[arg-type]
    with opened.raw.local_file() as source:
        if opened.kind == "parquet":
            try:
                return parquet_writer.write(source, target, rows, names=names,
                                            metadata=lambda cells: {KEY_ID: attach_id, KEY_CELLS: cells})
            except (pa.ArrowException, ValueError) as error:
                words = str(error).splitlines()[0][:120]
                raise InputError(f"{opened.raw.name} cannot be written again as Parquet ({words}): it holds a type that cannot be kept; "
                                 "save it with plain column types.") from error
        return mdf4_writer.write(source, target, rows, stamps_s=opened.measured.stamps_s, names=names,
                                 comment=lambda cells: f"{KEY_ID}={attach_id} {KEY_CELLS}={cells}")


def _layout(opened: Opened) -> dict[str, Any] | None:
    """Return how a delimited text is cut, for checking it without its column map."""
    if opened.cut is None:
        return None
    d = opened.cut.dialect
    return {"encoding": opened.cut.encoding, "delimiter": d.delimiter, "decimal": d.decimal, "comment": d.comment,
            "header_row": d.header_row, "unit_row": d.unit_row, "data_row": d.data_row, "columns": list(d.names) + list(NAMES)}
