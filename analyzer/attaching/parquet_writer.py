"""Add quality columns to a Parquet file, row group by row group, values and metadata untouched."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from analyzer.attaching.join import COLUMNS
from analyzer.errors import InputError

Rows = Callable[[int, int], pd.DataFrame]
#: Names of codecs in the file's metadata that the writer calls otherwise.
_CODECS = {"UNCOMPRESSED": "NONE", "LZ4_RAW": "LZ4"}
_TYPES = {"fix_state": pa.dictionary(pa.int8(), pa.string()), "trust": pa.dictionary(pa.int8(), pa.string()),
          "window": pa.dictionary(pa.int16(), pa.string()), "dropout_id": pa.int32(), "satellites_used": pa.float32(),
          "correction_age_s": pa.float64(), "horizontal_bound_m": pa.float32(), "vertical_bound_m": pa.float32()}


def fields(names: Sequence[str]) -> list[pa.Field]:
    """Return the fields of the quality columns called `names`, with unit, meaning and rule in their metadata."""
    out = []
    for (name, unit, meaning, rule), called in zip(COLUMNS, names, strict=True):
        out.append(pa.field(called, _TYPES[name], metadata={"unit": unit, "meaning": meaning, "rule": rule}))
    return out


def write(source: Path, target: Path, rows: Rows, *, names: Sequence[str], metadata: Callable[[str], Mapping[str, str]]) -> str:
    """Write `source` with quality columns to `target`; return the hash of all cells.

    Row groups keep their sizes, columns their codec, the schema its metadata. `metadata` gives, from the hash, what
    stands in the file's key-value metadata.
    """
    with pq.ParquetFile(source, read_dictionary=[]) as file:
        schema = file.schema_arrow
        for field in fields(names):
            schema = schema.append(field)
        digest = CellsDigest(schema)
        with pq.ParquetWriter(target, schema, **_options(file, names)) as writer:
            start = 0
            for group in range(file.metadata.num_row_groups):
                table = file.read_row_group(group)
                for array, field in zip(_arrays(rows(start, start + table.num_rows)), fields(names), strict=True):
                    table = table.append_column(field, array)
                table = table.cast(schema) if table.schema != schema else table
                digest.add(table)
                if table.num_rows:
                    writer.write_table(table, row_group_size=table.num_rows)
                start += table.num_rows
            cells = digest.hexdigest()
            writer.add_key_value_metadata(dict(metadata(cells)))
    return cells


def cells_digest(path: Path) -> str:
    """Return the hash of all cells of a file."""
    with pq.ParquetFile(path) as file:
        digest = CellsDigest(file.schema_arrow)
        for group in range(file.metadata.num_row_groups):
            digest.add(file.read_row_group(group))
        return digest.hexdigest()


def key_values(path: Path) -> dict[str, str]:
    """Return the key-value metadata of a file."""
    with pq.ParquetFile(path) as file:
        found = file.metadata.metadata or {}
    return {k.decode("utf-8", "replace"): v.decode("utf-8", "replace") for k, v in found.items()}


class CellsDigest:
    """SHA-256 of all cells: column by column in the order of the schema.

    Of each column: its name; for fixed-width values the validity of each cell (one byte) and the values (nulls as zero
    bytes), for text and binary the lengths (64-bit, -1 for null) and the bytes, for all others the cells as written by
    Python. Digests of the columns are joined and hashed once more.
    """

    def __init__(self, schema: pa.Schema) -> None:
        self._names = list(schema.names)
        self._parts = [(hashlib.sha256(), hashlib.sha256()) for _ in schema.names]

    def add(self, table: pa.Table) -> None:
        """Add rows."""
        for column, (first, second) in zip(table.columns, self._parts, strict=True):
            for chunk in column.chunks:
                a, b = _cell_bytes(chunk)
                first.update(a)
                second.update(b)

    def hexdigest(self) -> str:
        """Return the digest of all that was added."""
        whole = hashlib.sha256()
        for name, (first, second) in zip(self._names, self._parts, strict=True):
            whole.update(name.encode() + b"\0" + first.digest() + second.digest())
        return whole.hexdigest()


def _cell_bytes(chunk: pa.Array) -> tuple[bytes, bytes]:
    """Return validity or lengths, and values, as bytes."""
    kind = chunk.type
    if pa.types.is_dictionary(kind):
        return _cell_bytes(chunk.dictionary_decode())
    if pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_binary(kind) or pa.types.is_large_binary(kind):
        lengths = pc.binary_length(chunk).cast(pa.int64()).fill_null(-1)
        values = [v if isinstance(v, bytes) else v.encode("utf-8", "surrogatepass") for v in chunk.drop_null().to_pylist()]
        return lengths.to_numpy(zero_copy_only=False).tobytes(), b"".join(values)
    valid = chunk.is_valid().to_numpy(zero_copy_only=False).astype(np.uint8)
    if (pa.types.is_primitive(kind) and kind.bit_width % 8 == 0) or pa.types.is_fixed_size_binary(kind):
        width = kind.bit_width // 8
        buffer = chunk.buffers()[1]
        raw = np.frombuffer(buffer, dtype=np.uint8, count=len(chunk) * width, offset=chunk.offset * width) if buffer else \
            np.zeros(len(chunk) * width, dtype=np.uint8)
        cells = raw.reshape(len(chunk), width).copy()
        cells[valid == 0] = 0
        return valid.tobytes(), cells.tobytes()
    return valid.tobytes(), "".join(f"{v!r}\x1f" for v in chunk.to_pylist()).encode("utf-8", "backslashreplace")


def _arrays(frame: pd.DataFrame) -> Iterator[pa.Array]:
    """Yield the quality columns as Arrow; missing numbers are NaN, missing numbers of dropouts and windows null."""
    for (name, *_), column in zip(COLUMNS, (frame[c] for c in frame.columns), strict=True):
        kind = _TYPES[name]
        if isinstance(column.dtype, pd.CategoricalDtype):
            codes = column.cat.codes.to_numpy(np.int64)
            words = pa.array([str(c) for c in column.cat.categories], type=pa.string())
            index = pa.array(codes, mask=codes < 0, type=pa.int64()).cast(kind.index_type)
            yield pa.DictionaryArray.from_arrays(index, words)
        elif name == "dropout_id":
            yield pa.array(column.to_numpy(dtype=np.float64, na_value=np.nan), from_pandas=True).cast(kind)
        else:
            yield pa.array(column.to_numpy(), type=kind, from_pandas=False)


def _options(file: pq.ParquetFile, names: Sequence[str]) -> dict[str, Any]:
    """Return how the file was written: codecs, encodings, format version, kind of time stamps."""
    found = file.metadata
    codecs: dict[str, str] = {}
    dictionary: list[str] = []
    old_times = False
    for k in range(found.num_columns):
        path = found.schema.column(k).path
        old_times |= found.schema.column(k).physical_type == "INT96"
        column = found.row_group(0).column(k) if found.num_row_groups else None
        codecs[path] = _CODECS.get(column.compression, column.compression) if column is not None else "SNAPPY"
        if column is not None and any("DICTIONARY" in e for e in column.encodings):
            dictionary.append(path)
    usual = max(set(codecs.values()), key=list(codecs.values()).count) if codecs else "SNAPPY"
    codecs |= dict.fromkeys(names, usual)
    dictionary += list(names)
    version = found.format_version if found.format_version in ("1.0", "2.4", "2.6") else "2.6"
    return {"compression": codecs, "use_dictionary": dictionary, "version": version,
            "use_deprecated_int96_timestamps": old_times}


def open_error(path: Path, error: Exception) -> InputError:
    """Return the error for a file that cannot be read."""
    words = str(error).splitlines()[0][:120].rstrip(".") if str(error) else type(error).__name__
    return InputError(f"{path} is a Parquet file that cannot be read ({words}): it is cut off or damaged, copy it again from its "
                      "origin.")
