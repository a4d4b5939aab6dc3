"""The used columns of a delimited text, one entry per row of the file, read block by block."""

from __future__ import annotations

import codecs
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv

from analyzer.attaching.csv_lines import Kind, Layout, Line, layout_of, lines_of
from analyzer.errors import InputError, UsageError
from analyzer.parsers.column_map import ColumnMap
from analyzer.parsers.column_map_apply import RawTable
from analyzer.parsers.delimited_dialect import Dialect, detect
from analyzer.parsers.raw import HEAD, RawSource

ROWS = 100_000
_MISSING = ("", "NaN", "nan", "NA", "null")


def layout(raw: RawSource, used: ColumnMap | None) -> Layout:
    """Return how the text is cut.

    Raises
    ------
    InputError : it is no delimited text.
    UsageError : the column map names an encoding that is not known.
    """
    head = raw.head()
    try:
        dialect = _marked(head, used) or detect(head, used, whole=len(head) < HEAD)
        if dialect is not None:
            return layout_of(dialect, head)
    except LookupError as error:
        raise UsageError(f"{raw.name}: the column map names an encoding that is not known; use utf-8, utf-16 or latin-1.") from error
    raise InputError(f"{raw.name} holds no rows of delimited values: name delimiter and header_row in the column map, or pass "
                     "another file.")


def _marked(head: bytes, used: ColumnMap | None) -> Dialect | None:
    """Return the dialect of a text whose first line tells a spreadsheet its delimiter (``sep=;``), or None."""
    first, feed, rest = head.removeprefix(codecs.BOM_UTF8).partition(b"\n")
    if not feed or not first.lower().startswith(b"sep=") or (used is not None and used.header_row is not None):
        return None
    found = detect(rest, used, whole=len(head) < HEAD)
    if found is None:
        return None
    return replace(found, header_row=found.header_row and found.header_row + 1, unit_row=found.unit_row and found.unit_row + 1,
                   data_row=found.data_row + 1)


def read_columns(raw: RawSource, cut: Layout, wanted: Sequence[str]) -> RawTable:
    """Return the columns `wanted` with one entry for each data row, missing in rows with another number of cells.

    Raises
    ------
    UsageError : a column is not there.
    InputError : the text cannot be read.
    """
    names = cut.dialect.names
    lacking = [c for c in wanted if c not in names]
    if lacking:
        raise UsageError(f"{raw.name} has no column '{lacking[0]}'; it has {', '.join(names[:12])}.")
    parts: dict[str, list[pa.Array]] = {c: [] for c in wanted}
    count = 0
    for rows in _row_blocks(lines_of(raw.blocks(), cut, raw.name), cut):
        columns = _parse(rows, cut, wanted, raw.name)
        for name in wanted:
            parts[name].append(_compact(columns[name], cut.dialect.decimal))
        count += len(rows)
    units = dict(zip(names, cut.dialect.units, strict=False)) if cut.dialect.units else {}
    columns = {name: _series(pieces) for name, pieces in parts.items()}
    return RawTable(raw.name, columns, count, units, cut.dialect.decimal, cut.dialect.data_row)


def _row_blocks(lines: Iterator[Line], cut: Layout) -> Iterator[list[bytes | None]]:
    """Yield lists of rows; None for a row with another number of cells."""
    rows: list[bytes | None] = []
    held = b""
    for line in lines:
        if line.kind is Kind.PART:
            held += line.body + cut.encode(" ")
        elif line.kind in (Kind.DATA, Kind.RAGGED):
            rows.append(held + line.body if line.kind is Kind.DATA else None)
            held = b""
            if len(rows) >= ROWS:
                yield rows
                rows = []
    if rows:
        yield rows


def _parse(rows: list[bytes | None], cut: Layout, wanted: Sequence[str], name: str) -> dict[str, pa.Array]:
    """Return the cells of whole rows as text, null for the others."""
    good = np.array([r is not None for r in rows], dtype=bool)
    if not good.any() or not wanted:
        return {c: pa.nulls(len(rows), pa.string()) for c in wanted}
    data = b"\n".join(r for r in rows if r is not None) if not cut.wide else cut.encode("\n").join(r for r in rows if r is not None)
    delimiter = cut.dialect.delimiter
    if delimiter == " ":
        data = "\n".join("\t".join(t.split()) for t in cut.decode(data).split("\n")).encode()
    elif cut.encoding.lower() not in ("utf-8", "ascii"):
        data = cut.decode(data).encode()
    try:
        table = pa_csv.read_csv(
            pa.BufferReader(data + b"\n"),
            read_options=pa_csv.ReadOptions(column_names=list(cut.dialect.names), use_threads=False,
                                            block_size=max(len(data) + 64, 1 << 20)),
            parse_options=pa_csv.ParseOptions(delimiter="\t" if delimiter == " " else delimiter, ignore_empty_lines=False),
            convert_options=pa_csv.ConvertOptions(include_columns=list(wanted), column_types={c: pa.binary() for c in wanted},
                                                  check_utf8=False),
        )
    except pa.ArrowInvalid as error:
        raise InputError(f"{name} cannot be read as delimited text ({str(error).splitlines()[0][:120]}): check delimiter, quotes "
                         "and encoding in the column map.") from error
    if table.num_rows != int(good.sum()):
        raise InputError(f"{name}: its rows cannot be told apart (quotes inside cells?); write it without line breaks in cells.")
    place = pa.array(np.cumsum(good) - 1, mask=~good)
    return {c: _text(table.column(c)).take(place) for c in wanted}


def _text(column: pa.ChunkedArray) -> pa.Array:
    """Return bytes as text; what is no UTF-8 is replaced."""
    array = column.combine_chunks()
    array = array.chunk(0) if isinstance(array, pa.ChunkedArray) else array
    try:
        return array.cast(pa.string())
    except pa.ArrowInvalid:
        return pa.array([None if v is None else v.decode("utf-8", "replace") for v in array.to_pylist()], type=pa.string())


def _compact(text: pa.Array, decimal: str) -> pa.Array:
    """Return text as numbers where all of it is numbers, which takes less room."""
    plain = pc.utf8_trim_whitespace(text)
    if decimal == ",":
        plain = pc.replace_substring(plain, ",", ".")
    try:
        return pc.cast(pc.if_else(pc.is_in(plain, pa.array(_MISSING)), None, plain), pa.float64())
    except pa.ArrowInvalid:
        return text


def _series(pieces: list[pa.Array]) -> pd.Series:
    """Return a column: numbers where every block was, else text."""
    if pieces and all(pa.types.is_floating(p.type) for p in pieces):
        return pd.Series(np.concatenate([p.to_numpy(zero_copy_only=False) for p in pieces]))
    words: list[object] = []
    for piece in pieces:
        values = piece.to_pylist()
        words += [None if v is None else repr(v) for v in values] if pa.types.is_floating(piece.type) else values
    return pd.Series(words, dtype="object")
