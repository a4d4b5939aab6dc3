"""Bytes of a few places of a source that was read, for the excerpts of sentences that were set aside later."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from analyzer.parsers.ledger_builder import CASES
from analyzer.parsers.nmea_epochs import SetAside
from analyzer.parsers.raw import RawSource

Range = tuple[int, int]


def first_ranges(raw: RawSource, pieces: Iterable[SetAside], unchecked: NDArray[np.int64]) -> dict[Range, bytes]:
    """Return the bytes of the first cases of each set of sentences, those without a checksum apart.

    Parameters
    ----------
    raw : the source; a plain file is read at these places only, anything else from its start to the last of them.
    pieces : sentences that were set aside.
    unchecked : starts of sentences without a checksum, which the ledger counts apart.
    """
    wanted: set[Range] = set()
    for piece in pieces:
        bare = np.isin(piece.start, unchecked)
        for rows in (np.flatnonzero(~bare)[:CASES], np.flatnonzero(bare)[:CASES]):
            wanted |= set(zip(piece.start[rows].tolist(), piece.end[rows].tolist(), strict=True))
    if not wanted:
        return {}
    if raw.path is not None and raw.packing is None:
        with raw.path.open("rb") as file:
            return {(a, b): file.read(b - a) for a, b in sorted(wanted) if file.seek(a) == a}
    return dict(_passing(raw, sorted(wanted)))


def _passing(raw: RawSource, wanted: list[Range]) -> Iterator[tuple[Range, bytes]]:
    """Yield the bytes of ranges in order while the source passes by; its findings stay as they were."""
    findings = list(raw.findings)
    offset, kept = 0, b""
    blocks = raw.blocks()
    for block in blocks:
        kept += block
        while wanted and wanted[0][1] <= offset + len(kept):
            low, high = wanted.pop(0)
            yield (low, high), kept[low - offset: high - offset]
        if not wanted:
            break
        drop = min(max(wanted[0][0] - offset, 0), len(kept))
        offset, kept = offset + drop, kept[drop:]
    raw.findings[:] = findings
