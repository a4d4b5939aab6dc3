"""Tables of a result as CSV or Parquet: units in the names, times in UTC, written batch by batch."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

from analyzer.errors import InputError, UsageError
from analyzer.results.load import TABLE_NAMES, LoadedResult

TABLES = ("epochs", *TABLE_NAMES)
_BATCH = 100_000


def write_csv(result: LoadedResult, table: str, path: Path) -> None:
    """Write a table as CSV: header, UTF-8, times as ISO 8601 UTC with Z, missing as empty.

    Raises
    ------
    UsageError : no such table.
    InputError : the result is damaged.
    """
    options = pacsv.WriteOptions(quoting_style="needed")
    _stream(map(_plain, _batches(result, table)), lambda schema: pacsv.CSVWriter(path, schema, write_options=options))


def write_parquet(result: LoadedResult, table: str, path: Path) -> None:
    """Write a table as Parquet with plain types; the unit of each column also stands in its metadata.

    Raises
    ------
    UsageError : no such table.
    InputError : the result is damaged.
    """
    _stream(_batches(result, table), lambda schema: pq.ParquetWriter(path, schema, compression="zstd"))


def _stream(batches: Iterable[pa.Table], opened: Callable[[pa.Schema], Any]) -> None:
    """Write `batches` one by one; `opened` makes the writer from the schema of the first."""
    writer: Any = None
    try:
        for batch in batches:
            if writer is None:
                writer = opened(batch.schema)
            writer.write_table(batch)
    finally:
        if writer is not None:
            writer.close()


def _batches(result: LoadedResult, table: str) -> Iterator[pa.Table]:
    """Yield the rows of a table, lists of codes as one text; at least one batch, so that a header is always written."""
    if table not in TABLES:
        raise UsageError(f"--table {table}: a result holds {', '.join(TABLES)}; name one of them.")
    if table != "epochs":
        yield pa.Table.from_pandas(result.table(table), preserve_index=False).replace_schema_metadata(None)
        return
    path = result.folder / "epochs.parquet"
    try:
        with pq.ParquetFile(path) as file:
            yield _joined(file.schema_arrow.empty_table())
            for batch in file.iter_batches(batch_size=_BATCH):
                yield _joined(pa.Table.from_batches([batch]))
    except (pa.ArrowException, OSError) as error:
        words = (str(error).splitlines() or [""])[0][:120].rstrip(".")
        raise InputError(f"{path}: it cannot be read ({words}); run 'postdrive assess' again.") from error


def _joined(table: pa.Table) -> pa.Table:
    """Return `table` with lists of codes as one text, a comma between codes, and with dictionaries as plain text."""
    for at, field in enumerate(table.schema):
        column = table.column(at)
        if pa.types.is_list(field.type):
            column = pc.binary_join(column, ",")
        elif pa.types.is_dictionary(field.type):
            column = column.cast(pa.string())
        table = table.set_column(at, pa.field(field.name, column.type, metadata=field.metadata), column)
    return table


def _plain(table: pa.Table) -> pa.Table:
    """Return `table` with times as ISO 8601 text and whole-number columns as such."""
    for at, field in enumerate(table.schema):
        if pa.types.is_timestamp(field.type):
            text = pc.strftime(table.column(at), format="%Y-%m-%dT%H:%M:%SZ")
            table = table.set_column(at, field.name, text)
    return table
