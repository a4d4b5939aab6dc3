"""Blocks of a measurement file (ASAM MDF 4): written one by one, and walked through to what they hold.

Layouts from ASAM MDF 4.1, chapter "Block structure" [from memory, not re-read]: each block has an id, a length, a number
of links, the links, and data; all numbers little-endian, all blocks at multiples of eight bytes.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import BinaryIO

import numpy as np

from analyzer.errors import InputError

HEADER_AT = 64
_HEAD = struct.Struct("<4sIQQ")
#: Blocks whose first link leads to the next one of the same list.
_LISTS = (b"##DG", b"##CG", b"##CN", b"##DL", b"##FH", b"##AT", b"##EV", b"##SR")
_DATA = (b"##DT", b"##DV", b"##SD", b"##RD")
_PIECE = 1 << 22


def block(kind: bytes, links: Sequence[int], data: bytes = b"") -> bytes:
    """Return one block, filled up to a multiple of eight bytes."""
    length = _HEAD.size + 8 * len(links) + len(data)
    body = _HEAD.pack(kind, 0, length, len(links)) + struct.pack(f"<{len(links)}q", *links) + data
    return body + b"\0" * (-len(body) % 8)


def text(words: str) -> bytes:
    """Return a text block."""
    return block(b"##TX", (), words.encode() + b"\0")


def xml(words: str) -> bytes:
    """Return a block with metadata in XML."""
    return block(b"##MD", (), words.encode() + b"\0")


def channel_group(cycles: int, width: int) -> bytes:
    """Return the data of a channel group of `cycles` records of `width` bytes, none of them invalid."""
    return struct.pack("<QQHHIII", 0, cycles, 0, 0, 0, width, 0)


def channel(*, kind: int, sync: int, data_type: int, at: int, bits: int) -> bytes:
    """Return the data of a channel: kind 0 fixed length or 2 master, sync 1 time, data type 0 unsigned, 4 float."""
    return struct.pack("<BBBBIIIIBBH6d", kind, sync, data_type, 0, at, bits, 0, 0, 0xFF, 0, 0, *([0.0] * 6))


def value_to_text(values: Sequence[float]) -> bytes:
    """Return the data of a conversion from values to texts (kind 7)."""
    return struct.pack("<BBHHHdd", 7, 0, 0, len(values) + 1, len(values), 0.0, 0.0) + struct.pack(f"<{len(values)}d", *values)


class Walker:
    """An open file whose blocks are followed along their links.

    Raises
    ------
    InputError : a link leads to no block.
    """

    def __init__(self, file: BinaryIO, name: str) -> None:
        self._file, self._name = file, name
        file.seek(0, 2)
        self.size = file.tell()

    def head(self, at: int) -> tuple[bytes, int, tuple[int, ...]]:
        """Return id, length and links of the block at `at`."""
        self._file.seek(at)
        raw = self._file.read(_HEAD.size)
        if len(raw) == _HEAD.size:
            kind, _, length, count = _HEAD.unpack(raw)
            if kind[:2] == b"##" and count < 1 << 24 and _HEAD.size + 8 * count <= length <= self.size - at:
                return kind, length, struct.unpack(f"<{count}q", self._file.read(8 * count))
        raise InputError(f"{self._name} is damaged: no block stands at byte {at}, where a link leads; copy it again from its origin.")

    def last_of(self, first: int) -> int:
        """Return the last block of the list that starts at `first`, 0 for an empty one."""
        at, seen = first, set()
        while at:
            if at in seen:
                raise InputError(f"{self._name} is damaged: the list of blocks at byte {first} has no end; copy it again from its origin.")
            seen.add(at)
            following = self.head(at)[2][0]
            if not following:
                return at
            at = following
        return 0

    def data(self) -> Iterator[bytes]:
        """Yield the bytes of all records and variable-length cells, unpacked, in the order of groups and lists."""
        waiting, seen = [HEADER_AT], set()
        while waiting:
            at = waiting.pop()
            if at in seen:
                continue
            seen.add(at)
            kind, length, links = self.head(at)
            start = at + _HEAD.size + 8 * len(links)
            if kind in _DATA:
                yield from self._pieces(start, at + length - start)
            elif kind == b"##DZ":
                yield self._unpacked(start)
            order = (*links[1:], links[0]) if kind in _LISTS and links else links
            waiting += [link for link in reversed(order) if link]

    def texts(self) -> Iterator[str]:
        """Yield the texts and metadata of all blocks."""
        waiting, seen = [HEADER_AT], set()
        while waiting:
            at = waiting.pop()
            if at in seen:
                continue
            seen.add(at)
            kind, length, links = self.head(at)
            if kind in (b"##TX", b"##MD"):
                self._file.seek(at + _HEAD.size)
                yield self._file.read(length - _HEAD.size).rstrip(b"\0").decode("utf-8", "replace")
            waiting += [link for link in reversed(links) if link]

    def _pieces(self, start: int, length: int) -> Iterator[bytes]:
        for at in range(start, start + length, _PIECE):
            self._file.seek(at)
            yield self._file.read(min(_PIECE, start + length - at))

    def _unpacked(self, start: int) -> bytes:
        """Return the data of a packed block; kind 1 is transposed before packing."""
        self._file.seek(start)
        _, way, _, columns, size, packed = struct.unpack("<2sBBIQQ", self._file.read(24))
        try:
            raw = zlib.decompress(self._file.read(packed))
        except zlib.error as error:
            raise InputError(f"{self._name} is damaged: the packed data at byte {start} cannot be unpacked; copy it again from its "
                             "origin.") from error
        if way != 1 or columns < 2:
            return raw[:size]
        whole = len(raw) // columns * columns
        turned = np.frombuffer(raw, dtype=np.uint8, count=whole).reshape(columns, -1).T.tobytes()
        return (turned + raw[whole:])[:size]


def walk_data(path: Path) -> Iterator[bytes]:
    """Yield what `Walker.data` yields for the file at `path`."""
    with path.open("rb") as file:
        yield from Walker(file, str(path)).data()
