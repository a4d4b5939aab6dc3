"""A delimited text as physical lines: bytes that are never changed, and what each line is."""

from __future__ import annotations

import codecs
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import Enum
from itertools import islice

from analyzer.errors import InputError
from analyzer.parsers.delimited_dialect import Dialect, split
from analyzer.parsers.quoted import is_open, logical_rows


class Kind(Enum):
    """What a line is.

    ABOVE stands between header and data and has a cell for each column; MARK tells a spreadsheet the delimiter; PART ends
    inside a quoted cell and is continued by the next line, OPEN does so above the data; RAGGED has another number of cells than
    the header.
    """

    HEADER = "header"
    UNITS = "units"
    ABOVE = "above"
    COMMENT = "comment"
    BLANK = "blank"
    MARK = "mark"
    DATA = "data"
    RAGGED = "ragged"
    PART = "part"
    OPEN = "open"


@dataclass(frozen=True)
class Line:
    """One physical line: its bytes without its line end, the line end, what it is, and how many cells it has."""

    body: bytes
    end: bytes
    kind: Kind
    cells: int = 0


@dataclass(frozen=True)
class Layout:
    """How to cut the text: the dialect, and the encoding with its byte order and without its mark."""

    dialect: Dialect
    encoding: str

    @property
    def wide(self) -> bool:
        """Whether a character takes more than one byte even where it is plain."""
        return self.encoding.lower().replace("_", "-").startswith(("utf-16", "utf-32"))

    def encode(self, text: str) -> bytes:
        """Return text in the file's encoding; what it cannot hold becomes an escape."""
        return text.encode(self.encoding, "backslashreplace")

    def decode(self, data: bytes) -> str:
        """Return bytes of one line as text, for looking at them only."""
        return data.decode(self.encoding, "replace").lstrip("\ufeff")


def layout_of(dialect: Dialect, head: bytes) -> Layout:
    """Return the layout of the text that starts with `head`."""
    name = dialect.encoding.lower().replace("_", "-")
    if name == "utf-16":
        return Layout(dialect, "utf-16-be" if head.startswith(codecs.BOM_UTF16_BE) else "utf-16-le")
    if name == "utf-32":
        return Layout(dialect, "utf-32-be" if head.startswith(codecs.BOM_UTF32_BE) else "utf-32-le")
    return Layout(dialect, "utf-8" if name == "utf-8-sig" else dialect.encoding)


def lines_of(blocks: Iterable[bytes], layout: Layout, name: str) -> Iterator[Line]:
    """Yield the physical lines of a text; bodies and ends joined are the input, byte by byte.

    Raises
    ------
    InputError : a quoted cell is never closed.
    """
    cut = _wide_lines(blocks, layout) if layout.wide else _narrow_lines(blocks)
    first = layout.dialect.data_row
    yield from _head(list(islice(cut, max(first - 1, 0))), layout)
    open_at = 0
    held: list[bytes] = []
    for number, (body, end) in enumerate(cut, first):
        line = _data(body, end, layout, held)
        open_at = (open_at or number) if line.kind is Kind.PART else 0
        yield line
    if open_at:
        raise InputError(f"{name}: the quotes opened in line {open_at} are never closed; close them, or write the file again.")


def _head(lines: list[tuple[bytes, bytes]], layout: Layout) -> Iterator[Line]:
    """Yield the lines above the data; cells of the header may hold line breaks as well."""
    dialect = layout.dialect
    texts = [layout.decode(body) for body, _ in lines]
    begin = max(dialect.header_row - 1, 0)
    rows = [(k, 1) for k in range(begin)]
    rows += [(begin + at, count) for at, count in
             logical_rows(texts[begin:], (dialect.comment,) if dialect.comment else (), delimiters=dialect.delimiter)]
    for at, count in rows:
        for body, end in lines[at:at + count - 1]:
            yield Line(body, end, Kind.OPEN)
        body, end = lines[at + count - 1]
        yield Line(body, end, _above("\n".join(texts[at:at + count]), at + 1, dialect))


def _narrow_lines(blocks: Iterable[bytes]) -> Iterator[tuple[bytes, bytes]]:
    kept = b""
    for block in blocks:
        pieces = (kept + block).splitlines(keepends=True)
        # The last piece may go on; a carriage return at its end may be half of a line end.
        kept = pieces.pop() if pieces else b""
        for piece in pieces:
            yield _parted(piece)
    if kept:
        for piece in kept.splitlines(keepends=True):
            yield _parted(piece)


def _parted(piece: bytes) -> tuple[bytes, bytes]:
    if piece.endswith(b"\r\n"):
        return piece[:-2], piece[-2:]
    if piece.endswith((b"\n", b"\r")):
        return piece[:-1], piece[-1:]
    return piece, b""


def _wide_lines(blocks: Iterable[bytes], layout: Layout) -> Iterator[tuple[bytes, bytes]]:
    feed, back = layout.encode("\n"), layout.encode("\r")
    width = len(feed)
    kept = b""
    for block in blocks:
        data, start = kept + block, 0
        for body, end in _cut(data, feed, back):
            if start + len(body) + len(end) + width > len(data):
                break
            yield body, end
            start += len(body) + len(end)
        kept = data[start:]
    yield from _cut(kept, feed, back)
    whole = len(kept) - sum(len(b) + len(e) for b, e in _cut(kept, feed, back))
    if whole:
        yield kept[len(kept) - whole:], b""


def _cut(data: bytes, feed: bytes, back: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Yield body and end of every line that has an end."""
    width, start, at = len(feed), 0, 0
    while at + width <= len(data):
        unit = data[at:at + width]
        if unit in (feed, back):
            length = 2 * width if unit == back and data[at + width:at + 2 * width] == feed else width
            yield data[start:at], data[at:at + length]
            at = start = at + length
        else:
            at += width


def _above(text: str, number: int, dialect: Dialect) -> Kind:
    """Return what a line before the first data row is."""
    if not text.strip():
        return Kind.BLANK
    if number == dialect.header_row:
        return Kind.HEADER
    if number == dialect.unit_row:
        return Kind.UNITS
    if number == 1 and text.strip().lower().startswith("sep="):
        return Kind.MARK
    marked = bool(dialect.comment) and text.startswith(str(dialect.comment))
    full = len(split(text, dialect.delimiter)) == len(dialect.names)
    return Kind.ABOVE if full and not marked and 0 < dialect.header_row < number else Kind.COMMENT


def _data(body: bytes, end: bytes, layout: Layout, held: list[bytes]) -> Line:
    """Return a line from the first data row on; `held` keeps the lines of a row that is not complete."""
    dialect = layout.dialect
    plain = not layout.wide and not held and b'"' not in body and dialect.delimiter != " "
    comment = layout.encode(dialect.comment) if dialect.comment else b""
    if not held:
        if not body.strip(b" \t\x00"):
            return Line(body, end, Kind.BLANK)
        if comment and body.startswith(comment):
            return Line(body, end, Kind.COMMENT)
    elif layout.encode('"') not in body:
        held.append(body + end)
        return Line(body, end, Kind.PART)
    if plain:
        cells = body.count(dialect.delimiter.encode(layout.encoding)) + 1
    else:
        text = layout.decode(b"".join(held) + body)
        # A row of one line with quotes in pairs is complete, which spares the closer look.
        if (held or text.count('"') % 2) and is_open(text, " \t" if dialect.delimiter == " " else dialect.delimiter):
            held.append(body + end)
            return Line(body, end, Kind.PART)
        held.clear()
        cells = len(split(text.replace("\r", " ").replace("\n", " "), dialect.delimiter))
    return Line(body, end, Kind.DATA if cells == len(dialect.names) else Kind.RAGGED, cells)
