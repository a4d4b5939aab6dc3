"""Unpack gzip, bzip2 and xz streams block by block, keeping all that comes out before damage.

Compression is told by its magic bytes, never by a suffix: gzip RFC 1952 section 2.3.1, xz file format 1.2.1 section
2.1.1.1, zip APPNOTE 4.3.7 (local file header) and 4.3.16 (end of an empty archive), bzip2 by its signature and the
pi-digits block mark.
"""

from __future__ import annotations

import bz2
import lzma
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Protocol

from analyzer.errors import InputError
from analyzer.settings import thresholds

_MIB = 1 << 20
_PIECE = 64 << 10


class Readable(Protocol):
    """A stream of packed bytes."""

    def read(self, size: int = -1, /) -> bytes:
        """Return up to `size` bytes, all that is left for a negative size."""
        ...


class _Unpacker(Protocol):
    """What the unpackers share in use here."""

    def feed(self, data: bytes) -> Iterator[bytes]: ...
    @property
    def done(self) -> bool: ...
    @property
    def rest(self) -> bytes: ...


class _Deflate:
    """gzip member; keeps a copy of its state so that damage costs bytes, not a whole piece."""

    def __init__(self) -> None:
        self._inner = zlib.decompressobj(wbits=31)

    def feed(self, data: bytes) -> Iterator[bytes]:
        """Yield what `data` unpacks to (at most 1032 times its size, RFC 1951)."""
        saved = self._inner.copy()
        try:
            yield self._inner.decompress(data)
        except zlib.error as error:
            raise _Damage(_byte_by_byte(saved.decompress, data)) from error

    @property
    def done(self) -> bool:
        """Whether the end mark of the stream was read."""
        return self._inner.eof

    @property
    def rest(self) -> bytes:
        """Bytes behind the end mark."""
        return self._inner.unused_data


class _Block:
    """bzip2 or xz stream; hands out at most 1 MiB at a time, since a few bytes can grow to gigabytes."""

    def __init__(self, inner: bz2.BZ2Decompressor | lzma.LZMADecompressor) -> None:
        self._inner = inner

    def feed(self, data: bytes) -> Iterator[bytes]:
        """Yield what `data` unpacks to."""
        try:
            yield self._inner.decompress(data, _MIB)
            while not self._inner.needs_input and not self._inner.eof:
                yield self._inner.decompress(b"", _MIB)
        except (OSError, lzma.LZMAError) as error:
            raise _Damage(b"") from error

    @property
    def done(self) -> bool:
        """Whether the end mark of the stream was read."""
        return self._inner.eof

    @property
    def rest(self) -> bytes:
        """Bytes behind the end mark."""
        return self._inner.unused_data


class _Damage(Exception):
    """The packed stream is damaged; `salvaged` came out before the damage."""

    def __init__(self, salvaged: bytes) -> None:
        super().__init__("damaged")
        self.salvaged = salvaged


@dataclass(frozen=True)
class Packing:
    """One way of packing a single stream."""

    name: str
    magic: bytes
    new: Callable[[], _Unpacker]


PACKINGS = (
    Packing("gzip", b"\x1f\x8b\x08", _Deflate),
    Packing("bzip2", b"BZh", lambda: _Block(bz2.BZ2Decompressor())),
    Packing("xz", b"\xfd7zXZ\x00", lambda: _Block(lzma.LZMADecompressor(format=lzma.FORMAT_XZ))),
)


def packing_of(head: bytes) -> Packing | None:
    """Return how a stream that starts with `head` is packed, or None."""
    for packing in PACKINGS:
        if head.startswith(packing.magic):
            if packing.name == "bzip2" and head[4:10] not in (b"1AY&SY", b"\x17rE8P\x90"):
                continue
            return packing
    return None


def is_zip(head: bytes) -> bool:
    """Return whether `head` starts a zip archive."""
    return head.startswith((b"PK\x03\x04", b"PK\x05\x06"))


def unpack(stream: Readable, packing: Packing, name: str, report: Callable[[str], None]) -> Iterator[bytes]:
    """Yield the unpacked bytes of `stream`; damage ends it with a sentence to `report`, not an exception.

    Raises
    ------
    InputError
        When the output grows past the limits of thresholds_sources.toml, group ``unpack``.
    """
    guard = Guard(name)
    unpacker = packing.new()
    while piece := stream.read(_PIECE):
        guard.packed += len(piece)
        while piece:
            if unpacker.done:
                if not piece.startswith(packing.magic):
                    if piece.strip(b"\x00"):
                        report(f"{name}: bytes behind the end of the {packing.name} data were not read.")
                    return
                unpacker = packing.new()
            try:
                for out in unpacker.feed(piece):
                    yield guard.passed(out)
            except _Damage as damage:
                yield guard.passed(damage.salvaged)
                report(f"{name}: the {packing.name} data are damaged after {guard.unpacked} unpacked bytes; what came "
                       "before was read: copy the file again from its origin.")
                return
            piece = unpacker.rest if unpacker.done else b""
    if not unpacker.done:
        report(f"{name}: the {packing.name} data end early after {guard.unpacked} unpacked bytes; what came before was "
               "read: copy the file again from its origin.")


class Guard:
    """Counts packed and unpacked bytes and refuses what grows past the limits."""

    def __init__(self, name: str, packed: int = 0) -> None:
        limits = thresholds("analyzer.parsers", "thresholds_sources.toml")
        self.name, self.packed, self.unpacked = name, packed, 0
        self._ratio = limits["unpack.largest_ratio"]
        self._from = limits["unpack.ratio_checked_from_mib"] * _MIB
        self._most = limits["unpack.largest_size_gib"] * 1024 * _MIB

    def passed(self, data: bytes) -> bytes:
        """Count `data` and return it."""
        self.unpacked += len(data)
        if self.unpacked > self._most:
            raise InputError(f"{self.name} unpacks to more than {self._most / _MIB / 1024:.0f} GiB, the limit for one "
                             "file: unpack it yourself and pass the parts that belong to the drive.")
        if self.unpacked > self._from and self.unpacked > self._ratio * max(self.packed, 1):
            raise InputError(f"{self.name} grows by more than {self._ratio:.0f} times while unpacking, which no log "
                             "does: if it is a log after all, unpack it yourself and pass the unpacked file.")
        return data


def _byte_by_byte(feed: Callable[[bytes], bytes], data: bytes) -> bytes:
    """Return what `feed` gives for the bytes of `data` before it fails."""
    out = []
    for value in data:
        try:
            out.append(feed(bytes([value])))
        except zlib.error:
            break
    return b"".join(out)
