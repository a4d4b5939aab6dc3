"""One unit of a text stream: lines that are written alike by templates, everything else by the general way."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
from numpy.typing import NDArray

from analyzer.parsers import framing
from analyzer.parsers.ledger_builder import LedgerBuilder
from analyzer.parsers.nmea_alike import Alike, Layouts, read_alike
from analyzer.parsers.nmea_block import Block, add_cases, look, read_block
from analyzer.parsers.sentences import Sentences

Bytes = NDArray[np.uint8]
Positions = NDArray[np.int64]
Keys = Collection[tuple[str, str]]


def read_unit(buffer: Bytes, rtcm: tuple[Positions, Positions] | None, layouts: Layouts, *,
              require_checksum: bool = False, illustrated: Keys = ()) -> Block:
    """Read the sentences of a unit and account for all its bytes.

    Parameters
    ----------
    buffer : bytes that start and end at the edge of a piece, and `framing.PADDING` more.
    rtcm : start and end of the RTCM 3 frames in it.
    layouts : the layouts of lines seen so far in the stream.
    require_checksum, illustrated : as for `nmea_block.read_block`. The result does not depend on `layouts`.
    """
    alike = read_alike(buffer, layouts) if rtcm is None else None
    if alike is None:
        return read_block(look(buffer, rtcm), require_checksum=require_checksum, illustrated=illustrated)
    size = len(buffer) - framing.PADDING
    if len(alike.rest) > framing.PADDING:
        block = read_block(look(alike.rest), require_checksum=require_checksum, illustrated=illustrated)
        _relocate(block, alike)
        block.size = size
    else:
        block = Block(size, {}, LedgerBuilder())
    account = LedgerBuilder()
    for kind, part in alike.sentences.items():
        add_cases(account, buffer, "accepted", kind, start=part.start, end=part.end, illustrated=illustrated)
        held = block.sentences.get(kind)
        block.sentences[kind] = part if held is None else _interleaved(part, held)
    block.ledger.blend(account)
    return block


def _relocate(block: Block, alike: Alike) -> None:
    """Move all positions from the bytes that were left to those of the whole unit."""
    for part in block.sentences.values():
        start = alike.place(part.start)
        part.start, part.end = start, start + (part.end - part.start)
    block.ledger = block.ledger.relocated(alike.place)
    offsets = alike.place(np.array([at for at, _ in block.notes], dtype=np.int64)).tolist()
    block.notes = [(at, text) for at, (_, text) in zip(offsets, block.notes, strict=True)]
    block.arrivals = (alike.place(block.arrivals[0]), block.arrivals[1])
    block.damage = [alike.place(part) for part in block.damage]


def _interleaved(first: Sentences, second: Sentences) -> Sentences:
    """Return the sentences of both in stream order."""
    start = np.concatenate([first.start, second.start])
    order = np.argsort(start, kind="stable")
    columns = {name: np.concatenate([values, second.columns[name]])[order] for name, values in first.columns.items()}
    decimals = None
    if first.decimals is not None and second.decimals is not None:
        decimals = np.concatenate([first.decimals, second.decimals])[order]
    return Sentences(first.kind, start[order], np.concatenate([first.end, second.end])[order],
                     np.concatenate([first.talker, second.talker])[order], columns, decimals=decimals)
