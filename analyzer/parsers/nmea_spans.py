"""Where the fields of the sentences of one kind stand in a buffer, and fields of a single character."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from analyzer.parsers import nmea_words as number

Bytes = NDArray[np.uint8]
Positions = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

_SPACE = 32


@dataclass(frozen=True)
class Group:
    """Sentences of one kind in one buffer.

    Attributes
    ----------
    buffer, words : the padded bytes and their view as words.
    tokens : positions of commas and stops in the buffer.
    token : index into `tokens` of each sentence's ``$``.
    fields : number of fields of each sentence; those behind it are empty.
    """

    buffer: Bytes
    words: number.Words
    tokens: Positions
    token: Positions
    fields: Positions

    def __len__(self) -> int:
        return len(self.token)

    def limited(self, fields: Positions) -> Group:
        """Return the same sentences with only the first `fields` fields of each."""
        return replace(self, fields=fields)

    @cached_property
    def _stops(self) -> Positions:
        """Positions of ``$``, the commas and what ends the last field, one row per number (k x n)."""
        most = int(self.fields.max(initial=0)) + 1
        rows = np.arange(most + 1)[:, None]
        if not self._uniform:
            rows = np.minimum(rows, self.fields + 1)
        return self.tokens.take(self.token + rows)

    @cached_property
    def _uniform(self) -> bool:
        return bool((self.fields == self.fields[:1]).all())

    def span(self, field: int) -> tuple[Positions, Positions]:
        """Return start and end of a field; empty where the sentence has no such field."""
        start, end = self.spans(range(field, field + 1))
        return start[0], end[0]

    def spans(self, fields: range) -> tuple[Positions, Positions]:
        """Return starts and ends of consecutive fields, one row per field."""
        last = len(self._stops) - 1
        if fields.stop <= last and self._uniform:
            return self._stops[fields.start: fields.stop] + 1, self._stops[fields.start + 1: fields.stop + 1]
        rows = np.arange(fields.start, fields.stop)
        end = self._stops[np.minimum(rows + 1, last)]
        return np.minimum(self._stops[np.minimum(rows, last)] + 1, end), end


def decimals(group: Group, fields: range) -> tuple[Floats, Flags]:
    """Return the numbers of consecutive fields (k x n, NaN where empty) and which are none."""
    start, end = group.spans(fields)
    values, bad = np.empty(start.shape), np.empty(start.shape, dtype=bool)
    for row in range(len(start)):
        values[row], bad[row] = number.decimals(group.buffer, group.words, start[row], end[row])
    return values, bad


def letter(group: Group, field: int) -> tuple[Bytes, Flags]:
    """Return the single character of a field (0 where empty), and where there are several."""
    start, end = group.span(field)
    code = group.buffer[start]
    code[end <= start] = 0
    bad = end - start > 1
    if bad.any():
        start, end = number.trimmed(group.buffer, start, end)
        code = np.where(end > start, group.buffer[start], 0).astype(np.uint8)
        bad = end - start > 1
    code[code == _SPACE] = 0
    return code, bad


def not_letter(group: Group, field: int, expected: bytes) -> Flags:
    """Whether a field that is not empty holds something else than `expected`."""
    code, bad = letter(group, field)
    return np.asarray(bad | ((code != 0) & (code != expected[0])), dtype=bool)
