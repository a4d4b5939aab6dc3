"""Sentences that are written alike, found by comparing words of eight bytes: the shortcut of undisturbed logs.

A receiver writes one kind of sentence in a handful of byte layouts. A template holds one: bytes that must be equal
(header, commas, points, letters, line end) and places where any digit may stand. A line that fits its template and
whose checksum is right is one whole sentence, whatever stands around it, for it begins with ``$`` behind a line end.
Everything else, down to a value out of its range, is left to the general way, so both give the same result.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyzer.parsers import framing
from analyzer.parsers.nmea_columns import WIDTHS, count_is_right, parse
from analyzer.parsers.nmea_layouts import LAYOUTS
from analyzer.parsers.nmea_plan import DIGIT_READERS, Plan, plan_of
from analyzer.parsers.nmea_spans import Group
from analyzer.parsers.nmea_words import words_of
from analyzer.parsers.sentences import TALKERS

Words = NDArray[np.uint64]
Bytes = NDArray[np.uint8]
Flags = NDArray[np.bool_]

_LINE = re.compile(rb"\$([A-OQ-Z0-9][A-Z0-9])([A-Z]{3}),([ -~]*)\*[0-9A-Fa-f]{2}\r?\n")
#: Longest line, line end included, that a template holds.
LONGEST = 248
_ALL = np.uint64(0xFFFFFFFFFFFFFFFF)
_HIGH = np.uint64(0x8080808080808080)
#: Added to a byte it sets the high bit where the byte is above 9, or above 0.
_ABOVE_NINE, _ABOVE_ZERO = 0x76, 0x7F
_HEX = np.full(256, 255, dtype=np.uint8)
_HEX[list(b"0123456789ABCDEF")] = range(16)
_HEX[list(b"abcdef")] = range(10, 16)
#: Kinds whose sentences seldom repeat a layout, or that keep their text.
_LEFT_OUT = frozenset(kind for kind, layout in LAYOUTS.items()
                      if layout.text or {"twelve", "satellites"} & {column.reader for column in layout.columns})


@dataclass(frozen=True)
class Template:
    """One byte layout of one kind.

    Attributes
    ----------
    kind, talker : as in `Sentences`.
    length : bytes of the line with its line end.
    expected : uint64 words of the line with ``0`` where any digit may stand.
    counted : uint64 per word, the bytes that count; the checksum digits and what follows the line do not.
    carry : uint64 per word, what makes a wrong byte overflow.
    star : place of the star.
    body_sum : XOR of the expected bytes between ``$`` and the star.
    plan : how the values are read.
    """

    kind: str
    talker: int
    length: int
    expected: tuple[np.uint64, ...]
    counted: tuple[np.uint64, ...]
    carry: tuple[np.uint64, ...]
    star: int
    body_sum: int
    plan: Plan

    def fits(self, rows: Words) -> Flags:
        """Whether each line (n x words) has this layout and a right checksum."""
        bad, total, word = np.zeros(len(rows), np.uint64), np.zeros(len(rows), np.uint64), np.empty(len(rows), np.uint64)
        for place, (expected, counted, carry) in enumerate(zip(self.expected, self.counted, self.carry, strict=True)):
            np.bitwise_xor(rows[:, place], expected, out=word)
            if counted != _ALL:
                word &= counted
            total ^= word
            bad |= word
            word += carry
            bad |= word
        bad &= _HIGH
        return np.asarray((bad == 0) & (self._sum_of(total) == self._stated(rows)), dtype=bool)

    def _sum_of(self, total: Words) -> Bytes:
        """Return the checksum of the lines from the XOR of their words' differences."""
        total ^= total >> np.uint64(32)
        total ^= total >> np.uint64(16)
        total ^= total >> np.uint64(8)
        return total.astype(np.uint8) ^ np.uint8(self.body_sum)

    def _stated(self, rows: Words) -> NDArray[np.uint16]:
        """Return the checksum that the lines state; above 255 where it is none."""
        content = rows.view(np.uint8)
        high, low = _HEX[content[:, self.star + 1]], _HEX[content[:, self.star + 2]]
        return (high.astype(np.uint16) << np.uint16(4)) + low


def template_of(line: bytes) -> Template | None:
    """Return the template of a line with its line end; None where the general way does not read it as valid."""
    found = _LINE.fullmatch(line)
    if found is None or len(line) > LONGEST or any(mark in found[3] for mark in b"$*!"):
        return None
    talker, kind = found[1].decode(), found[2].decode()
    if kind not in LAYOUTS or kind in _LEFT_OUT:
        return None
    buffer = framing.padded(line)
    pieces = framing.frame(buffer)
    group = Group(buffer, words_of(buffer), pieces.tokens, pieces.token, pieces.fields)
    if len(pieces.kind) != 1 or len(pieces.sentence) != 1 or not count_is_right(kind, pieces.fields).all():
        return None
    columns, places, wrong = parse(kind, group)
    if wrong.any() or not framing.checksum_matches(buffer, pieces.start, pieces.body_end).all():
        return None
    plan = plan_of(kind, found[3].split(b","), columns, places, first=found.start(3))
    if plan is None:
        return None
    index = TALKERS.index(talker) if talker in TALKERS[1:] else 0
    return _template(line, kind, index, plan)


def _template(line: bytes, kind: str, talker: int, plan: Plan) -> Template:
    """Return the template of a line that can be read by a plan."""
    star = line.rindex(b"*")
    free = _places_of_digits(kind, line)
    size = -(-len(line) // 8) * 8
    expected, counted, carry = (np.zeros(size, dtype=np.uint8) for _ in range(3))
    content = np.frombuffer(line, dtype=np.uint8)
    expected[: len(line)] = np.where(free, ord("0"), content)
    counted[: len(line)] = 255
    counted[star + 1: star + 3] = 0
    carry[: len(line)] = np.where(free, _ABOVE_NINE, _ABOVE_ZERO)
    carry[star + 1: star + 3] = 0
    body_sum = int(np.bitwise_xor.reduce(expected[1:star]))
    return Template(kind, talker, len(line), expected=_words(expected), counted=_words(counted), carry=_words(carry),
                    star=star, body_sum=body_sum, plan=plan)


def _words(content: Bytes) -> tuple[np.uint64, ...]:
    """Return the little-endian words of bytes."""
    return tuple(content.view("<u8"))


def _places_of_digits(kind: str, line: bytes) -> Flags:
    """Return where any digit may stand: in fields read as plain numbers and in fields that are not read at all."""
    content = np.frombuffer(line, dtype=np.uint8)
    commas = np.cumsum(content == ord(","))
    fixed = np.zeros(commas[-1] + 1, dtype=bool)
    fixed[0] = True
    for column in LAYOUTS[kind].columns:
        if column.reader not in DIGIT_READERS:
            fixed[column.field: column.field + WIDTHS.get(column.reader, 1)] = True
        elif column.reader == "position":
            fixed[[column.field + 1, column.field + 3]] = True
        elif column.reader == "ground_speed":
            fixed[[2, 6, 8]] = True
    digit = (content >= ord("0")) & (content <= ord("9"))
    digit &= np.arange(len(line)) < line.rindex(b"*")
    return np.asarray(digit & ~fixed[commas], dtype=bool)
