"""Propose a column map for a table from names, units and value ranges, and say how sure each guess is."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.errors import InputError
from analyzer.parsers.column_map import ColumnMap, parse_column_map
from analyzer.parsers.column_map_apply import RawTable
from analyzer.parsers.column_map_checks import unit_of
from analyzer.parsers.column_map_text import map_text
from analyzer.parsers.column_map_units import factor_to
from analyzer.parsers.column_map_words import QUANTITIES, Quantity, words_of
from analyzer.parsers.raw import RawSource
from analyzer.parsers.sources import open_sources

_ROWS = 20_000
#: Scales in order of preference: UTC as it is, then what must be placed or dated.
_CLOCKS = ("time:iso_utc", "time:unix_s", "time:unix_ms", "time:unix_us", "time:unix_ns", "time:gps_week_seconds",
           "time:time_of_day", "time:relative")
#: Columns that only a measurement of the car holds, and the axes of a whole inertial unit.
_OF_THE_CAR = {"speed_mps", "steering_angle_rad", "marker"}
_AXES = 6


@dataclass(frozen=True)
class Guess:
    """What a column seems to be. `confidence` is 0…1, `why` says on what it rests."""

    column: str
    name: str
    unit: str
    confidence: float
    why: str


@dataclass(frozen=True)
class Proposal:
    """A proposed map as TOML `text`, the guesses behind it, and columns without one; `map` is None if incomplete."""

    text: str
    guesses: tuple[Guess, ...]
    unknown: tuple[str, ...]
    table: str
    map: ColumnMap | None


def propose_column_map(path: str | Path, *, bus: Path | None = None, table: str | None = None) -> Proposal:
    """Return a proposal for the table at `path`; `table` says what it shall become, else the columns decide.

    Raises
    ------
    InputError
        The file is no table.
    """
    raws, _ = open_sources([path])
    if len(raws) != 1:
        raise InputError(f"{path} holds {len(raws)} files: name the one table a column map is wanted for.")
    return propose(raws[0], bus=bus, wanted=table)


def propose(raw: RawSource, *, bus: Path | None = None, wanted: str | None = None) -> Proposal:
    """Return a proposal for a source."""
    table, stamped = _load(raw, bus)
    guesses = _guess_all(table)
    name = wanted or _table_of(guesses)
    clocks = sorted(
        (g for g in guesses if g.name.startswith("time:")), key=lambda g: (_CLOCKS.index(g.name), -g.confidence)
    )
    # in a measurement file only positions carry a clock of their own; all else is stamped by the logger
    clock = clocks[0] if clocks and (not stamped or name == "fixes") else None
    chosen, spare = _choose(guesses, name)
    beside = [g.column for g in spare if g.name in _OF_THE_CAR] if name == "inertial" else []
    text = map_text(raw.base_name, name, [(g.name, g.column, g.unit, g.confidence, g.why) for g in chosen],
                    clock=None if clock is None else (clock.column, clock.name.removeprefix("time:"), clock.confidence,
                                                      clock.why),
                    others=[g.column for g in (*clocks[1:], *spare)] + _unknown(table, guesses), stamped=stamped, beside=beside,
                    ticks=(None, float("nan")) if clock is None else _ticks(table, clock.column),
                    second=clocks[1].column if len(clocks) > 1 else None,
                    week=next((g.column for g in guesses if g.name == "week"), None),
                    state=next(((g.column, _codes(table.columns[g.column])) for g in guesses if g.name == "fix_state"),
                               None) if name == "fixes" else None)
    return Proposal(text, tuple(guesses), tuple(_unknown(table, guesses)), name,
                    parse_column_map(text, name="proposal") if chosen and (clock or stamped) else None)


def _ticks(table: RawTable, column: str) -> tuple[str | None, float]:
    """Return the unit of time that the file states for a clock, None without one, and the median step of its numbers."""
    values = _as_numbers(table.columns[column].iloc[:_ROWS], table.decimal)
    steps = np.diff(values[np.isfinite(values)])
    step = float(np.median(steps)) if len(steps) else float("nan")
    ending = column.strip().rsplit("_", 1)[-1].lower()
    unit = unit_of(column, table.units) or (ending if ending in ("s", "ms", "us", "ns") and "_" in column else None)
    try:
        factor_to(unit or "", "s", quantity="a clock")
    except ValueError:
        return None, step
    return unit, step


def _load(raw: RawSource, bus: Path | None) -> tuple[RawTable, bool]:
    """Return the columns of a table, and whether its rows carry a stamp beside them (measurement files)."""
    from analyzer.parsers import columnar, delimited, mdf4

    head = raw.head()
    if columnar.recognise(head, raw.base_name) == 1.0:
        return columnar.load(raw, _ROWS), False
    if mdf4.recognise(head, raw.base_name) == 1.0:
        from analyzer.parsers.mdf4_process import fetch

        with raw.local_file() as path:
            fetched = fetch(path, raw.name, bus=bus, wanted=None)
        channels = list(fetched.channels.values())
        if not channels:
            hint = (
                "pass the bus description with --bus, its rows are raw bus frames" if fetched.raw_frames
                else "name another file"
            )
            raise InputError(f"{raw.name} holds no signals: {hint}.")
        return RawTable(raw.name, {c.name: pd.Series(c.values) for c in channels}, max(len(c.values) for c in channels),
                        {c.name: c.unit for c in channels}), True
    if delimited.recognise(head, raw.base_name) > 0.0:
        return delimited.load(raw)[0], False
    raise InputError(
        f"{raw.name} is no table of columns (delimited text, Parquet or a measurement file): only tables need a "
        "column map."
    )


def _guess_all(table: RawTable) -> list[Guess]:
    """Return the best guess for each column that has one."""
    out = []
    for column, cells in table.columns.items():
        best = max((_score(q, column, cells, unit_of(column, table.units), decimal=table.decimal) for q in QUANTITIES),
                   key=lambda g: g.confidence)
        if best.confidence >= 0.3:
            out.append(best)
    return out


def _score(quantity: Quantity, column: str, cells: pd.Series, unit: str | None, *, decimal: str) -> Guess:
    """Return how well a quantity fits a column: name, unit and values each count."""
    none = Guess(column, quantity.name, unit or quantity.unit, 0.0, "")
    named = quantity.match(words_of(column))
    if named == 0.0:
        return none
    why = ["name"]
    score = 0.55 * named
    if quantity.unit and unit:
        try:
            factor_to(unit, quantity.unit, quantity=quantity.name)
        except ValueError:
            return none
        score += 0.25
        why.append("unit")
    elif not quantity.unit:
        score += 0.2
    fit = _range_fit(quantity, cells, unit, decimal)
    if fit == 0.0:
        return none
    score += 0.2 * fit
    if fit == 1.0:
        why.append("values")
    return Guess(column, quantity.name, unit or quantity.unit, round(min(score, 1.0), 2), ", ".join(why))


def _range_fit(quantity: Quantity, cells: pd.Series, unit: str | None, decimal: str) -> float:
    """Return 1 where the values lie in the range of the quantity, 0 where most do not, 0.5 where that is unknown."""
    if quantity.low is None or quantity.high is None:
        return quantity.text_fit(cells)
    some = cells.iloc[:_ROWS]
    if pd.api.types.is_datetime64_any_dtype(some.dtype):
        return 0.0
    values = _as_numbers(some, decimal)
    values = values[np.isfinite(values)]
    if not len(values):
        return 0.5 if cells.isna().all() else 0.0
    factor = factor_to(unit, quantity.unit, quantity=quantity.name) if unit and quantity.unit else 1.0
    inside = np.mean((values * factor >= quantity.low) & (values * factor <= quantity.high))
    return 1.0 if inside > 0.99 else 0.5 if inside > 0.5 else 0.0


def _as_numbers(cells: pd.Series, decimal: str) -> NDArray[np.float64]:
    """Return cells as numbers, NaN where they hold none."""
    if pd.api.types.is_datetime64_any_dtype(cells.dtype):
        return np.full(len(cells), np.nan)
    if not pd.api.types.is_numeric_dtype(cells.dtype):
        text = cells.astype("object").where(cells.notna(), "").astype("str").str.strip()
        cells = pd.to_numeric(text.str.replace(",", ".") if decimal == "," else text, errors="coerce")
    return cells.to_numpy(dtype=np.float64, na_value=np.nan)


def _table_of(guesses: list[Guess]) -> str:
    """Return the table that the columns speak for."""
    names = {g.name for g in guesses}
    if {"latitude_deg", "longitude_deg"} <= names:
        return "fixes"
    sensed = sum(n.startswith(("acceleration_", "rate_")) for n in names)
    # a car's bus carries two accelerations and a yaw rate too; what it has beside them no inertial table can hold
    if sensed >= 3 and (sensed == _AXES or not names & _OF_THE_CAR):
        return "inertial"
    if len({"roll_deg", "pitch_deg"} & names) == 2:
        return "attitude"
    if {"satellite_id", "cn0_dbhz"} <= names:
        return "satellites"
    return "measurement"


def _choose(guesses: list[Guess], table: str) -> tuple[list[Guess], list[Guess]]:
    """Return the guesses that the table can hold, the surest one per quantity, and those left over."""
    from analyzer.parsers.column_map import table_columns

    renamed = {"rate_z_radps": "yaw_rate_radps"} if table in ("measurement", "fixes") else {}
    allowed = table_columns(table)
    best: dict[str, Guess] = {}
    spare = []
    for guess in guesses:
        name = renamed.get(guess.name, guess.name)
        if name.startswith("time:") or name in ("week", "fix_state"):
            continue
        if name not in allowed:
            spare.append(guess)
            continue
        old = best.get(name)
        new = Guess(guess.column, name, guess.unit, guess.confidence, guess.why)
        if old is None or new.confidence > old.confidence:
            spare += [old] if old else []
            best[name] = new
        else:
            spare.append(guess)
    return list(best.values()), spare


def _unknown(table: RawTable, guesses: list[Guess]) -> list[str]:
    known = {g.column for g in guesses}
    return [c for c in table.columns if c not in known]


def _codes(cells: pd.Series) -> list[str]:
    """Return the values of a column of codes, the commonest first."""
    text = cells.dropna().map(lambda v: re.sub(r"\.0$", "", str(v)).strip())
    return [str(v) for v in text.value_counts().index[:12] if str(v)]
