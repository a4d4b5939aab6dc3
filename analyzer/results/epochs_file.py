"""epochs.parquet and segments.parquet: plain Arrow types that any engine reads."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from analyzer import tables

ROWS_PER_GROUP = 200_000
TIME = pa.timestamp("us", tz="UTC")


def write_epochs(epochs: pd.DataFrame, path: Path) -> None:
    """Write the table of `tables.EPOCHS` with ``time_utc`` as a plain first column and ``reasons`` as lists of codes.

    Written in slices, so that the Arrow copy never holds more than one row group.
    """
    units = {c.name: {"unit": c.unit, "meaning": c.meaning} for c in tables.EPOCHS.columns}
    writer: pq.ParquetWriter | None = None
    try:
        for start in range(0, max(len(epochs), 1), ROWS_PER_GROUP):
            table = _arrow(epochs.iloc[start : start + ROWS_PER_GROUP], units)
            if writer is None:
                writer = pq.ParquetWriter(path, table.schema, compression="zstd", compression_level=3)
            writer.write_table(table)
    finally:
        if writer is not None:
            writer.close()


def write_plain(frame: pd.DataFrame, path: Path) -> None:
    """Write a small table without its index; times as UTC microseconds."""
    table = pa.Table.from_pandas(frame, preserve_index=False)
    pq.write_table(table.replace_schema_metadata(None), path, compression="zstd")


def _arrow(epochs: pd.DataFrame, units: dict[str, dict[str, str]]) -> pa.Table:
    arrays: list[pa.Array] = [pa.array(pd.DatetimeIndex(epochs.index).as_unit("us").asi8, type=pa.int64()).cast(TIME)]
    fields = [pa.field("time_utc", TIME, nullable=False, metadata={"unit": "-", "meaning": "time of the epoch, UTC"})]
    for name in epochs.columns:
        array = _reason_lists(epochs[name]) if name == "reasons" else _plain(epochs[name])
        arrays.append(array)
        fields.append(pa.field(str(name), array.type, metadata=units.get(str(name), {"unit": "-"})))
    return pa.Table.from_arrays(arrays, schema=pa.schema(fields))


def _plain(column: pd.Series) -> pa.Array:
    """Return a column as Arrow: categories as dictionary-encoded strings, NaN of floats as null."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        codes = column.cat.codes.to_numpy(np.int32)
        words = pa.array([str(c) for c in column.cat.categories], type=pa.string())
        return pa.DictionaryArray.from_arrays(pa.array(codes, mask=codes < 0), words)
    return pa.array(column, from_pandas=True)


def _reason_lists(column: pd.Series) -> pa.Array:
    """Return a category of joined codes as lists of codes; an epoch without a reason has an empty list."""
    words = [[c for c in str(k).split(",") if c] for k in column.cat.categories] + [[]]
    codes = column.cat.codes.to_numpy(np.int32)
    kinds = pa.array(words, type=pa.list_(pa.string()))
    return kinds.take(pa.array(np.where(codes < 0, len(words) - 1, codes)))
