"""Parquet tables read through column maps."""

from __future__ import annotations

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from analyzer.errors import InputError
from analyzer.parsers.column_map import maps_for
from analyzer.parsers.column_map_apply import RawTable
from analyzer.parsers.column_map_source import mapped_part, no_map
from analyzer.parsers.raw import RawSource, digest
from analyzer.parsers.reader import Reader, ReadOptions, ReadPart

#: Start and end of a file, Apache Parquet format specification, "File format".
MAGIC = b"PAR1"


def recognise(head: bytes, name: str) -> float:
    """Return how much `head` looks like Parquet."""
    return 1.0 if head.startswith(MAGIC) else 0.0


def read(raw: RawSource, options: ReadOptions) -> ReadPart:
    """Read a Parquet table through the column maps that serve it.

    Raises
    ------
    UsageError
        No map serves the file, or a map does not fit it.
    InputError
        The file is cut off or damaged, or its content contradicts the map.
    """
    maps = maps_for(raw.base_name, options.maps)
    if not maps:
        raise no_map(raw)
    return mapped_part(raw, load(raw), maps, options, digest=digest(raw), format_name="parquet", findings=raw.findings)


def load(raw: RawSource, rows: int | None = None) -> RawTable:
    """Return the columns of a Parquet file; `rows` limits it to the first ones.

    Raises
    ------
    InputError
        The file is cut off or damaged.
    """
    with raw.local_file() as path:
        try:
            with pq.ParquetFile(path) as file:
                table = file.read() if rows is None else _first(file, rows)
        except (pa.ArrowException, OSError, ValueError) as error:
            words = str(error).splitlines()[0] if str(error) else type(error).__name__
            raise InputError(
                f"{raw.name} is a Parquet file that cannot be read ({words[:120].rstrip('.')}): it is cut off or "
                "damaged, write it again or copy it from its origin."
            ) from error
    columns = {}
    for name, column in zip(table.column_names, table.columns, strict=True):
        if not pa.types.is_nested(column.type):
            columns[str(name)] = series_of(column)
    return RawTable(raw.name, columns, table.num_rows, _units(table.schema))


def _first(file: pq.ParquetFile, rows: int) -> pa.Table:
    """Return the first rows of a file."""
    batch = next(file.iter_batches(batch_size=rows), None)
    return file.schema_arrow.empty_table() if batch is None else pa.Table.from_batches([batch])


def series_of(column: pa.ChunkedArray) -> pd.Series:
    """Return a column as a Series with moments in microseconds."""
    if pa.types.is_dictionary(column.type):
        column = column.cast(column.type.value_type)
    if pa.types.is_timestamp(column.type):
        column = column.cast(pa.timestamp("us", tz=column.type.tz), safe=False)
    elif pa.types.is_decimal(column.type):
        column = column.cast(pa.float64())
    series: pd.Series = column.to_pandas()
    return series


def _units(schema: pa.Schema) -> dict[str, str]:
    """Return units that fields carry in their metadata under ``unit`` or ``units``."""
    out = {}
    for field in schema:
        for key in (b"unit", b"units"):
            if field.metadata and key in field.metadata:
                out[field.name] = field.metadata[key].decode("utf-8", "replace")
    return out


READER = Reader("parquet", "Parquet table through a column map", recognise, read)
