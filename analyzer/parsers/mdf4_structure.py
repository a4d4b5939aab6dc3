"""Check the block structure of a measurement file before a compiled reader follows its links.

The reading package trusts offsets and sizes; wrong ones can make it read outside of memory and end the process. Layout
of the blocks: ASAM MDF 4.1, sections "General block structure", HD, DG, CG and CN. Everything here only looks.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from analyzer.errors import InputError

_HEADER = struct.Struct("<4sIQQ")
_HD_ADDRESS = 64
#: More links than any block has: longest known are lists of data blocks.
_MOST_LINKS = 1 << 24
_MOST_CHANNELS = 1 << 20
_CG = struct.Struct("<QQHHIII")
_CN = struct.Struct("<BBBBIIII")
_VARIABLE_LENGTH, _MAX_LENGTH, _VIRTUAL = 1, 5, (3, 6)


@dataclass(frozen=True)
class _Block:
    """A block: where it is, its kind, its links and the bytes behind them."""

    address: int
    kind: bytes
    links: tuple[int, ...]
    data: bytes


def check_structure(path: Path, name: str) -> None:
    """Walk the groups and channels of the file at `path`, called `name` in messages.

    Raises
    ------
    InputError
        A block lies outside of the file, is of another kind than its place needs, or a channel lies outside of the
        record of its group; the sentence names the byte.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        walker = _Walker(file, size, name)
        for group in walker.chain(walker.block(_HD_ADDRESS, b"##HD").links[0], b"##DG"):
            walker.need(group, links=4, data=1)
            walker.data(group.links[2])
            for channels in walker.chain(group.links[1], b"##CG"):
                walker.channel_group(channels)


class _Walker:
    """Reads blocks with checks."""

    def __init__(self, file: BinaryIO, size: int, name: str) -> None:
        self._file, self._size, self._name = file, size, name
        self._seen: set[int] = set()

    def block(self, address: int, *kinds: bytes) -> _Block:
        """Return the block at `address`, which must be one of `kinds`."""
        if address < _HD_ADDRESS or address + _HEADER.size > self._size:
            raise self._damaged(address, f"a block of kind {_shown(kinds)} was expected, the file ends before it")
        self._file.seek(address)
        kind, _, length, count = _HEADER.unpack(self._file.read(_HEADER.size))
        if kind not in kinds:
            raise self._damaged(address, f"a block of kind {_shown(kinds)} was expected")
        links_end = _HEADER.size + 8 * count
        if count > _MOST_LINKS or length < links_end or address + length > self._size:
            raise self._damaged(
                address, f"a block of kind {_shown((kind,))} says it has {length} bytes, which the file does not hold"
            )
        links = struct.unpack(f"<{count}Q", self._file.read(8 * count))
        data = b"" if kind in _BULK else self._file.read(min(length - links_end, 1 << 16))
        return _Block(address, kind, links, data)

    def chain(self, address: int, kind: bytes) -> Iterator[_Block]:
        """Yield the blocks of a linked list; a link back to a block already seen is damage."""
        while address:
            if address in self._seen or len(self._seen) > _MOST_CHANNELS:
                raise self._damaged(address, "the list of blocks leads back to itself")
            self._seen.add(address)
            found = self.block(address, kind)
            self.need(found, links=1, data=0)
            yield found
            address = found.links[0]

    def need(self, block: _Block, *, links: int, data: int) -> None:
        """Raise where a block is shorter than its kind."""
        if len(block.links) < links or len(block.data) < data:
            raise self._damaged(block.address, f"a block of kind {_shown((block.kind,))} is too short")

    def data(self, address: int) -> None:
        """Check the data blocks of a group, through lists of them."""
        if not address:
            return
        top = self.block(address, *_BULK, b"##DL", b"##HL", b"##DZ", b"##LD")
        if top.kind == b"##HL" and top.links:
            self.data(top.links[0])
        elif top.kind == b"##DL":
            for part in self._lists(top):
                for link in part.links[1:]:
                    if link:
                        self.block(link, *_BULK, b"##DZ")

    def _lists(self, first: _Block) -> Iterator[_Block]:
        yield first
        if first.links and first.links[0]:
            yield from self.chain(first.links[0], b"##DL")

    def channel_group(self, group: _Block) -> None:
        """Check that the channels of a group lie inside its record."""
        self.need(group, links=6, data=_CG.size)
        _, _, flags, _, _, data_bytes, invalid_bytes = _CG.unpack_from(group.data)
        if flags & 1:  # variable length signal data: its two fields hold a size, not a record
            return
        self._channels(group.links[1], data_bytes, invalid_bytes)

    def _channels(self, address: int, data_bytes: int, invalid_bytes: int) -> None:
        for channel in self.chain(address, b"##CN"):
            self.need(channel, links=8, data=_CN.size)
            kind, _, _, bit_offset, byte_offset, bit_count, flags, invalid_bit = _CN.unpack_from(channel.data)
            end = byte_offset + (bit_offset + bit_count + 7) // 8
            inside = kind in _VIRTUAL or (bit_offset < 8 and end <= data_bytes)
            if not inside or (flags & 2 and invalid_bit >= 8 * max(invalid_bytes, 1)):
                raise self._damaged(channel.address, f"a channel ends at byte {end} of a record of {data_bytes}")
            if channel.links[1] and self.block(channel.links[1], b"##CN", b"##CA").kind == b"##CN":
                self._channels(channel.links[1], data_bytes, invalid_bytes)

    def _damaged(self, address: int, what: str) -> InputError:
        return InputError(
            f"{self._name} is cut off or damaged at byte {address} ({what}): copy it again from its origin."
        )


_BULK = (b"##DT", b"##DV", b"##SD", b"##RD", b"##DI")


def _shown(kinds: tuple[bytes, ...]) -> str:
    """Return block kinds in words."""
    return " or ".join(kind.decode("latin-1").strip("#") for kind in kinds)
