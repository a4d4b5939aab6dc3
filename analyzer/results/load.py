"""Read a result folder back (DEVELOPERS.md, Result folder): lazily, one table or some columns at a time."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from analyzer import tables
from analyzer.errors import InputError, UsageError

SCHEMA_VERSIONS = (1,)
#: Columns of the CSV tables that are no plain numbers or text, by pandas dtype; every ``*_utc`` column is a time.
_DTYPES = {"dropout_id": "Int64", "standstill_id": "Int64", "segment_id": "Int64", "n": "Int64"}
_BOOLEAN = frozenset({"repeat"})
_TRUTH = {"True": True, "False": False}
_TEXT = frozenset(
    {
        "name",
        "kind",
        "cause",
        "fix_state",
        "from_state",
        "to_state",
        "decision",
        "evidence",
        "advice",
        "verdict",
        "reason",
        "accepted_by",
        "accepted_reason",
        "check_point",
    }
)
CSV_TABLES = ("dropouts", "standstills", "jumps", "windows")
TABLE_NAMES = (*CSV_TABLES, "segments")


@dataclass(frozen=True)
class LoadedResult:
    """A complete result folder; tables are read when they are asked for."""

    folder: Path
    summary: Mapping[str, Any]

    @property
    def run(self) -> str:
        """Name of the run."""
        return str(self.summary["run"])

    @property
    def epoch_columns(self) -> tuple[str, ...]:
        """Columns of epochs.parquet, ``time_utc`` included."""
        return tuple(str(name) for name in _opened(self.folder / "epochs.parquet").names)

    def epochs(self, columns: Sequence[str] | None = None) -> pd.DataFrame:
        """Return epochs.parquet with index ``time_utc``.

        Parameters
        ----------
        columns : columns to read beside the time; default all. Those of `analyzer.tables.EPOCHS` come with its dtypes,
            ``reasons`` as a category of codes joined by commas.

        Raises
        ------
        UsageError : a column is not there.
        InputError : the file is missing or damaged.
        """
        path = self.folder / "epochs.parquet"
        known = self.epoch_columns
        wanted = [c for c in known if c != "time_utc"] if columns is None else list(columns)
        lacking = [c for c in wanted if c not in known]
        if lacking:
            raise UsageError(f"{path}: it has no column {', '.join(lacking)}; it has {', '.join(known)}.")
        table = _read_parquet(path, ["time_utc", *(c for c in wanted if c != "time_utc")])
        index = pd.DatetimeIndex(pd.DatetimeIndex(table.column("time_utc").to_pandas()).astype(tables.TIME_DTYPE))
        index.name = "time_utc"
        columns_read = {name: _series(table.column(name), name, index) for name in wanted if name != "time_utc"}
        return pd.DataFrame(columns_read, index=index)

    def table(self, name: str) -> pd.DataFrame:
        """Return one of ``dropouts standstills jumps windows segments`` with times as UTC and numbers as numbers.

        Raises
        ------
        UsageError : no such table.
        InputError : the file is missing or damaged.
        """
        if name not in TABLE_NAMES:
            raise UsageError(f"a result holds no table '{name}': use one of {', '.join(TABLE_NAMES)}.")
        if name == "segments":
            frame: pd.DataFrame = _read_parquet(self.folder / "segments.parquet", None).to_pandas()
            return _typed(frame)
        path = self.folder / f"{name}.csv"
        try:
            return _typed(pd.read_csv(path, dtype=object, keep_default_na=False, encoding="utf-8"))
        except (OSError, ValueError) as error:
            raise _damaged(path, error) from error


def load_result(folder: str | Path) -> LoadedResult:
    """Return the result in `folder`.

    Raises
    ------
    InputError : the folder is missing, incomplete (no summary.json), damaged, or of a newer layout.
    """
    place = Path(folder)
    path = place / "summary.json"
    if not place.is_dir():
        raise InputError(
            f"result {place}: there is no such folder; pass a folder that 'postdrive assess --out' has written."
        )
    if not path.is_file():
        raise InputError(
            f"result {place}: summary.json, which marks a complete result, is not in it; run 'postdrive assess' again, "
            "or pass another folder."
        )
    try:
        summary = json.loads(path.read_text(encoding="utf-8"))
        version = summary["schema_version"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise _damaged(path, error) from error
    if version not in SCHEMA_VERSIONS:
        raise InputError(
            f"{path}: its layout is version {version}, expected {SCHEMA_VERSIONS[-1]}; use the version of postdrive that wrote it."
        )
    if not (place / "epochs.parquet").is_file():
        raise InputError(f"result {place}: epochs.parquet is not in it; run 'postdrive assess' again.")
    return LoadedResult(place, summary)


def _opened(path: Path) -> pa.Schema:
    try:
        return pq.read_schema(path)
    except (pa.ArrowException, OSError) as error:
        raise _damaged(path, error) from error


def _read_parquet(path: Path, columns: list[str] | None) -> pa.Table:
    try:
        # The file itself, so that no folder above it is taken for a partition.
        with pq.ParquetFile(path) as file:
            return file.read(columns=columns)
    except (pa.ArrowException, OSError) as error:
        raise _damaged(path, error) from error


def _series(column: pa.ChunkedArray, name: str, index: pd.DatetimeIndex) -> pd.Series:
    """Return a column of epochs.parquet with the dtype of `tables.EPOCHS`."""
    if pa.types.is_list(column.type):
        return pd.Series(_joined_codes(column), index=index, name=name)
    values = column.to_pandas()
    dtype = next((c.dtype for c in tables.EPOCHS.columns if c.name == name), None)
    if dtype is not None and dtype != "category" and str(values.dtype) != dtype:
        values = _as(values, dtype)
    elif dtype == "category" and not isinstance(values.dtype, pd.CategoricalDtype):
        values = values.astype("category")
    return pd.Series(values.array, index=index, name=name)


def _joined_codes(column: pa.ChunkedArray) -> pd.Categorical:
    """Return lists of codes as a category of codes joined by commas; no code is missing, as in an assessment."""
    joined = pc.binary_join(column, ",")
    encoded = pc.dictionary_encode(joined).unify_dictionaries().combine_chunks()
    if isinstance(encoded, pa.ChunkedArray):
        encoded = encoded.chunk(0) if encoded.num_chunks else pa.array([], pa.string()).dictionary_encode()
    words = [str(w) for w in encoded.dictionary.to_pylist()]
    codes = np.asarray(encoded.indices.fill_null(-1).to_numpy(zero_copy_only=False)).astype(np.int64)
    kept = [w for w in words if w]
    place = np.array([kept.index(w) if w else -1 for w in words] + [-1], dtype=np.int64)
    return pd.Categorical.from_codes(place[codes], categories=pd.Index(kept, dtype="object"))


def _typed(frame: pd.DataFrame) -> pd.DataFrame:
    """Return `frame` with times, numbers, truth values and text as such; missing is NaT, NaN, NA or the empty text."""
    return pd.DataFrame({str(n): _typed_column(str(n), frame[n]) for n in frame.columns}, index=frame.index)


def _typed_column(name: str, column: pd.Series) -> pd.Series:
    if name.endswith("_utc"):
        filled = column.where(column != "", None) if column.dtype == object else column
        return _as(pd.to_datetime(filled, utc=True, format="ISO8601"), tables.TIME_DTYPE)
    if name in _TEXT:
        return column.astype("object").where(column.notna(), "").astype("str")
    if column.dtype != object:
        return _as(column, _DTYPES.get(name, str(column.dtype)))
    given = set(column.unique()) - {""}
    if name in _BOOLEAN or (given and given <= set(_TRUTH)):
        return column.map(_TRUTH).astype("boolean")
    try:
        numbers = pd.to_numeric(column.where(column != "", None))
    except ValueError:
        if name in _DTYPES:
            raise
        return _as(column, "str")
    return _as(numbers, _DTYPES.get(name, "float64"))


def _as(column: pd.Series, dtype: str) -> pd.Series:
    wanted: Any = dtype
    out: pd.Series = column.astype(wanted)
    return out


def _damaged(path: Path, error: Exception) -> InputError:
    words = (str(error).splitlines() or [""])[0][:120].rstrip(".") or type(error).__name__
    return InputError(
        f"{path}: it cannot be read ({words}); the result is incomplete or damaged, run 'postdrive assess' again."
    )
