"""The account of a correction stream: every byte that is no valid frame gets a kind, once."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analyzer.parsers.rtcm_frames import OVERHEAD, claims
from analyzer.parsers.rtcm_messages import is_known
from analyzer.recording import Case, Entry

#: Examples kept per entry; counts and sizes are of all pieces.
CASES = 5
_EXCERPT = 24
#: Shorter stretches of printable bytes are chance within binary data.
_LEAST_TEXT = 12
_TEXT_BYTES = np.zeros(256, dtype=bool)
_TEXT_BYTES[[9, 10, 13, *range(32, 127)]] = True
_Array = NDArray[np.int64]


@dataclass
class _Pile:
    """Pieces of one kind and tag."""

    count: int = 0
    size: int = 0
    cases: list[Case] = field(default_factory=list)


class Account:
    """Adds up the pieces of one stream, which come in rising order without holes."""

    def __init__(self) -> None:
        self.size = 0
        self._piles: dict[tuple[str, str], _Pile] = {}
        self._last: tuple[str, str] | None = None
        self._failed_until = 0

    def entries(self) -> tuple[Entry, ...]:
        """Return the entries, largest first; their sizes sum to `size`."""
        order = sorted(self._piles.items(), key=lambda item: (-item[1].size, item[0]))
        return tuple(Entry(kind, tag, p.count, p.size, tuple(p.cases)) for (kind, tag), p in order)

    def count(self, kind: str) -> int:
        """Return the number of pieces of `kind`."""
        return sum(p.count for (k, _), p in self._piles.items() if k == kind)

    def add_block(
        self, data: NDArray[np.uint8], start: _Array, end: _Array, numbers: _Array, *, final: bool,
    ) -> None:
        """Account for all of `data`, which follows what came before and holds the frames `start` to `end`.

        `numbers` are their message numbers, -1 for a frame without one.
        """
        gap_start, gap_end = np.r_[0, end], np.r_[start, len(data)]
        open_end = len(data) if final else -1
        for low, high in zip(gap_start.tolist(), gap_end.tolist(), strict=True):
            if high > low:
                self._gap(data[low:high], self.size + low, cut=high == open_end)
        for number in np.unique(numbers).tolist():
            which = numbers == number
            cases = zip(start[which][:CASES].tolist(), end[which][:CASES].tolist(), strict=True)
            self._pile("rtcm", "empty" if number < 0 else str(number), int(which.sum()),
                       int((end - start)[which].sum()), [self._case(data, a, b) for a, b in cases])
        self._last = None if len(end) and end[-1] == len(data) else self._last
        self.size += len(data)

    def _case(self, data: NDArray[np.uint8], start: int, end: int) -> Case:
        """Return bytes `start` to `end` of the present block as an example."""
        return Case(self.size + start, self.size + end, _excerpt(data[start:end]))

    def _pile(self, kind: str, tag: str, count: int, size: int, cases: list[Case]) -> None:
        """Add pieces of one kind."""
        pile = self._piles.setdefault((kind, tag), _Pile())
        pile.count += count
        pile.size += size
        pile.cases += cases[:CASES - len(pile.cases)]

    def _piece(self, data: NDArray[np.uint8], start: int, kind: str, tag: str = "") -> None:
        """Add one piece, or lengthen the one before where it is of the same kind and no frame."""
        new = self._last != (kind, tag) or kind in ("checksum", "truncated")
        cases = [Case(start, start + len(data), _excerpt(data))]
        self._pile(kind, tag, int(new), len(data), cases if new else [])
        self._last = (kind, tag)

    def _gap(self, data: NDArray[np.uint8], origin: int, *, cut: bool) -> None:
        """Account for a stretch without valid frames: failed frames first, the rest by looks.

        `cut` says that the stream ends with it. A failed frame lasts to its claimed end or to the next valid frame.
        """
        position = min(max(self._failed_until - origin, 0), len(data))
        if position:
            self._pile("checksum", "rtcm", 0, position, [])
        start, end = claims(data)
        plausible = _plausible(data, start, end)
        for low, high in zip(start[plausible].tolist(), end[plausible].tolist(), strict=True):
            if low < position:
                continue
            self._unframed(data[position:low], origin + position)
            stop = min(high, len(data))
            self._piece(data[low:stop], origin + low, "truncated" if cut and high > len(data) else "checksum", "rtcm")
            self._failed_until = origin + high
            position = stop
        self._unframed(data[position:], origin + position)

    def _unframed(self, data: NDArray[np.uint8], origin: int) -> None:
        """Split bytes that belong to no frame into text and binary."""
        if not len(data):
            return
        change = np.flatnonzero(np.diff(_TEXT_BYTES[data])) + 1
        edges = np.r_[0, change, len(data)]
        is_text = _TEXT_BYTES[data[edges[:-1]]] & (np.diff(edges) >= _LEAST_TEXT)
        keep = np.r_[True, is_text[1:] != is_text[:-1]]
        borders = np.r_[edges[:-1][keep], len(data)].tolist()
        for low, high, text in zip(borders[:-1], borders[1:], is_text[keep].tolist(), strict=True):
            self._piece(data[low:high], origin + low, "other_text" if text else "binary")


def _plausible(data: NDArray[np.uint8], start: _Array, end: _Array) -> NDArray[np.bool_]:
    """Return which claimed frames look meant: a payload, and a message number that the standard gives out."""
    has = (end - start >= OVERHEAD + 2) & (start + 4 < len(data))
    at = start[has]
    number = (data[at + 3].astype(np.int64) << 4) | (data[at + 4] >> 4)
    known = np.fromiter((is_known(n) for n in number.tolist()), dtype=bool, count=len(number))
    has[has] = known
    return has


def _excerpt(data: NDArray[np.uint8]) -> str:
    """Return the beginning of `data` as text where it is text, else in hexadecimal digits."""
    head = data[:_EXCERPT]
    if bool(_TEXT_BYTES[head].all()):
        return head.tobytes().decode("ascii").strip()
    return head.tobytes().hex(" ")
