"""Read a text stream of NMEA sentences, block by block, into columns and an account of every byte.

The stream is cut at line ends (or, where there are none, at edges of pieces), so that blocks of any size give the same
result and memory does not grow with the length of a line. One thread reads the units, one takes the digest, one
fetches the bytes; more share one interpreter to no gain.
"""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analyzer.parsers import framing
from analyzer.parsers.ledger_builder import LedgerBuilder
from analyzer.parsers.nmea_alike import Layouts
from analyzer.parsers.nmea_block import NOTES, Block
from analyzer.parsers.nmea_unit import read_unit
from analyzer.parsers.sentence_columns import SentenceColumns
from analyzer.parsers.sentences import Sentences
from analyzer.scratch import Scratch
from analyzer.threads import beside

Positions = NDArray[np.int64]
Frames = tuple[Positions, Positions]

#: Bytes parsed at once. Larger units need more memory and leave the processor's cache.
UNIT_SIZE = 2 << 20
#: Units that may wait to be read.
_AHEAD = 2
#: Starts of damage kept of one stream; their number is known beyond it.
MOST_DAMAGE = 1_000_000
_RTCM_PREAMBLE, _LF = 0xD3, 10
_PAD = bytes(framing.PADDING)
_Unit = tuple[NDArray[np.uint8], Frames | None]


@dataclass(frozen=True)
class RtcmFrames:
    """RTCM 3 frames found between the sentences: byte ranges in the stream, and the frames one behind the other."""

    start: Positions
    end: Positions
    content: bytes = b""

    def __len__(self) -> int:
        return len(self.start)

    @property
    def content_start(self) -> Positions:
        """Where each frame starts in `content`."""
        length = self.end - self.start
        return np.asarray(np.cumsum(length) - length, dtype=np.int64)


@dataclass
class TextResult:
    """What a text stream holds.

    Attributes
    ----------
    sentences : by kind, in stream order, positions counted in the whole stream.
    ledger : the account; other readers may still move sentences in it before `LedgerBuilder.build`.
    rtcm_frames : RTCM 3 frames found in the stream.
    notes : (offset, text) of the first lines of free text that are not blank.
    arrival_start, arrival_s : int64 starts of sentences before which the logger wrote its time of reception, and that
        time as float64 UTC seconds since 1970.
    size : bytes read.
    sha256 : of the bytes read, in hex.
    damage : increasing int64 starts of the first `MOST_DAMAGE` damaged sentences and runs of binary bytes.
    damage_count : how many there are in all.
    """

    sentences: dict[str, Sentences]
    ledger: LedgerBuilder
    rtcm_frames: RtcmFrames
    notes: list[tuple[int, str]]
    arrival_start: Positions
    arrival_s: NDArray[np.float64]
    size: int
    sha256: str
    damage: Positions
    damage_count: int


def blocks_of(path: Path | str, block_size: int = UNIT_SIZE) -> Iterator[bytes]:
    """Yield the content of a file in blocks of `block_size` bytes."""
    with Path(path).open("rb") as stream:
        while block := stream.read(block_size):
            yield block


def read_text(blocks: Iterable[bytes], *, require_checksum: bool = False,
              progress: Callable[[int], None] | None = None, unit_size: int = UNIT_SIZE,
              scratch: Scratch | None = None) -> TextResult:
    """Read a stream of NMEA sentences, other text and binary data.

    Parameters
    ----------
    blocks : the bytes of the stream in order, in pieces of any size.
    require_checksum : set sentences without a checksum aside instead of reading them.
    progress : called with the number of bytes parsed so far.
    unit_size : bytes parsed at once; the result does not depend on it.
    scratch : takes the columns of a stream that is longer than its `Sizes.text_byte`.
    """
    digest = _Digest()
    whole, layouts = _Whole(columns=SentenceColumns(scratch)), Layouts()
    ahead: deque[Future[Block]] = deque()
    with beside() as parsing, beside() as digest.thread:
        for content, rtcm in _units(blocks, unit_size, digest.add):
            ahead.append(parsing.submit(read_unit, content, rtcm, layouts, require_checksum=require_checksum,
                                        illustrated=whole.ledger.illustrated()))
            if len(ahead) > _AHEAD:
                whole.read(ahead.popleft().result(), progress)
        while ahead:
            whole.read(ahead.popleft().result(), progress)
        sha256 = digest.finish()
    return whole.finish(sha256)


class _Digest:
    """SHA-256 of a stream, taken beside the reading; holds one block at a time."""

    thread: Executor

    def __init__(self) -> None:
        self._sum = hashlib.sha256()
        self._running: Future[None] | None = None

    def add(self, block: bytes) -> None:
        """Add the next block."""
        if self._running is not None:
            self._running.result()
        self._running = self.thread.submit(self._sum.update, block)

    def finish(self) -> str:
        """Return the digest in hex."""
        if self._running is not None:
            self._running.result()
        return self._sum.hexdigest()


def _units(blocks: Iterable[bytes], unit_size: int, hasher: Callable[[bytes], object]) -> Iterator[_Unit]:
    """Yield parts of the stream that start and end at edges of pieces, with the RTCM 3 frames in them."""
    carry = b""
    for block in blocks:
        hasher(block)
        view = memoryview(block)
        for at in range(0, len(block), unit_size):
            window = b"".join((carry, view[at: at + unit_size], _PAD))
            cut, rtcm = _cut(window, len(window) - len(_PAD))
            if cut:
                yield _unit(window, cut), rtcm
            carry = window[cut: -len(_PAD)]
    if carry:
        yield _unit(carry + _PAD, len(carry)), _frames(carry, len(carry), final=True)[0]


def _unit(window: bytes, cut: int) -> NDArray[np.uint8]:
    """Return the first `cut` bytes and what framing needs behind them, without a copy."""
    return np.frombuffer(window, dtype=np.uint8, count=cut + framing.PADDING)


def _frames(window: bytes, size: int, *, final: bool) -> tuple[Frames | None, int]:
    """Return the RTCM 3 frames of a window, and from where on an unfinished one may lie (`size` if none)."""
    if _RTCM_PREAMBLE not in window:
        return None, size
    from analyzer.parsers.rtcm import find_frames

    spans = find_frames(memoryview(window)[:size], final=final)
    limit = size if spans.incomplete_from < 0 else spans.incomplete_from
    if not len(spans.start):
        return None, limit
    return (np.asarray(spans.start, dtype=np.int64), np.asarray(spans.end, dtype=np.int64)), limit


def _cut(window: bytes, size: int) -> tuple[int, Frames | None]:
    """Return how many of the first `size` bytes of a window no more bytes can change, and the RTCM 3 frames in them."""
    rtcm, limit = _frames(window, size, final=False)
    cut = _behind_last_line(window, size, limit=limit, rtcm=rtcm)
    cut = cut or _behind_last_piece(window, size, limit=limit, rtcm=rtcm)
    if rtcm is not None:
        inside = rtcm[1] <= cut
        rtcm = (rtcm[0][inside], rtcm[1][inside]) if inside.any() else None
    return cut, rtcm


def _behind_last_line(window: bytes, size: int, *, limit: int, rtcm: Frames | None) -> int:
    """Return the position behind the last line end outside of frames, 0 where there is none."""
    best = 0
    for mark in (b"\n", b"\r"):
        at = limit
        while (at := window.rfind(mark, best, at)) >= 0:
            inside = -1 if rtcm is None else int(np.searchsorted(rtcm[0], at, side="right")) - 1
            if inside >= 0 and rtcm is not None and at < rtcm[1][inside]:
                at = int(rtcm[0][inside])
            elif mark == b"\n" or (at + 1 < size and window[at + 1] != _LF):
                best = max(best, at + 1)
                break
    return best


def _behind_last_piece(window: bytes, size: int, *, limit: int, rtcm: Frames | None) -> int:
    """Return the start of the last piece that more bytes could change, with a text before it that may be its prefix."""
    pieces = framing.frame(_unit(window, size), rtcm)
    position = min(limit, size - framing.LOOKAHEAD)
    at = int(np.searchsorted(pieces.start, max(position, 0), side="right")) - 1
    if at > 0 and pieces.kind[at - 1] == framing.TEXT:
        at -= 1
    return int(pieces.start[at])


@dataclass
class _Whole:
    """The blocks of a stream put together."""

    size: int = 0
    columns: SentenceColumns = field(default_factory=SentenceColumns)
    ledger: LedgerBuilder = field(default_factory=LedgerBuilder)
    unchecked: list[Positions] = field(default_factory=list)
    notes: list[tuple[int, str]] = field(default_factory=list)
    arrivals: list[tuple[Positions, NDArray[np.float64]]] = field(default_factory=list)
    damage: list[Positions] = field(default_factory=list)
    damage_count: int = 0
    rtcm: list[tuple[Positions, Positions]] = field(default_factory=list)
    rtcm_bytes: list[bytes] = field(default_factory=list)

    def read(self, block: Block, progress: Callable[[int], None] | None) -> None:
        """Add the next block and tell how far the reading has come."""
        self.append(block)
        if progress is not None:
            progress(self.size)

    def append(self, block: Block) -> None:
        """Add the next block."""
        offset = self.size
        for part in block.sentences.values():
            part.start += offset
            part.end += offset
            self.columns.add(part, offset)
        moved = block.ledger.shifted(offset)
        self.ledger.merge(moved)
        self.unchecked.append(moved.unchecked)
        room = NOTES - len(self.notes)
        self.notes.extend((at + offset, text) for at, text in block.notes[:room])
        self.arrivals.append((block.arrivals[0] + offset, block.arrivals[1]))
        if self.damage_count < MOST_DAMAGE:
            self.damage.extend(starts + offset for starts in block.damage)
        self.damage_count += sum(map(len, block.damage))
        if len(block.rtcm[0]):
            self.rtcm.append((block.rtcm[0] + offset, block.rtcm[1] + offset))
            self.rtcm_bytes.append(block.rtcm_bytes)
        self.size += block.size

    def finish(self, sha256: str) -> TextResult:
        """Join the columns; each list of parts is given up as soon as it is joined."""
        nothing = np.empty(0, dtype=np.int64)
        self.ledger.unchecked = np.concatenate([nothing, *self.unchecked])
        sentences = self.columns.finish()
        frames = RtcmFrames(
            np.concatenate([nothing, *(start for start, _ in self.rtcm)]),
            np.concatenate([nothing, *(end for _, end in self.rtcm)]), b"".join(self.rtcm_bytes))
        return TextResult(
            sentences, self.ledger, frames, self.notes,
            np.concatenate([nothing, *(start for start, _ in self.arrivals)]),
            np.concatenate([np.empty(0), *(seconds for _, seconds in self.arrivals)]), self.size, sha256,
            np.sort(np.concatenate([nothing, *self.damage]))[:MOST_DAMAGE], self.damage_count)
