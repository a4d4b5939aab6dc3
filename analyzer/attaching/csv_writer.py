"""Add quality to a delimited text: every line begins with its original bytes, and the cells are written as the file's own."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np
import pandas as pd

from analyzer.attaching.csv_lines import Kind, Layout, Line, lines_of
from analyzer.attaching.join import COLUMNS
from analyzer.parsers.delimited_dialect import split
from analyzer.parsers.raw import RawSource
from analyzer.settings import thresholds

#: Digits after the point.
DIGITS = {"correction_age_s": 3, "horizontal_bound_m": 4, "vertical_bound_m": 4}
MEANING = {name: meaning for name, _, meaning, _ in COLUMNS}
UNITS = {name: unit for name, unit, _, _ in COLUMNS}
#: ``rows(start, stop)`` gives the quality of these rows of the measurement.
Rows = Callable[[int, int], pd.DataFrame]


@dataclass(frozen=True)
class Style:
    """How the file writes cells: which of them it quotes, its word for missing, and the unit of what has none."""

    quote_names: bool = False
    quote_text: bool = False
    quote_numbers: bool = False
    missing: str = ""
    no_unit: str = ""


def style_of(raw: RawSource, cut: Layout) -> Style:
    """Return the style that the first lines of the file show."""
    dialect = cut.dialect
    header = units = False
    text_cells: list[bool] = []
    number_cells: list[bool] = []
    no_unit = ""
    for line in _first_lines(raw, cut):
        cells = _as_written(cut.decode(line.body), dialect.delimiter)
        quoted = [c.startswith('"') and c.endswith('"') and len(c) > 1 for c in cells]
        if line.kind is Kind.HEADER:
            header = bool(cells) and all(q for q, c in zip(quoted, cells, strict=True) if c)
        elif line.kind is Kind.UNITS:
            units = any(c.strip('"') == "-" for c in cells)
            no_unit = "-" if units else ""
        elif line.kind is Kind.DATA:
            for cell, is_quoted in zip(cells, quoted, strict=True):
                if cell:
                    (number_cells if _is_number(cell.strip('"')) else text_cells).append(is_quoted)
    missing = "NaN" if dialect.delimiter == " " else ""
    return Style(header, bool(text_cells) and all(text_cells), bool(number_cells) and all(number_cells), missing, no_unit)


def write(raw: RawSource, cut: Layout, rows: Rows, target: BinaryIO, *, names: Sequence[str]) -> str:
    """Write `raw` with quality behind each row into `target`; return the hash of all cells.

    The hash is SHA-256 over the data lines as written, without their line ends, each followed by one line feed, in the
    order of the file.
    """
    style = style_of(raw, cut)
    cells = _Cells(cut, style, rows)
    digest = hashlib.sha256()
    pieces: list[bytes] = []
    for line in lines_of(raw.blocks(), cut, raw.name):
        if line.kind in (Kind.DATA, Kind.RAGGED):
            body = line.body + cells.of_next(line)
            digest.update(body + b"\n")
        elif line.kind in (Kind.BLANK, Kind.MARK, Kind.OPEN):
            body = line.body
        elif line.kind is Kind.PART:
            body = line.body
            digest.update(body + b"\n")
        else:
            body = line.body + _head_cells(line.kind, cut, style, names)
        pieces.append(body + line.end)
        if len(pieces) >= 20_000:
            target.write(b"".join(pieces))
            pieces = []
    target.write(b"".join(pieces))
    return digest.hexdigest()


def cells_digest(raw: RawSource, cut: Layout) -> str:
    """Return the hash of all cells of a file that `write` has made."""
    digest = hashlib.sha256()
    for line in lines_of(raw.blocks(), cut, raw.name):
        if line.kind in (Kind.DATA, Kind.RAGGED, Kind.PART):
            digest.update(line.body + b"\n")
    return digest.hexdigest()


class _Cells:
    """Cells of the rows in order, formatted some thousand rows at a time."""

    def __init__(self, cut: Layout, style: Style, rows: Rows) -> None:
        self._cut, self._style, self._rows = cut, style, rows
        self._step = int(thresholds("analyzer.attaching")["stream.rows"]) // 4
        self._next = 0
        self._ready: list[bytes] = []
        self._at = 0

    def of_next(self, line: Line) -> bytes:
        """Return what follows the next row; a row with too few cells is filled up first."""
        if self._at >= len(self._ready):
            frame = self._rows(self._next, self._next + self._step)
            self._ready, self._at = list(_formatted(frame, self._cut, self._style)), 0
            self._next += len(frame)
        out = self._ready[self._at]
        self._at += 1
        short = len(self._cut.dialect.names) - line.cells
        return self._cut.encode(self._cut.dialect.delimiter) * short + out if short > 0 else out


def _formatted(frame: pd.DataFrame, cut: Layout, style: Style) -> Iterator[bytes]:
    columns = [_words(str(name), frame[name], cut, style) for name in frame.columns]
    delimiter = cut.dialect.delimiter
    lead = delimiter
    for cells in zip(*columns, strict=True):
        yield cut.encode(lead + delimiter.join(cells))


def _words(name: str, column: pd.Series, cut: Layout, style: Style) -> list[str]:
    """Return a column as cells."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        words = [_text_cell(str(c), cut, quote=style.quote_text) for c in column.cat.categories]
        empty = style.missing or ('""' if style.quote_text else "")
        return [words[k] if k >= 0 else empty for k in column.cat.codes.tolist()]
    values = column.to_numpy(dtype=np.float64, na_value=np.nan)
    digits = DIGITS.get(name, 0)
    decimal, mark = cut.dialect.decimal, '"' if style.quote_numbers or cut.dialect.decimal == cut.dialect.delimiter else ""
    out = [f"{v:.{digits}f}" if v == v else "" for v in values.tolist()]
    if decimal != ".":
        out = [t.replace(".", decimal) for t in out]
    return [mark + t + mark if t else style.missing for t in out]


def _text_cell(text: str, cut: Layout, *, quote: bool) -> str:
    delimiter = cut.dialect.delimiter
    if delimiter == " ":
        return text.replace(" ", "_")
    if quote or delimiter in text or '"' in text or "\n" in text or "\r" in text:
        return '"' + text.replace('"', '""').replace("\r", " ").replace("\n", " ") + '"'
    return text


def _head_cells(kind: Kind, cut: Layout, style: Style, names: Sequence[str]) -> bytes:
    """Return what follows a line that is no data."""
    if kind is Kind.HEADER:
        words = list(names)
    elif kind is Kind.UNITS:
        words = [style.no_unit if UNITS[_plain(n)] == "-" else UNITS[_plain(n)] for n in names]
    elif kind is Kind.ABOVE:
        words = [MEANING[_plain(n)] for n in names]
    elif cut.dialect.delimiter == " ":
        return b""
    else:
        words = [""] * len(names)
    quote = style.quote_names and kind is not Kind.COMMENT
    cells = [_text_cell(w, cut, quote=quote) if w or quote else "" for w in words]
    return cut.encode(cut.dialect.delimiter + cut.dialect.delimiter.join(cells))


def _plain(name: str) -> str:
    return name.removeprefix("quality_")


def _first_lines(raw: RawSource, cut: Layout) -> list[Line]:
    """Return lines up to the fiftieth row."""
    out: list[Line] = []
    rows = 0
    for line in lines_of(raw.blocks(1 << 16), cut, raw.name):
        out.append(line)
        rows += line.kind is Kind.DATA
        if rows >= 50:
            break
    return out


def _as_written(text: str, delimiter: str) -> list[str]:
    """Return the cells of a line with their quotes."""
    if '"' not in text or delimiter == " ":
        return [c.strip() for c in (text.split() if delimiter == " " else text.split(delimiter))]
    bare = split(text, delimiter)
    out, at = [], 0
    for cell in bare:
        escaped = '"' + cell.replace('"', '""') + '"'
        here = text.find(escaped, at)
        plain = text.find(cell, at) if cell else -1
        is_quoted = here >= 0 and (plain < 0 or here < plain)
        out.append(escaped if is_quoted else cell)
        at = max(at, (here + len(escaped)) if is_quoted else (plain + len(cell) if cell else at))
    return out


def _is_number(text: str) -> bool:
    try:
        float(text.replace(",", "."))
    except ValueError:
        return False
    return True
