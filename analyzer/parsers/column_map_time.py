"""Time columns of tables as UTC: the scales a column map can name."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import tables, timebase
from analyzer.errors import InputError, UsageError
from analyzer.parsers.column_map import Clock
from analyzer.parsers.column_map_units import factor_to

_UNIX_US = {"unix_s": 1e6, "unix_ms": 1e3, "unix_us": 1.0, "unix_ns": 1e-3}
#: A comma between the seconds of a moment and their digits, as ISO 8601 allows beside the point; behind them only a zone.
_COMMA = r"(?:(?<=[T ]\d\d:\d\d:\d\d)|(?<=T\d{6})),(?=\d+\s*(?:Z|UTC|[+-]\d\d(?::?\d\d)?)?$)"
_DAY_US = 86_400_000_000
_HALF_DAY_US = _DAY_US // 2
#: Years in which a log of satellite positions can be; a Unix time outside them is in another unit.
_YEARS = (np.datetime64("1985-01-01", "us"), np.datetime64("2100-01-01", "us"))


def utc_times(clock: Clock, frame: Mapping[str, pd.Series], name: str, table: str = "time") -> pd.DatetimeIndex:
    """Return the UTC of each row, NaT where the cell holds no time.

    Parameters
    ----------
    clock : Clock
        How to read the columns.
    frame : mapping of str to Series
        Columns of the file by their name there, as numbers, moments or text.
    name : str
        What errors call the file.
    table : str
        Table of the column map that states the clock, for errors.

    Raises
    ------
    InputError
        No row holds a time, or the times are of another scale than the map says.
    UsageError
        The map lacks what the scale needs.
    """
    if clock.column is None:
        raise UsageError(f"{name}: the column map gives no time column; set 'column' under [time].")
    column = frame[clock.column]
    if clock.scale == "iso_utc":
        us = _iso(column, clock, name)
    elif clock.scale in _UNIX_US:
        us = _to_us(_numbers(column), _UNIX_US[clock.scale])
    elif clock.scale == "gps_week_seconds":
        us = _gps(column, frame, clock)
    elif clock.scale == "time_of_day":
        us = _time_of_day(column, frame, clock, name=name)
    else:
        us = _relative(column, clock, name, table)
    us = us + np.timedelta64(round(clock.utc_offset_s * 1e6), "us")
    _check(us, clock, column, name=name)
    return pd.DatetimeIndex(pd.DatetimeIndex(us).tz_localize("UTC").astype(tables.TIME_DTYPE))


def anchor(clock: Clock, name: str, table: str = "time") -> tuple[float, np.datetime64]:
    """Return a clock value in seconds and the UTC at it, of a relative clock; `table` of the column map states it.

    Raises
    ------
    UsageError
        The map places the clock nowhere in UTC.
    """
    if clock.anchor_utc is not None and clock.anchor_clock is not None:
        return clock.anchor_clock * factor_to(clock.unit, "s", quantity="a clock"), _moment(clock.anchor_utc)
    if clock.start_utc is not None:
        return 0.0, _moment(clock.start_utc)
    raise UsageError(
        f"{name}: the clock in column '{clock.column}' is not UTC and the column map does not place it; add start_utc, or anchor_clock "
        f"with anchor_utc, under [{table}]" + (", or leave [arrival] away." if table == "arrival" else ".")
    )


def _iso(column: pd.Series, clock: Clock, name: str) -> NDArray[np.datetime64]:
    """Return moments; without a zone they are UTC."""
    if isinstance(column.dtype, pd.DatetimeTZDtype):
        return np.asarray(column.dt.tz_convert("UTC").dt.tz_localize(None).astype("datetime64[us]"))
    if pd.api.types.is_datetime64_dtype(column.dtype):
        return np.asarray(column.astype("datetime64[us]"))
    if pd.api.types.is_numeric_dtype(column.dtype) and column.notna().any():
        raise InputError(f"{name}: column '{clock.column}' holds numbers, not moments as the scale iso_utc says: use "
                         "unix_s, unix_ms, gps_week_seconds or relative in the column map.")
    text = column.astype("str").str.strip()
    if text.str.contains(",", regex=False).any():
        text = text.str.replace(_COMMA, ".", regex=True, flags=re.IGNORECASE)
    parsed = pd.to_datetime(text, utc=True, format="ISO8601", errors="coerce")
    return np.asarray(parsed.dt.tz_localize(None).astype("datetime64[us]"))


def _gps(column: pd.Series, frame: Mapping[str, pd.Series], clock: Clock) -> NDArray[np.datetime64]:
    """Return UTC of GPS week and seconds of week."""
    seconds = _numbers(column)
    week = _numbers(frame[clock.week_column]) if clock.week_column else np.full(len(seconds), float(clock.week or 0))
    good = np.isfinite(seconds) & np.isfinite(week)
    us = np.full(len(seconds), np.datetime64("NaT"), dtype="datetime64[us]")
    us[good] = timebase.gps_to_utc(week[good].astype(np.int64), seconds[good])
    return us


def _time_of_day(
    column: pd.Series, frame: Mapping[str, pd.Series], clock: Clock, *, name: str
) -> NDArray[np.datetime64]:
    """Return UTC of times of day; a fall by more than half a day begins the next day."""
    of_day = _of_day_us(column)
    good = ~np.isnat(of_day)
    if clock.date_column is not None:
        days = pd.to_datetime(frame[clock.date_column].astype("str").str.strip(), errors="coerce", format="mixed")
        return np.asarray(np.asarray(days.astype("datetime64[us]")) + of_day, dtype="datetime64[us]")
    if clock.date is None:
        raise UsageError(f"{name}: column '{clock.column}' holds only the time of day; add date or date_column to the "
                         "clock of the column map, or pass --date.")
    steps = np.diff(of_day[good]).astype(np.int64)
    turns = np.r_[0, np.cumsum((steps < -_HALF_DAY_US).astype(np.int64) - (steps > _HALF_DAY_US).astype(np.int64))]
    us = np.full(len(column), np.datetime64("NaT"), dtype="datetime64[us]")
    us[good] = np.datetime64(clock.date, "us") + of_day[good] + turns[: good.sum()] * np.timedelta64(_DAY_US, "us")
    return us


def _of_day_us(column: pd.Series) -> NDArray[np.timedelta64]:
    """Return time of day from ``hh:mm:ss.s`` text, or from seconds of day."""
    if pd.api.types.is_numeric_dtype(column.dtype):
        values = _numbers(column)
        values[(values < 0) | (values >= 86_401)] = np.nan
        return _to_us(values, 1e6) - np.datetime64(0, "us")
    text = column.astype("str").str.strip().str.replace(",", ".")
    full = text.str.fullmatch(r"\d{1,2}:\d{2}:\d{2}(?:\.\d*)?").fillna(False)
    return np.asarray(pd.to_timedelta(text.where(full), errors="coerce").astype("timedelta64[us]"))


def _relative(column: pd.Series, clock: Clock, name: str, table: str) -> NDArray[np.datetime64]:
    """Return UTC of a clock that is placed by its start or by an anchor."""
    value_s, moment = anchor(clock, name, table)
    seconds = _numbers(column) * factor_to(clock.unit, "s", quantity="a clock") - value_s
    return moment + (_to_us(seconds, 1e6) - np.datetime64(0, "us"))


def _numbers(column: pd.Series) -> NDArray[np.float64]:
    """Return a column as floats, NaN where it holds none."""
    return np.array(pd.to_numeric(column, errors="coerce"), dtype=np.float64)


def _to_us(values: NDArray[np.float64], factor: float) -> NDArray[np.datetime64]:
    """Return `values` times `factor` microseconds since 1970, NaT where not finite or out of range."""
    with np.errstate(invalid="ignore", over="ignore"):
        scaled = np.rint(values * factor)
    good = np.isfinite(scaled) & (np.abs(scaled) < 2.0**62)
    out = np.full(len(values), np.datetime64("NaT"), dtype="datetime64[us]")
    out[good] = scaled[good].astype(np.int64).astype("datetime64[us]")
    return out


def _moment(value: dt.datetime) -> np.datetime64:
    return np.datetime64(value.astimezone(dt.UTC).replace(tzinfo=None), "us")


def _check(us: NDArray[np.datetime64], clock: Clock, column: pd.Series, *, name: str) -> None:
    """Refuse times that are all missing or in impossible years."""
    good = us[~np.isnat(us)]
    if not len(column):
        return
    if not len(good):
        shown = next((str(v) for v in column if re.search(r"\S", str(v))), "nothing")
        raise InputError(
            f"{name}: column '{clock.column}' holds no time of the scale {clock.scale} in any row (the first "
            f"cell is '{shown[:40]}'): correct column or scale in the column map."
        )
    middle = np.sort(good)[len(good) // 2]
    if not _YEARS[0] <= middle < _YEARS[1]:
        raise InputError(
            f"{name}: column '{clock.column}' read as {clock.scale} gives {str(middle)[:10]}, when no such "
            "log was written: correct scale or unit of the clock in the column map."
        )
