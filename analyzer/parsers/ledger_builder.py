"""The account of one stream while it is read: counts, sizes and the first cases of each kind and tag."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analyzer.errors import AnalyzerError
from analyzer.recording import LEDGER_KINDS, Case, Entry, Ledger

#: Cases kept of each kind and tag, and characters of each excerpt.
CASES = 5
EXCERPT = 80


_ESCAPES = {9: "\\t", 10: "\\n", 13: "\\r", 92: "\\\\"}


def excerpt(content: bytes) -> str:
    """Return `content` as printable text of at most `EXCERPT` characters, no line end; odd bytes as ``\\xhh``."""
    body = content.rstrip(b"\r\n") or content
    head = body[: EXCERPT + 1]
    if len(head) <= EXCERPT and head.isascii() and b"\\" not in head and (plain := head.decode("ascii")).isprintable():
        return plain
    shown = "".join(_ESCAPES.get(c) or (chr(c) if 32 <= c < 127 else f"\\x{c:02x}") for c in head)
    return shown if len(shown) <= EXCERPT else shown[: EXCERPT - 1] + "…"


@dataclass
class Tally:
    """Count, size in bytes and first cases of one kind and tag."""

    count: int = 0
    size: int = 0
    cases: list[Case] = field(default_factory=list)


@dataclass
class LedgerBuilder:
    """The account of a stream while it is read.

    Attributes
    ----------
    tallies : by kind of `analyzer.recording.LEDGER_KINDS` and tag, in order of appearance.
    unchecked : sorted int64 starts of sentences that were read though they have no checksum.
    """

    tallies: dict[tuple[str, str], Tally] = field(default_factory=dict)
    unchecked: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, dtype=np.int64))

    def add(self, kind: str, tag: str, *, count: int, size: int, cases: Iterable[Case] = ()) -> None:
        """Add `count` pieces of `size` bytes in all; `cases` in stream order, behind those added before."""
        if kind not in LEDGER_KINDS:
            raise AnalyzerError(f"The ledger has no kind {kind!r}; expected one of {', '.join(LEDGER_KINDS)}.")
        tally = self.tallies.setdefault((kind, tag), Tally())
        tally.count += count
        tally.size += size
        tally.cases.extend(list(cases)[: CASES - len(tally.cases)])

    def illustrated(self) -> set[tuple[str, str]]:
        """Return the kinds and tags that have all the cases they may have."""
        return {key for key, tally in self.tallies.items() if len(tally.cases) >= CASES}

    def merge(self, other: LedgerBuilder) -> None:
        """Add the account of the bytes that follow."""
        for (kind, tag), tally in other.tallies.items():
            self.add(kind, tag, count=tally.count, size=tally.size, cases=tally.cases)

    def move(self, start: ArrayLike, end: ArrayLike, *, tag: str, to_kind: str,
             fetch: Callable[[int, int], bytes] | None = None) -> None:
        """Move sentences that were read (accepted, or read without a checksum) to another kind.

        Parameters
        ----------
        start, end : byte ranges of whole sentences of the three-letter kind `tag`.
        to_kind : kind they belong to now, e.g. ``duplicate_epoch``.
        fetch : returns the bytes of a range, for the excerpts; without it the excerpts stay empty.
        """
        begin, stop = np.asarray(start, dtype=np.int64).ravel(), np.asarray(end, dtype=np.int64).ravel()
        unchecked = np.isin(begin, self.unchecked)
        for from_kind, chosen in (("accepted", ~unchecked), ("no_checksum", unchecked)):
            if chosen.any():
                self._move(begin[chosen], stop[chosen], source=(from_kind, tag), to_kind=to_kind, fetch=fetch)
        self.unchecked = self.unchecked[~np.isin(self.unchecked, begin)]

    def _move(self, start: NDArray[np.int64], end: NDArray[np.int64], *, source: tuple[str, str], to_kind: str,
              fetch: Callable[[int, int], bytes] | None) -> None:
        """Move sentences of one kind and tag."""
        tally = self.tallies.get(source, Tally())
        size = int((end - start).sum())
        if tally.count < len(start) or tally.size < size:
            raise AnalyzerError(f"The ledger holds fewer {source[1]} sentences of kind {source[0]} than shall move.")
        gone = set(start.tolist())
        known = {case.start: case.excerpt for case in tally.cases}
        tally.count -= len(start)
        tally.size -= size
        tally.cases = [case for case in tally.cases if case.start not in gone]
        ranges = zip(start[:CASES].tolist(), end[:CASES].tolist(), strict=True)
        cases = [Case(a, b, known.get(a) or (excerpt(fetch(a, b)) if fetch else "")) for a, b in ranges]
        self.add(to_kind, source[1], count=len(start), size=size, cases=cases)
        if not tally.count:
            del self.tallies[source]

    def shifted(self, offset: int) -> LedgerBuilder:
        """Return the same account with all positions moved by `offset`."""
        return self.relocated(lambda position: position + offset)

    def relocated(self, place: Callable[[NDArray[np.int64]], NDArray[np.int64]]) -> LedgerBuilder:
        """Return the same account of pieces that start elsewhere: `place` gives the new starts for the old ones."""
        moved: dict[tuple[str, str], Tally] = {}
        for key, tally in self.tallies.items():
            starts = place(np.array([case.start for case in tally.cases], dtype=np.int64)).tolist()
            cases = [Case(a, a + c.end - c.start, c.excerpt) for a, c in zip(starts, tally.cases, strict=True)]
            moved[key] = replace(tally, cases=cases)
        return LedgerBuilder(moved, place(self.unchecked))

    def blend(self, other: LedgerBuilder) -> None:
        """Add the account of pieces that lie between those accounted for here."""
        for (kind, tag), tally in other.tallies.items():
            held = self.tallies.get((kind, tag), Tally()).cases
            self.add(kind, tag, count=tally.count, size=tally.size)
            self.tallies[kind, tag].cases = sorted([*held, *tally.cases], key=lambda case: case.start)[:CASES]

    def build(self, size: int) -> Ledger:
        """Return the finished ledger of a stream of `size` bytes, entries in the order of `LEDGER_KINDS` and by tag."""
        keys = sorted(self.tallies, key=lambda key: (LEDGER_KINDS.index(key[0]), key[1]))
        entries = tuple(
            Entry(kind, tag, tally.count, tally.size, tuple(tally.cases))
            for kind, tag in keys if (tally := self.tallies[kind, tag]).count
        )
        ledger = Ledger(entries, size)
        if not ledger.balanced:
            raise AnalyzerError(f"The ledger accounts for {sum(e.size for e in entries)} of {size} bytes.")
        return ledger
