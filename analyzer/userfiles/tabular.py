"""Small CSV files that users write by hand: windows, crossing lines, check points. Errors name file, line and column."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from analyzer import wording
from analyzer.errors import UsageError
from analyzer.recording import Finding
from analyzer.userfiles.moments import TimeOfDay, Undated, Written, has_zone, read_moment
from analyzer.userfiles.toml_file import read_user_text
from analyzer.userfiles.window_columns import unused_columns

WINDOW_COLUMNS = ("name", "start_utc", "end_utc")
LINE_COLUMNS = ("name", "from_latitude_deg", "from_longitude_deg", "to_latitude_deg", "to_longitude_deg")
CHECK_POINT_COLUMNS = (
    "name",
    "latitude_deg",
    "longitude_deg",
    "height_m",
    "height_type",
    "frame",
    "epoch_year",
    "sigma_h_m",
    "sigma_v_m",
    "antenna_above_mark_m",
)
#: How the names of columns of numbers end.
NUMBER_ENDINGS = ("_deg", "_m", "_year")
#: Years that coordinates of marks can hold for.
YEARS = (1900.0, 2200.0)
RANGES = {"latitude_deg": 90.0, "longitude_deg": 180.0}


@dataclass(frozen=True)
class WindowFile:
    """Windows by time (``name start_utc end_utc``) or crossing lines (`LINE_COLUMNS`); the other table is empty.

    `findings` say where windows came from that nobody wrote by hand. `undated` holds the windows, by their row of `times`,
    that are written without a date: their times are missing there until a drive gives one.
    """

    times: pd.DataFrame
    lines: pd.DataFrame
    findings: tuple[Finding, ...] = ()
    undated: Mapping[int, Undated] = field(default_factory=dict)


def read_windows(path: str | Path) -> WindowFile:
    """Read windows or crossing lines from CSV.

    Two lines of one name are the way in and the way out of a pass; a single line is passed from one crossing to the next.
    Other columns are not read, and a finding names them.
    A file with nothing but its header, as a script writes it for a drive without manoeuvres, costs no drive: a finding says so.
    """
    rows, header = _rows(Path(path), what="windows file")
    if not rows and (set(WINDOW_COLUMNS) <= set(header) or set(LINE_COLUMNS) <= set(header)):
        return _no_windows(path)
    if set(WINDOW_COLUMNS) <= set(header) and set(LINE_COLUMNS) <= set(header):
        raise UsageError(f"windows file {path}: line 1: it has columns of times and of crossing lines; give one kind in a file.")
    if set(WINDOW_COLUMNS) <= set(header):
        return _by_time(rows, path, unused_columns(header, WINDOW_COLUMNS, path))
    if set(LINE_COLUMNS) <= set(header):
        lines = [
            {c: row["name"] if c == "name" else _number(row, c, line, path, "windows file") for c in LINE_COLUMNS}
            for line, row in rows
        ]
        for (line, _), ends in zip(rows, lines, strict=True):
            _refuse_no_line(ends, line, path)
        _refuse_three(lines, path)
        return WindowFile(pd.DataFrame(columns=list(WINDOW_COLUMNS)), pd.DataFrame(lines, columns=list(LINE_COLUMNS)),
                          unused_columns(header, LINE_COLUMNS, path))
    raise UsageError(
        f"windows file {path}: line 1: the columns are {', '.join(header) or 'missing'}; "
        f"expected {', '.join(WINDOW_COLUMNS)} or {', '.join(LINE_COLUMNS)}."
    )


def read_check_points(path: str | Path) -> pd.DataFrame:
    """Read check points; optional ``start_utc end_utc heading_deg`` say when the vehicle stood there and how.

    Where start and end are one moment the vehicle passed the mark then; see `postdrive setup check-points` for the columns.
    Missing frame, height type or antenna height stay empty: the judge refuses them for absolute statements.
    A header alone gives no rows, and the judge says that nothing was checked.
    """
    what = "check points file"
    rows, header = _rows(Path(path), what=what)
    lacking = [c for c in ("name", "latitude_deg", "longitude_deg") if c not in header]
    if lacking:
        raise UsageError(
            f"{what} {path}: line 1: column {lacking[0]} is missing; expected {', '.join(CHECK_POINT_COLUMNS)}."
        )
    out = []
    for line, row in rows:
        record: dict[str, object] = {c: (row.get(c) or "").strip() for c in ("name", "height_type", "frame")}
        for column in ("latitude_deg", "longitude_deg"):
            record[column] = _number(row, column, line, path, what)
        for column in ("height_m", "epoch_year", "sigma_h_m", "sigma_v_m", "antenna_above_mark_m", "heading_deg"):
            record[column] = _number(row, column, line, path, what, optional=True)
        for column in ("start_utc", "end_utc"):
            record[column] = _time(row, column, line, path, what) if (row.get(column) or "").strip() else pd.NaT
        if record["height_type"] not in ("", "ellipsoidal", "geoid"):
            raise UsageError(
                f"{what} {path}: line {line}: height_type is '{record['height_type']}'; write ellipsoidal or geoid."
            )
        wrong = _impossible(record)
        if wrong:
            raise UsageError(f"{what} {path}: line {line}: {wrong}")
        out.append(record)
    return pd.DataFrame(out, columns=[*CHECK_POINT_COLUMNS, "start_utc", "end_utc", "heading_deg"])


#: Largest values [m] of what belongs to a mark, and the unit in which a larger one was likelier written: no antenna of a car stands higher, and a mark
#: that is not known to a metre checks nothing.
_MOST = {"sigma_h_m": (1.0, "millimetres", 1000.0), "sigma_v_m": (1.0, "millimetres", 1000.0), "antenna_above_mark_m": (10.0, "centimetres", 100.0)}


def _impossible(record: Mapping[str, object]) -> str:
    """Return why a check point cannot be as it is written, or an empty text."""
    for name in ("sigma_h_m", "sigma_v_m", "antenna_above_mark_m"):
        value = record[name]
        if isinstance(value, float) and value < 0:
            return f"{name} is {value:g}; expected 0 or more metres."
        most, unit, in_m = _MOST[name]
        if isinstance(value, float) and value > most:
            return f"{name} is {value:g}; expected metres, at most {most:g}; in {unit} it would be {value / in_m:g} m."
    year = record["epoch_year"]
    if isinstance(year, float) and not math.isnan(year) and not YEARS[0] <= year <= YEARS[1]:
        return f"epoch_year is {year:g}; expected the year that the coordinates hold for, like 2026.2."
    start, end = record["start_utc"], record["end_utc"]
    if isinstance(start, pd.Timestamp) and isinstance(end, pd.Timestamp) and end < start:
        return "end_utc is before start_utc; correct the times, or give one moment twice for a pass."
    return ""


def _rows(path: Path, *, what: str) -> tuple[list[tuple[int, dict[str, str]]], list[str]]:
    """Return (line number, row) pairs and the header of a CSV with comma or semicolon."""
    text = read_user_text(path, what=what)
    lines = [line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    if not lines:
        raise UsageError(f"{what} {path}: it is empty; expected a header line and one line per entry.")
    delimiter = ";" if lines[0].count(";") > lines[0].count(",") else ","
    numbers = [i for i, line in enumerate(text.splitlines(), 1) if line.strip() and not line.lstrip().startswith("#")]
    reader = csv.reader(io.StringIO("\n".join(lines)), delimiter=delimiter)
    header = [cell.strip() for cell in next(reader)]
    out = []
    read = reader.line_num
    for cells in reader:
        number, read = numbers[read], reader.line_num
        if len(cells) != len(header):
            raise UsageError(
                f"{what} {path}: line {number}: {len(cells)} cells where the header has {len(header)}; correct the line."
            )
        out.append((number, {h: c.strip() for h, c in zip(header, cells, strict=True)}))
    return _with_points(out) if delimiter == ";" else out, header


def _with_points(rows: list[tuple[int, dict[str, str]]]) -> list[tuple[int, dict[str, str]]]:
    """Return rows between semicolons with decimal points, where every number that has a mark has a comma as such.

    Beside a point, or twice in a number, a comma may part thousands: such a file stays as it is, and a comma is refused.
    """
    numbers = [cell for _, row in rows for name, cell in row.items() if name.endswith(NUMBER_ENDINGS)]
    if any("." in cell or cell.count(",") > 1 for cell in numbers) or not any("," in cell for cell in numbers):
        return rows
    return [
        (line, {name: cell.replace(",", ".") if name.endswith(NUMBER_ENDINGS) else cell for name, cell in row.items()})
        for line, row in rows
    ]


def _no_windows(path: str | Path) -> WindowFile:
    """Return no window, and say that no manoeuvre can be judged."""
    text = f"The windows file {Path(path).name} holds no window, only a header: no manoeuvre was judged by itself."
    return WindowFile(
        pd.DataFrame(columns=list(WINDOW_COLUMNS)), pd.DataFrame(columns=list(LINE_COLUMNS)), findings=(Finding("windows_empty", "warning", text, {}),)
    )


def _by_time(rows: list[tuple[int, dict[str, str]]], path: str | Path, unused: tuple[Finding, ...]) -> WindowFile:
    """Return windows by time; those without a date wait for the drive."""
    written = [_window(row, line, path) for line, row in rows]
    _refuse_twice(rows, path)
    undated = {
        at: Undated(start, end, f"windows file {path}: line {line}")
        for at, ((line, _), (start, end)) in enumerate(zip(rows, written, strict=True))
        if isinstance(start, TimeOfDay) or isinstance(end, TimeOfDay)
    }
    ends = {c: pd.DatetimeIndex([pd.NaT if at in undated else pair[k] for at, pair in enumerate(written)], dtype="datetime64[us, UTC]")
            for k, c in enumerate(("start_utc", "end_utc"))}
    times = pd.DataFrame({"name": [row["name"] for _, row in rows], **ends}, columns=list(WINDOW_COLUMNS))
    return WindowFile(times, pd.DataFrame(columns=list(LINE_COLUMNS)), (*unused, *_without_zone(rows, path)), undated)


def _without_zone(rows: list[tuple[int, dict[str, str]]], path: str | Path) -> tuple[Finding, ...]:
    """Say that times without a zone were taken as UTC: local ones may lie within the drive as well."""
    bare = [(line, row) for line, row in rows if not all(has_zone(row[c]) for c in ("start_utc", "end_utc"))]
    if not bare:
        return ()
    line, row = bare[0]
    text = (f"{len(bare)} of {wording.count(len(rows), 'window')} in {Path(path).name} {'have' if len(rows) > 1 else 'has'} times without a zone, first '{row['start_utc']}' on line {line}: they were taken as UTC; "
            "write Z behind the time, or the zone as in +01:00, where it is local time.")
    return (Finding("windows_without_zone", "note", text, {"windows": len(bare), "line": line}),)


def _refuse_twice(rows: list[tuple[int, dict[str, str]]], path: str | Path) -> None:
    """Raise where two windows have one name: decisions and explanations name a window by it."""
    first: dict[str, int] = {}
    for line, row in rows:
        if row["name"] in first:
            raise UsageError(f"windows file {path}: line {line}: the name '{row['name']}' stands on line {first[row['name']]} as well; give each "
                             "window a name of its own.")
        first[row["name"]] = line


def _window(row: dict[str, str], line: int, path: str | Path) -> tuple[Written, Written]:
    start, end = (_moment(row, column, line, path, "windows file") for column in ("start_utc", "end_utc"))
    if isinstance(start, pd.Timestamp) and isinstance(end, pd.Timestamp) and end <= start:
        raise UsageError(
            f"windows file {path}: line {line}: end_utc is not later than start_utc; swap or correct them."
        )
    if not row["name"]:
        raise UsageError(f"windows file {path}: line {line}: the name is empty; give each window a name.")
    return start, end


def _moment(row: dict[str, str], column: str, line: int, path: str | Path, what: str) -> Written:
    """Return a UTC time or a time of day; a time without zone is UTC as the column name says."""
    found = read_moment(row[column])
    if found is None:
        raise UsageError(
            f"{what} {path}: line {line}: {column} is '{row[column]}'; expected a UTC time like 2026-03-24T09:12:00Z."
        )
    return found


def _time(row: dict[str, str], column: str, line: int, path: str | Path, what: str) -> pd.Timestamp:
    """Return a UTC time with a date."""
    found = _moment(row, column, line, path, what)
    if isinstance(found, TimeOfDay):
        raise UsageError(f"{what} {path}: line {line}: {column} is '{row[column]}', which has no date; write it like 2026-03-24T09:12:00Z.")
    return found


def _number(
    row: dict[str, str], column: str, line: int, path: str | Path, what: str, *, optional: bool = False
) -> float:
    """Return a finite number, or NaN for an empty optional cell."""
    cell = (row.get(column) or "").strip()
    if optional and not cell:
        return math.nan
    try:
        value = float(cell)
    except ValueError:
        value = math.nan
    limit = next((v for k, v in RANGES.items() if column.endswith(k)), math.inf)
    if not math.isfinite(value) or abs(value) > limit:
        raise UsageError(
            f"{what} {path}: line {line}: {column} is '{cell}'; expected a number{f' within ±{limit:g}' if limit < math.inf else ''}."
        )
    return value


def _refuse_no_line(ends: dict[str, Any], line: int, path: str | Path) -> None:
    if not ends["name"]:
        raise UsageError(f"windows file {path}: line {line}: the name is empty; give each line the name of its pass.")
    if (ends["from_latitude_deg"], ends["from_longitude_deg"]) == (ends["to_latitude_deg"], ends["to_longitude_deg"]):
        raise UsageError(f"windows file {path}: line {line}: both ends are the same place; a crossing line needs two.")


def _refuse_three(lines: list[dict[str, str | float]], path: str | Path) -> None:
    names = [str(x["name"]) for x in lines]
    for name in dict.fromkeys(names):
        if names.count(name) > 2:
            raise UsageError(
                f"windows file {path}: {names.count(name)} lines are called '{name}'; one or two lines make a pass."
            )
