"""Delimited text (CSV, TSV and their kin) read through column maps."""

from __future__ import annotations

import codecs
import io
import re
from collections.abc import Iterator
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.csv as pa_csv

from analyzer.errors import InputError, UsageError
from analyzer.parsers.column_map import ColumnMap, maps_for
from analyzer.parsers.column_map_apply import RawTable
from analyzer.parsers.column_map_source import mapped_part, no_map
from analyzer.parsers.delimited_dialect import Dialect, detect
from analyzer.parsers.quoted import Joiner
from analyzer.parsers.raw import HEAD, RawSource, Tally
from analyzer.parsers.reader import Reader, ReadOptions, ReadPart
from analyzer.recording import Finding

#: A sentence of a receiver, which is cut by commas too.
_SENTENCE = re.compile(rb"[$!][A-Z]{2}[A-Z]{3},|[$!]P[A-Z]{3,6},")


def recognise(head: bytes, name: str) -> float:
    """Return how much `head` looks like delimited numbers; the name breaks ties only."""
    if b"\x00" in head[:4096] and not head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        zeros = head[:4096].count(0) / min(len(head), 4096)
        if not 0.3 < zeros < 0.6:
            return 0.0
    try:
        text_like = _text_share(head)
        dialect = detect(head, whole=len(head) < HEAD) if text_like > 0.97 else None
    except (LookupError, ValueError):
        return 0.0
    if dialect is None or dialect.rows_seen < 1 or dialect.numeric < 0.3:
        return 0.0
    lines = head.splitlines()[:200]
    if sum(bool(_SENTENCE.search(line)) for line in lines) > 0.2 * len(lines):
        return 0.0
    named = 0.05 if name.lower().endswith((".csv", ".tsv", ".txt", ".dat")) else 0.0
    return min(0.9, 0.9 * dialect.regular * min(1.0, dialect.numeric + 0.2)) + named


def read(raw: RawSource, options: ReadOptions) -> ReadPart:
    """Read a delimited text through the column maps that serve it.

    Raises
    ------
    UsageError
        No map serves the file, or a map does not fit it.
    InputError
        The text is no table, or its content contradicts the map.
    """
    maps = maps_for(raw.base_name, options.maps)
    if not maps:
        raise no_map(raw)
    table, digest, findings = load(raw, maps[0])
    return mapped_part(raw, table, maps, options, digest=digest, format_name="delimited", findings=findings)


def load(raw: RawSource, used: ColumnMap | None = None) -> tuple[RawTable, tuple[str, int], list[Finding]]:
    """Return all columns of the text, the digest and size of its bytes, and findings."""
    head = raw.head()
    try:
        dialect = detect(head, used, whole=len(head) < HEAD)
    except LookupError as error:
        raise UsageError(f"column map {used.name if used else ''}: the encoding '{used.encoding if used else ''}' is "
                         "unknown; use a name such as utf-8, utf-16 or latin-1.") from error
    if dialect is None:
        raise InputError(
            f"{raw.name} holds no rows of delimited values: name delimiter and header_row in the column map, "
            "or pass another file."
        )
    tally = Tally(raw.blocks())
    lost: list[int] = []
    frame = _parse(_Text(iter(tally), dialect), dialect, lost, raw.name)
    findings = list(raw.findings)
    if lost:
        findings.append(
            Finding(
                "ragged_rows",
                "warning",
                f"{raw.name}: rows with another number of columns than the {len(dialect.names)} of the header:"
                f" {len(lost)} (first: line {lost[0]}); they were set aside: check the delimiter and the end of the"
                " file.",
                {"source": raw.name, "count": len(lost), "line": lost[0]},
            )
        )
    units = dict(zip(dialect.names, dialect.units, strict=False)) if dialect.units else {}
    table = RawTable(raw.name, {str(n): frame[n] for n in frame.columns}, len(frame), units, dialect.decimal,
                     dialect.data_row, len(lost))
    return table, (tally.sha256, tally.size), findings


def _parse(text: _Text, dialect: Dialect, lost: list[int], name: str) -> pd.DataFrame:
    """Return the cells as columns, numbers where a whole column is numbers, else text."""
    def on_ragged(row: Any) -> str:
        if not (dialect.comment and str(row.text).startswith(dialect.comment)) and str(row.text).strip():
            lost.append(dialect.data_row + (text.line_of(row.number - 1) if row.number is not None else len(lost)))
        return "skip"

    try:
        table = pa_csv.read_csv(
            pa.PythonFile(text, mode="r"),
            read_options=pa_csv.ReadOptions(column_names=list(dialect.names), use_threads=False, block_size=8 << 20),
            parse_options=pa_csv.ParseOptions(delimiter="\t" if dialect.delimiter == " " else dialect.delimiter,
                                              invalid_row_handler=on_ragged, newlines_in_values=False),
            convert_options=pa_csv.ConvertOptions(
                decimal_point=dialect.decimal, strings_can_be_null=True, null_values=["", "NaN", "nan", "NA", "null"],
                check_utf8=False),
        )
    except pa.ArrowInvalid as error:
        if "Empty CSV" in str(error):
            return pd.DataFrame({n: pd.Series(dtype="float64") for n in dialect.names})
        raise InputError(
            f"{name} cannot be read as delimited text ({str(error).splitlines()[0]}): check delimiter, quotes "
            "and encoding in the column map."
        ) from error
    return pd.DataFrame({n: _series(table.column(n)) for n in dialect.names})


def _series(column: pa.ChunkedArray) -> pd.Series:
    """Return a column as a Series; text stays text, bytes that are no UTF-8 are replaced."""
    if pa.types.is_binary(column.type):
        return pd.Series(
            [None if v is None else v.decode("utf-8", "replace") for v in column.to_pylist()], dtype="object"
        )
    if pa.types.is_date(column.type) or pa.types.is_time(column.type):
        return pd.Series(column.cast(pa.string()).to_pandas())
    if pa.types.is_timestamp(column.type):
        column = column.cast(pa.timestamp("us", tz=column.type.tz), safe=False)
    series: pd.Series = column.to_pandas()
    return series


class _Text(io.RawIOBase):
    """The rows of a text as UTF-8 bytes from the first data row on, comments and double spaces taken out."""

    def __init__(self, blocks: Iterator[bytes], dialect: Dialect) -> None:
        self._joiner = Joiner(dialect.delimiter, dialect.comment) if dialect.delimiter != " " else None
        self._lines = _rows(blocks, dialect, self._joiner)
        self._held = b""

    def readable(self) -> bool:
        """Whether it can be read."""
        return True

    def line_of(self, row: int) -> int:
        """Return how many lines a row stands behind the first one, both counted from 0."""
        return row + sum(breaks for at, breaks in self._joiner.joined if at < row) if self._joiner else row

    def read(self, size: int | None = -1) -> bytes:
        """Return up to `size` bytes; empty at the end."""
        while size is None or size < 0 or len(self._held) < size:
            more = next(self._lines, None)
            if more is None:
                break
            self._held += more
        end = len(self._held) if size is None or size < 0 else size
        out, self._held = self._held[:end], self._held[end:]
        return out


def _rows(blocks: Iterator[bytes], dialect: Dialect, joiner: Joiner | None) -> Iterator[bytes]:
    """Yield UTF-8 pieces of whole rows behind the header, each row in one line."""
    decoder = io.IncrementalNewlineDecoder(codecs.getincrementaldecoder(dialect.encoding)("replace"), translate=True)
    kept, skip = "", dialect.data_row - 1
    for block in _with_end(blocks):
        kept += decoder.decode(block, final=not block)
        if skip:
            lines = kept.split("\n", skip)
            if len(lines) <= skip and block:
                continue
            kept, skip = (lines[skip] if len(lines) > skip else ""), 0
        cut = kept.rfind("\n") + 1 if block else len(kept)
        piece, kept = kept[:cut], kept[cut:]
        if joiner:
            piece = joiner.of(piece, last=not block)
        if piece:
            yield _clean(piece, dialect).encode("utf-8", "replace")


def _with_end(blocks: Iterator[bytes]) -> Iterator[bytes]:
    """Yield blocks and, as the end, an empty one."""
    yield from (block for block in blocks if block)
    yield b""


def _clean(piece: str, dialect: Dialect) -> str:
    """Return lines without comments; runs of blanks become one tab where blanks delimit."""
    if dialect.comment is None and dialect.delimiter != " ":
        return piece
    lines = [line for line in piece.splitlines() if not (dialect.comment and line.startswith(dialect.comment))]
    if dialect.delimiter == " ":
        lines = ["\t".join(line.split()) for line in lines]
    return "".join(line + "\n" for line in lines)


def _text_share(head: bytes) -> float:
    """Return the share of bytes that text holds."""
    if not head:
        return 0.0
    control = sum(head.count(bytes([b])) for b in range(32) if b not in (0, 9, 10, 11, 12, 13))
    return 1.0 - control / len(head)


READER = Reader("delimited", "Delimited text (CSV, TSV) through a column map", recognise, read)
