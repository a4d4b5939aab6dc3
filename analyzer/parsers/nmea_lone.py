"""Position sentences that lost their checksum: lone ones without it, in a log that writes it, were cut off.

What stands before the cut looks whole, and its last field may be half a number: such a sentence is damage, not a position. A log
without checksums, or a stretch of one from another logger, is left as it is.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analyzer import intervals
from analyzer.parsers.nmea_epochs import SetAside
from analyzer.parsers.nmea_groups import POSITION_KINDS
from analyzer.parsers.nmea_text import MOST_DAMAGE, TextResult
from analyzer.parsers.sentences import Sentences
from analyzer.scratch import Scratch, keeper

#: From so many checksums of one kind on, a log writes them.
LEAST_CHECKED = 50
#: Lone sentences without are at most this share of their kind, in runs of at most so many.
MOST_SHARE, LONGEST_RUN = 0.1, 3


def without_lone(text: TextResult, scratch: Scratch | None = None) -> tuple[SetAside, ...]:
    """Take the lone position sentences without checksum out of `text` and return them, to be counted as ``truncated``."""
    found = []
    for kind in POSITION_KINDS:
        part = text.sentences.get(kind)
        rows = _lone(np.isin(part.start, text.ledger.unchecked)) if part is not None and len(text.ledger.unchecked) else np.zeros(0, np.int64)
        if part is None or not len(rows):
            continue
        found.append(SetAside("truncated", kind, part.start[rows], part.end[rows]))
        text.sentences[kind] = _without(part, rows, scratch)
        text.damage = np.union1d(text.damage, part.start[rows])[:MOST_DAMAGE]
        text.damage_count += len(rows)
    return tuple(found)


def _lone(bare: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return the rows of lone sentences among those of one kind, `bare` where they have no checksum."""
    if (~bare).sum() < LEAST_CHECKED or not 0 < bare.mean() <= MOST_SHARE:
        return np.zeros(0, dtype=np.int64)
    runs = intervals.runs(bare)
    short = runs[runs[:, 1] - runs[:, 0] <= LONGEST_RUN]
    return np.concatenate([np.zeros(0, dtype=np.int64), *(np.arange(a, b, dtype=np.int64) for a, b in short)])


def _without(part: Sentences, rows: NDArray[np.int64], scratch: Scratch | None) -> Sentences:
    """Return the sentences but for those at `rows`, one column after the other."""
    keep = keeper(scratch)
    columns = {name: keep(np.delete(values, rows, axis=0)) for name, values in part.columns.items()}
    decimals = None if part.decimals is None else keep(np.delete(part.decimals, rows))
    return replace(part, start=keep(np.delete(part.start, rows)), end=keep(np.delete(part.end, rows)), talker=keep(np.delete(part.talker, rows)),
                   columns=columns, decimals=decimals)
