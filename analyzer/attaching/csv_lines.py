"""A delimited text as physical lines: bytes that are never changed, and what each line is."""

from __future__ import annotations

import codecs
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import Enum

from analyzer.errors import InputError
from analyzer.parsers.delimited_dialect import Dialect, split


class Kind(Enum):
    """What a line is; PART is a line that ends inside a quoted cell and is continued by the next."""

    HEADER = "header"
    UNITS = "units"
    ABOVE = "above"
    COMMENT = "comment"
    BLANK = "blank"
    MARK = "mark"
    DATA = "data"
    PART = "part"


@dataclass(frozen=True)
class Line:
    """One physical line: its bytes without and with only the line end, and what it is."""

    body: bytes
    end: bytes
    kind: Kind


def raw_lines(blocks: Iterable[bytes], encoding: str) -> Iterator[tuple[bytes, bytes]]:
    """Yield body and line end of each physical line; joined they are the input, byte by byte."""
    feed, back = "\n".encode(_bare(encoding)), "\r".encode(_bare(encoding))
    width = len(feed)
    kept = b""
    for block in _with_end(blocks):
        data = kept + block
        start = 0
        while True:
            at, length = _next_end(data, start, feed, back)
            # A carriage return at the very end may be half of a line end.
            if at < 0 or (block and length == width and data[at:at + width] == back and at + 2 * width > len(data)):
                break
            yield data[start:at], data[at:at + length]
            start = at + length
        kept = data[start:]
    if kept:
        yield kept, b""


def classified(lines: Iterable[tuple[bytes, bytes]], dialect: Dialect, name: str) -> Iterator[Line]:
    """Yield lines with their kinds, as the reader of delimited text counts them (from 1)."""
    codec = codecs.getincrementaldecoder(_bare(dialect.encoding))
    comment = dialect.comment
    open_quote = False
    for number, (body, end) in enumerate(lines, 1):
        text = codec("replace").decode(body).lstrip("\ufeff")
        if number >= dialect.data_row:
            odd = text.count('"') % 2 == 1
            if open_quote or (odd and not (comment and text.startswith(comment))):
                open_quote = open_quote != odd
                yield Line(body, end, Kind.PART if open_quote else Kind.DATA)
                continue
        yield Line(body, end, _kind(text, number, dialect))
    if open_quote:
        raise InputError(f"{name}: a quoted cell is opened and never closed; close the quotes or write the file again.")


def _kind(text: str, number: int, dialect: Dialect) -> Kind:
    if not text.strip():
        return Kind.BLANK
    if number == dialect.header_row:
        return Kind.HEADER
    if number == dialect.unit_row:
        return Kind.UNITS
    if dialect.comment and text.startswith(dialect.comment):
        return Kind.COMMENT
    if number < dialect.data_row:
        if text.strip().lower().startswith("sep=") and number == 1:
            return Kind.MARK
        full = len(split(text, dialect.delimiter)) == len(dialect.names)
        return Kind.ABOVE if full and number > dialect.header_row else Kind.COMMENT
    return Kind.DATA


def _next_end(data: bytes, start: int, feed: bytes, back: bytes) -> tuple[int, int]:
    """Return place and length of the next line end, (-1, 0) where there is none."""
    width = len(feed)
    at_feed, at_back = _find(data, feed, start), _find(data, back, start)
    if at_back >= 0 and (at_feed < 0 or at_back < at_feed):
        double = at_feed == at_back + width
        return at_back, 2 * width if double else width
    return (at_feed, width) if at_feed >= 0 else (-1, 0)


def _find(data: bytes, mark: bytes, start: int) -> int:
    """Return the next place of `mark` on a whole character."""
    width = len(mark)
    at = data.find(mark, start)
    while at >= 0 and (at - start) % width:
        at = data.find(mark, at + 1)
    return at


def _bare(encoding: str) -> str:
    """Return the encoding without its byte-order mark; wide ones by the order that the mark tells."""
    return {"utf-8-sig": "utf-8", "utf-16": "utf-16-le"}.get(encoding, encoding)


def bare_encoding(dialect: Dialect, head: bytes) -> str:
    """Return the encoding of cells to be added, byte order as in the file."""
    if dialect.encoding == "utf-16":
        return "utf-16-be" if head.startswith(codecs.BOM_UTF16_BE) else "utf-16-le"
    return _bare(dialect.encoding)


def _with_end(blocks: Iterable[bytes]) -> Iterator[bytes]:
    yield from (block for block in blocks if block)
    yield b""
