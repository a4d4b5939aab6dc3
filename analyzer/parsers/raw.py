"""One stream of unpacked bytes, with a look at its start and a way to read it again."""

from __future__ import annotations

import hashlib
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Protocol

from analyzer.errors import InputError
from analyzer.parsers.unpack import Packing, unpack
from analyzer.recording import Finding
from analyzer.settings import thresholds

_LIMITS = thresholds("analyzer.parsers", "thresholds_sources.toml")
BLOCK = int(_LIMITS["read.block_mib"]) << 20
HEAD = int(_LIMITS["read.head_kib"]) << 10


class Stream(Protocol):
    """What a source needs of an open file."""

    def read(self, size: int = -1, /) -> bytes:
        """Return up to `size` bytes, all that is left for a negative size."""
        ...

    def __enter__(self) -> Stream: ...
    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None, /) -> bool | None: ...


@dataclass
class RawSource:
    """One stream of unpacked bytes.

    Attributes
    ----------
    name : str
        Path as the user would recognise it, ``archive.zip/member`` for archives, ``standard input``.
    stored_size : int
        Bytes on disk (packed); for standard input known only after reading.
    named : bool
        Whether the user named it; one of many files of a folder or archive otherwise.
    findings : list of Finding
        Damage met while unpacking; complete after the last block.
    """

    name: str
    stored_size: int
    opener: Callable[[], Stream]
    packing: Packing | None = None
    path: Path | None = None
    named: bool = True
    findings: list[Finding] = field(default_factory=list)
    _head: bytes | None = None

    @property
    def base_name(self) -> str:
        """Last part of the name without a suffix of packing, for patterns of column maps."""
        last = self.name.replace("\\", "/").rsplit("/", 1)[-1]
        for suffix in (".gz", ".bz2", ".xz"):
            last = last.removesuffix(suffix) if self.packing else last
        return last

    def head(self, size: int = HEAD) -> bytes:
        """Return up to `size` unpacked bytes from the start, without consuming them."""
        if self._head is None:
            kept: list[Finding] = list(self.findings)
            self._head = first_bytes(self._pieces(HEAD), max(size, HEAD))
            self.findings[:] = kept
        return self._head[:size]

    def blocks(self, size: int = BLOCK) -> Iterator[bytes]:
        """Yield all unpacked bytes in blocks of `size` (the last one shorter). May be called again."""
        self.findings.clear()
        return regroup(self._pieces(size), size)

    @contextmanager
    def local_file(self) -> Iterator[Path]:
        """Give a path to the unpacked bytes, for formats that need random access."""
        if self.path is not None and self.packing is None:
            yield self.path
            return
        with tempfile.TemporaryDirectory(prefix="postdrive-") as folder:
            target = Path(folder) / (self.base_name or "data")
            with target.open("wb") as file:
                file.writelines(self.blocks())
            yield target

    def _pieces(self, size: int = BLOCK) -> Iterator[bytes]:
        """Yield unpacked bytes in pieces of any size; reading faults are one sentence."""
        try:
            with self.opener() as stream:
                if self.packing is None:
                    while data := stream.read(size):
                        yield data
                else:
                    yield from unpack(stream, self.packing, self.name, self._damaged)
        except (zipfile.BadZipFile, zlib.error, EOFError):
            self._damaged(f"{self.name}: the archive member is damaged; what came before the damage was read: "
                          "copy the archive again from its origin.")
        except OSError as error:
            raise InputError(f"{self.name} cannot be read ({error.strerror or error}): check the medium and the "
                             "permissions.") from error

    def _damaged(self, text: str) -> None:
        self.findings.append(Finding("damaged_archive", "warning", text, {"source": self.name}))


class Tally:
    """Iterate blocks and know their SHA-256 and size afterwards."""

    def __init__(self, blocks: Iterable[bytes]) -> None:
        self._blocks = blocks
        self._hash = hashlib.sha256()
        self.size = 0

    def __iter__(self) -> Iterator[bytes]:
        for block in self._blocks:
            self._hash.update(block)
            self.size += len(block)
            yield block

    @property
    def sha256(self) -> str:
        """Digest of what was iterated so far."""
        return self._hash.hexdigest()


def digest(raw: RawSource) -> tuple[str, int]:
    """Return SHA-256 and size of the unpacked bytes of `raw`."""
    tally = Tally(raw.blocks())
    for _ in tally:
        pass
    return tally.sha256, tally.size


def first_bytes(pieces: Iterator[bytes], size: int) -> bytes:
    """Return up to `size` bytes of `pieces` and close them."""
    out = bytearray()
    for piece in pieces:
        out += piece
        if len(out) >= size:
            break
    close = getattr(pieces, "close", None)
    if close is not None:
        close()
    return bytes(out[:size])


def regroup(pieces: Iterator[bytes], size: int) -> Iterator[bytes]:
    """Yield the bytes of `pieces` in blocks of exactly `size`, the last one shorter."""
    kept = bytearray()
    for piece in pieces:
        if not kept and len(piece) == size:
            yield piece
            continue
        kept += piece
        while len(kept) >= size:
            yield bytes(kept[:size])
            del kept[:size]
    if kept:
        yield bytes(kept)
