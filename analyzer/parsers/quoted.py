"""Rows of a delimited text whose quoted cells hold line breaks: which physical lines belong together (RFC 4180)."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import cache

#: What can stand before the quote that opens a cell while the delimiter is not known yet.
ANY_DELIMITER = ";,\t|"
#: An unfinished cell has at most so many times the lines of the longest finished row; one that is longer was never closed.
LONGER = 4
#: Characters that a cell can have; quotes that stay open longer were never closed.
LONGEST_CELL = 1 << 20
#: Stands for a line break inside a cell; of the private use area, which no text of a logger holds.
_BREAK = "\ue00a"


@cache
def _cells(delimiters: str, comment: str | None = None) -> re.Pattern[str]:
    """Return what finds comment lines and quoted cells; the group `cell` begins a cell, `end` is empty where it is not closed."""
    line = rf"(?<![^\n]){re.escape(comment)}[^\n]*|" if comment else ""
    return re.compile(rf'{line}(?<![^{re.escape(delimiters)}\n])(?P<cell> *")[^"]*(?:""[^"]*)*(?P<end>"?)')


def is_open(text: str, delimiters: str = ANY_DELIMITER) -> bool:
    """Return whether a row that begins with `text` goes on, as a quoted cell is not closed; a quote inside a cell opens none."""
    return '"' in text and any(not found["end"] for found in _cells(delimiters).finditer(text))


def logical_rows(lines: Sequence[str], marks: Sequence[str] = (), *, more: bool = False, delimiters: str = ANY_DELIMITER,
                 most: int | None = None) -> list[tuple[int, int]]:
    """Return first line and number of lines of each row.

    Parameters
    ----------
    lines : physical lines without their ends.
    marks : what begins a comment, in which no cell opens.
    more : whether the text goes on behind the last line; a row that is not finished there is left out.
    most : rows that are enough.
    """
    out: list[tuple[int, int]] = []
    at, longest = 0, 1
    while at < len(lines) and (most is None or len(out) < most):
        count = 1 if any(m and lines[at].startswith(m) for m in marks) else _length(lines, at, delimiters)
        if count == 0:
            if more and len(lines) - at <= LONGER * longest and out:
                break
            count = 1
        longest = max(longest, count)
        out.append((at, count))
        at += count
    return out


def _length(lines: Sequence[str], at: int, delimiters: str) -> int:
    """Return of how many lines the row that begins at `at` is made, 0 where it does not end."""
    if not is_open(lines[at], delimiters):
        return 1
    for end in range(at + 1, len(lines)):
        if '"' in lines[end] and not is_open("\n".join(lines[at:end + 1]), delimiters):
            return end - at + 1
    return 0


def _may_break(text: str) -> bool:
    """Return whether a line break stands between quotes, or quotes do not come in pairs."""
    parts = text.split('"')
    return len(parts) % 2 == 0 or any("\n" in part for part in parts[1::2])


class Joiner:
    """Takes the line breaks out of quoted cells of a text that comes in pieces of whole lines, so that a row is a line.

    `joined` holds the number of each row that had such breaks, counted from 0, and how many; comment lines count as rows.
    """

    def __init__(self, delimiters: str, comment: str | None) -> None:
        self._pattern = _cells(delimiters, comment)
        self._held = ""
        self._rows = 0
        self.joined: list[tuple[int, int]] = []

    def of(self, piece: str, *, last: bool) -> str:
        """Return the rows that are finished with `piece`, and at the end what is left."""
        text, self._held = self._held + piece, ""
        if '"' in text and _may_break(text):
            text = self._joined(text, last)
        self._rows += text.count("\n")
        return text

    def _joined(self, text: str, last: bool) -> str:
        begun = next((found.start() for found in self._pattern.finditer(text) if found["cell"] and not found["end"]), None)
        kept = text if begun is None else text[:begun]
        made = self._pattern.sub(lambda m: m[0].replace("\n", _BREAK) if m["cell"] else m[0], kept)
        rest = text[len(kept):]
        if begun is not None and not last and len(rest) < LONGEST_CELL:
            start = made.rfind("\n") + 1
            made, self._held, rest = made[:start], text[start:], ""
        if _BREAK in made:
            self.joined += [(self._rows + n, line.count(_BREAK)) for n, line in enumerate(made.split("\n")) if _BREAK in line]
        return made.replace(_BREAK, " ") + rest
