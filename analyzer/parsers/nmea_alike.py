"""The lines of a block that fit a template, read at once; what is left of the block for the general way.

Lines are sorted by header and length, each sort is held against the layouts known for it. Lines that are few, damaged
or unusual stay; the bytes that stay are put one behind the other, which changes no piece, since all cuts lie behind a
line end.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from threading import Lock
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from analyzer.parsers import framing
from analyzer.parsers.nmea_templates import LONGEST, Template, template_of
from analyzer.parsers.nmea_words import words_of
from analyzer.parsers.sentences import Sentences

Bytes = NDArray[np.uint8]
Positions = NDArray[np.int64]
Words = NDArray[np.uint64]
Flags = NDArray[np.bool_]
T = TypeVar("T", bound=np.generic)

#: Fewer lines of one sort than this in a block are not worth a template.
FEWEST = 32
#: Lines compared at once, few enough for the processor's cache.
_STRIDE = 1 << 14
#: Bytes searched at once for line ends.
_SEARCH = 1 << 16
#: Layouts held for one sort of lines, and tries to find further ones in a block.
_LAYOUTS, _TRIES = 24, 8
#: Lines of one sort that may give no layout before the search for further ones ends.
_MISSES = 32
#: Sorts of lines held, so that their number fits a byte.
_SORTS = 255
_LF = 10
_U = np.uint64
_SPREAD, _TOP = _U(0x9E3779B97F4A7C15), _U(48)


@dataclass
class Layouts:
    """The layouts seen so far in a stream; shared by all blocks, filled by whichever block needs one first.

    `number` gives the number of a sort of lines by the 16 bits of its header and length, 0 where unknown; `misses`
    counts per sort the lines that gave no layout. What they hold decides only how fast a block is read.
    """

    number: Bytes = field(default_factory=lambda: np.zeros(1 << 16, dtype=np.uint8))
    templates: list[list[Template]] = field(default_factory=lambda: [[]])
    misses: list[int] = field(default_factory=lambda: [0])
    lock: Lock = field(default_factory=Lock)

    def add_sort(self, code: int) -> None:
        """Give a sort of lines a number."""
        with self.lock:
            if not self.number[code] and len(self.templates) <= _SORTS:
                self.templates.append([])
                self.misses.append(0)
                self.number[code] = len(self.templates) - 1

    def add(self, number: int, template: Template) -> None:
        """Add a layout to a sort of lines."""
        with self.lock:
            known = self.templates[number]
            if all(other.expected != template.expected for other in known):
                self.templates[number] = [*known, template]


@dataclass
class Alike:
    """Sentences that were read by templates, and what is left.

    Attributes
    ----------
    sentences : by kind, in stream order.
    rest : the padded bytes that were not read.
    rest_start, rest_offset : where each stretch of them starts in `rest`, and how far it was moved to the left.
    """

    sentences: dict[str, Sentences]
    rest: Bytes
    rest_start: Positions
    rest_offset: Positions

    def place(self, position: Positions) -> Positions:
        """Return where positions of `rest` lie in the block."""
        at = np.searchsorted(self.rest_start, position, side="right") - 1
        return np.asarray(position + self.rest_offset[at], dtype=np.int64)


def read_alike(buffer: Bytes, layouts: Layouts) -> Alike | None:
    """Read the lines of a block that are written alike.

    Parameters
    ----------
    buffer : bytes that start and end at the edge of a piece and hold no RTCM 3 frame, and `framing.PADDING` more.
    layouts : the layouts seen so far.

    Returns
    -------
    None where nothing was read.
    """
    end = _line_ends(buffer[: -framing.PADDING])
    if len(end) < FEWEST:
        return None
    start = np.concatenate([[0], end[:-1]])
    code = _codes(buffer, start, end)
    _learn_sorts(code, layouts)
    parts: dict[str, list[_Part]] = {}
    taken = np.zeros(len(end), dtype=bool)
    for lines, number in _sorts(layouts.number[code]):
        for part in _read_sort(buffer, start, lines, layouts=layouts, number=number):
            parts.setdefault(part.template.kind, []).append(part)
            taken[part.lines] = True
    if not parts:
        return None
    sentences = {kind: _join(found, start, end) for kind, found in parts.items()}
    return Alike(sentences, *_left(buffer, start, end, taken=taken))


@dataclass(frozen=True)
class _Part:
    """Lines of one layout with their values."""

    template: Template
    lines: Positions
    columns: dict[str, NDArray[np.generic]]


def _line_ends(content: Bytes) -> Positions:
    """Return the positions behind all line feeds."""
    parts = [np.flatnonzero(content[low: low + _SEARCH] == _LF) + (low + 1) for low in range(0, len(content), _SEARCH)]
    return np.concatenate(parts) if parts else np.empty(0, dtype=np.int64)


def _codes(buffer: Bytes, start: Positions, end: Positions) -> NDArray[np.uint16]:
    """Return 16 bits of each line that tell header and length apart; equal ones are compared byte by byte later."""
    code = words_of(buffer)[start]
    code <<= _U(8)
    length = end - start
    code += np.where(length <= LONGEST, length, 0).view(np.uint64)
    code *= _SPREAD
    code >>= _TOP
    return code.astype(np.uint16)


def _learn_sorts(code: NDArray[np.uint16], layouts: Layouts) -> None:
    """Give a number to every sort of lines of which there are enough."""
    unknown = layouts.number[code] == 0
    if unknown.any():
        for new in np.flatnonzero(np.bincount(code[unknown]) >= FEWEST).tolist():
            layouts.add_sort(new)


def _sorts(number: Bytes) -> Iterator[tuple[Positions, int]]:
    """Yield the lines of each sort in stream order, some thousands at a time."""
    order = np.argsort(number, kind="stable")
    edges = np.concatenate([[0], np.cumsum(np.bincount(number))])
    for sort in range(1, len(edges) - 1):
        for low in range(int(edges[sort]), int(edges[sort + 1]), _STRIDE):
            yield order[low: min(low + _STRIDE, int(edges[sort + 1]))], sort


@dataclass
class _Remaining:
    """Lines of one sort that no layout has taken yet: which, and their first words (n x words)."""

    lines: Positions
    rows: Words

    def take(self, template: Template) -> _Part | None:
        """Take and read the lines that fit a layout."""
        good = template.fits(self.rows)
        if not good.any():
            return None
        if good.all():
            lines, rows = self.lines, self.rows
            self.lines, self.rows = lines[:0], rows[:0]
        else:
            lines, rows = self.lines[good], self.rows[good]
            self.lines, self.rows = self.lines[~good], self.rows[~good]
        columns, bad = template.plan.read(rows)
        if bad is not None:
            lines, columns = lines[~bad], {name: values[~bad] for name, values in columns.items()}
        return _Part(template, lines, columns)


def _read_sort(buffer: Bytes, start: Positions, lines: Positions, *, layouts: Layouts, number: int) -> Iterator[_Part]:
    """Yield what fits the layouts of one sort of lines; find further layouts where enough lines fit none."""
    first = int(start[lines[0]])
    length = bytes(buffer[first: first + LONGEST]).find(b"\n") + 1
    learning = layouts.misses[number] < _MISSES
    if not length or not (learning or layouts.templates[number]):
        return
    remaining = _Remaining(*_rows(buffer, start, lines, words=-(-length // 8)))
    for template in layouts.templates[number]:
        if len(remaining.lines) and template.length == length and (part := remaining.take(template)):
            yield part
    for tried in range(_TRIES if learning else 0):
        if len(remaining.lines) < max(FEWEST, tried + 1) or len(layouts.templates[number]) >= _LAYOUTS:
            return
        begin = int(start[remaining.lines[tried]])
        line, feed, _ = bytes(buffer[begin: begin + LONGEST]).partition(b"\n")
        new = template_of(line + feed)
        if new is not None and new.length == length:
            layouts.add(number, new)
            if part := remaining.take(new):
                yield part
        else:
            layouts.misses[number] += 1


def _rows(buffer: Bytes, start: Positions, lines: Positions, *, words: int) -> tuple[Positions, Words]:
    """Return the first words of lines (n x words), of all that lie far enough from the end of the buffer."""
    size = 8 * words
    last = len(buffer) - size
    begin = start[lines]
    if begin[-1] > last:
        lines, begin = lines[begin <= last], begin[begin <= last]
    view = np.ndarray((last + 1,), f"V{size}", buffer, 0, (1,))
    return lines, view[begin].view("<u8").reshape(len(lines), words)


def _join(parts: list[_Part], start: Positions, end: Positions) -> Sentences:
    """Return the sentences of one kind in stream order."""
    first = parts[0]
    lines, places = first.lines, [np.arange(len(first.lines))]
    if len(parts) > 1:
        member = np.zeros(len(start), dtype=bool)
        for part in parts:
            member[part.lines] = True
        lines = np.flatnonzero(member)
        rank = np.empty(len(start), dtype=np.int64)
        rank[lines] = np.arange(len(lines))
        places = [rank[part.lines] for part in parts]
    columns: dict[str, NDArray[np.generic]] = {}
    for name in first.template.plan.names:
        values = [part.columns.get(name, part.template.plan.constant.get(name)) for part in parts]
        columns[name] = _placed(values, places, len(lines))
    decimals = [part.template.plan.decimals for part in parts]
    return Sentences(
        first.template.kind, start[lines], end[lines],
        _placed([np.array([part.template.talker], dtype=np.uint8) for part in parts], places, len(lines)), columns,
        decimals=None if decimals[0] is None else _placed(decimals, places, len(lines)))


def _placed(values: Sequence[NDArray[T] | None], places: Sequence[Positions], count: int) -> NDArray[T]:
    """Put the values of the parts (one row each, or one for all) in their places."""
    known = [part for part in values if part is not None]
    if len(known) == 1 and len(known[0]) == count:
        return known[0]
    out = np.empty(count, dtype=known[0].dtype)
    for part, place in zip(known, places, strict=True):
        out[place] = part
    return out


def _left(buffer: Bytes, start: Positions, end: Positions, *, taken: Flags) -> tuple[Bytes, Positions, Positions]:
    """Return the bytes that were not taken, one behind the other, and where each stretch of them comes from."""
    size = len(buffer) - framing.PADDING
    change = np.flatnonzero(np.diff(np.concatenate([[True], taken, [True]])))
    low, high = start[change[0::2]], end[change[1::2] - 1]
    tail = int(end[-1]) < size
    if tail:
        low, high = np.append(low, end[-1]), np.append(high, size)
    view = np.ascontiguousarray(buffer).data
    parts = [view[a:b] for a, b in zip(low.tolist(), high.tolist(), strict=True)]
    padding = view[size:] if tail else memoryview(bytes(framing.PADDING))
    rest = np.frombuffer(b"".join([*parts, padding]), dtype=np.uint8)
    length = high - low
    place = np.cumsum(length) - length
    return rest, np.append(place, size), np.append(low - place, 0)
