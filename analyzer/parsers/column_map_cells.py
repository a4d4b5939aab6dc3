"""Cells of one column as numbers, with an account of those that are none."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.errors import InputError
from analyzer.parsers.column_map_units import is_unit
from analyzer.recording import Case
from analyzer.settings import thresholds

_LIMITS = thresholds("analyzer.parsers", "thresholds_sources.toml")
_MISSING = {"", "nan", "null", "none", "na", "n/a", "-", "--", "inf", "-inf", "<na>"}
_WITH_UNIT = re.compile(r"^([+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?)\s*([^\d\s.,+-].*)$")
#: Examples kept of cells that could not be read.
CASES = 5


@dataclass(frozen=True)
class Cells:
    """Numbers of a column: `bad` marks cells that hold text; `unit` is the unit the cells carry, if all carry one."""

    values: NDArray[np.float64]
    bad: NDArray[np.bool_]
    unit: str | None = None

    def cases(self, raw: pd.Series, first_row: int) -> tuple[Case, ...]:
        """Return the first bad cells as examples; rows count from `first_row`."""
        at = np.flatnonzero(self.bad)[:CASES]
        return tuple(Case(int(i) + first_row, int(i) + first_row + 1, str(raw.iloc[i])[:80]) for i in at)


def numbers(raw: pd.Series, *, column: str, name: str, decimal: str = ".", missing: tuple[str, ...] = (),
            first_row: int = 1) -> Cells:
    """Return the numbers of a column.

    Parameters
    ----------
    raw : Series
        Cells as read: numbers or text.
    column, name : str
        What errors call the column and the file.
    decimal : str
        Decimal sign of text cells.
    missing : tuple of str
        Cell texts that mean missing, beside the empty cell.
    first_row : int
        Row number of the first cell in messages.

    Raises
    ------
    InputError
        Most cells are text (the wrong column), or cells carry different units.
    """
    if pd.api.types.is_bool_dtype(raw.dtype) or pd.api.types.is_numeric_dtype(raw.dtype):
        values: NDArray[np.float64] = np.array(raw.astype("Float64").to_numpy(dtype=np.float64, na_value=np.nan),
                                               dtype=np.float64)
        for mark in missing:
            number = _as_number(mark)
            if number is not None:
                values[values == number] = np.nan
        values[~np.isfinite(values)] = np.nan
        return Cells(values, np.zeros(len(values), dtype=bool))
    text = raw.astype("object").where(raw.notna(), "").astype("str").str.strip()
    gone = text.str.lower().isin(_MISSING | {m.lower() for m in missing}).to_numpy(dtype=bool)
    plain = text.str.replace(",", ".", regex=False) if decimal == "," else text
    values = _floats(plain.where(~gone, None))
    bad = np.isnan(values) & ~gone
    unit = None
    if bad.any():
        unit = _carried_unit(text, bad, values, column=column, name=name, first_row=first_row)
    _refuse_text(text, bad, gone, column=column, name=name)
    return Cells(values, bad, unit)


def _floats(text: pd.Series) -> NDArray[np.float64]:
    """Return text as floats, NaN where it is no finite number."""
    values: NDArray[np.float64] = np.array(pd.to_numeric(text, errors="coerce"), dtype=np.float64)
    values[~np.isfinite(values)] = np.nan
    return values


def _as_number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _carried_unit(text: pd.Series, bad: NDArray[np.bool_], values: NDArray[np.float64], *, column: str, name: str,
                  first_row: int) -> str | None:
    """Fill in cells such as ``12.3 km/h`` and return their unit; refuse a mixture."""
    found: dict[str, int] = {}
    taken: dict[int, float] = {}
    for i in np.flatnonzero(bad).tolist():
        match = _WITH_UNIT.match(text.iloc[i])
        if match and is_unit(match.group(2)):
            found.setdefault(match.group(2), i)
            taken[i] = float(match.group(1).replace(",", "."))
    # a damaged cell can look like a number with a unit; a unit is written in more than single cells
    if len(taken) <= _LIMITS["table.share_out_of_order"] * len(text):
        return None
    values[list(taken)], bad[list(taken)] = list(taken.values()), False
    carried = np.isfinite(values) & text.str.contains("|".join(map(re.escape, found)), regex=True).to_numpy(dtype=bool)
    bare = np.flatnonzero(np.isfinite(values) & ~carried)
    if len(found) > 1 or len(bare):
        seen = [f"'{unit}' in row {at + first_row}" for unit, at in found.items()]
        seen += [f"none in row {bare[0] + first_row}"] if len(bare) else []
        raise InputError(f"{name}: column '{column}' mixes units ({', '.join(seen[:4])}): export it again in one unit.")
    return next(iter(found))


def _refuse_text(text: pd.Series, bad: NDArray[np.bool_], gone: NDArray[np.bool_], *, column: str, name: str) -> None:
    """Raise where a column is text rather than numbers with damage."""
    filled = int((~gone).sum())
    if filled and bad.sum() > _LIMITS["table.share_not_numeric"] * filled:
        shown = text.iloc[int(np.flatnonzero(bad)[0])][:40]
        raise InputError(
            f"{name}: column '{column}' is no column of numbers ({int(bad.sum())} of {filled} cells are text "
            f"such as '{shown}'): name another column in the column map."
        )
