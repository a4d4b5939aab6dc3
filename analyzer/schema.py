"""What a table schema is: columns with dtype, unit and meaning, and how a frame is brought to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

TIME_DTYPE = "datetime64[us, UTC]"


@dataclass(frozen=True)
class Column:
    """One column: its name, pandas dtype, unit (``-`` for none) and meaning."""

    name: str
    dtype: str
    unit: str
    meaning: str


@dataclass(frozen=True)
class Table:
    """A table schema."""

    name: str
    columns: tuple[Column, ...]
    timed: bool = True

    @property
    def names(self) -> tuple[str, ...]:
        """Column names in order."""
        return tuple(c.name for c in self.columns)

    def empty(self) -> pd.DataFrame:
        """Return a table of this schema without rows."""
        return self.conform(pd.DataFrame(index=pd.DatetimeIndex([], dtype=TIME_DTYPE) if self.timed else None))

    def conform(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Return `frame` with every column of the schema, in order and type; further columns follow unchanged."""
        rows = len(frame.index)
        columns = {
            c.name: frame[c.name].astype(c.dtype)  # type: ignore[call-overload]
            if c.name in frame
            else pd.Series(_missing(c.dtype, rows), index=frame.index)
            for c in self.columns
        }
        extra = {n: frame[n] for n in frame.columns if n not in columns}
        out = pd.DataFrame({**columns, **extra}, index=frame.index, copy=False)
        if self.timed:
            out.index = pd.DatetimeIndex(out.index).astype(TIME_DTYPE)
            out.index.name = "time_utc"
        return out


def _missing(dtype: str, rows: int) -> object:
    """Return `rows` missing values of `dtype`."""
    if dtype.startswith("float"):
        return np.full(rows, np.nan, dtype=dtype)
    if dtype == "bool":
        return np.zeros(rows, dtype=bool)
    if dtype.startswith("int"):
        return np.full(rows, -1, dtype=dtype)
    if dtype == "category":
        return pd.Categorical([None] * rows)
    return pd.array([None] * rows, dtype=dtype)  # type: ignore[call-overload]


def columns(text: str) -> tuple[Column, ...]:
    """Read columns from lines ``name | dtype | unit | meaning``."""
    rows = [[part.strip() for part in line.split("|")] for line in text.splitlines() if line.strip()]
    return tuple(Column(*row) for row in rows)
