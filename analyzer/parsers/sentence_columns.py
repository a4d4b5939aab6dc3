"""The columns of the sentences of a stream while it is read: in memory, or of a long stream in temporary files."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analyzer.parsers.sentences import Sentences
from analyzer.scratch import Scratch, Spool

#: Arrays of `Sentences` beside its columns.
_OWN = ("start", "end", "talker", "decimals")


@dataclass
class _Poured:
    """The sentences of one kind in files: a spool, dtype and shape of a row for each array; texts stay in memory."""

    columns: tuple[str, ...]
    spools: dict[str, tuple[Spool, np.dtype[Any], tuple[int, ...]]]
    texts: list[str] = field(default_factory=list)


class SentenceColumns:
    """Collects sentences part by part; with `scratch`, a stream beyond its `Sizes.text_byte` goes to files."""

    def __init__(self, scratch: Scratch | None = None) -> None:
        self._scratch = scratch
        self._parts: dict[str, list[Sentences]] = {}
        self._poured: dict[str, _Poured] | None = None

    def add(self, part: Sentences, read_byte: int) -> None:
        """Add the next sentences of one kind; `read_byte` bytes of the stream lie before the block they come from."""
        if self._poured is None and self._scratch is not None and read_byte > self._scratch.sizes.text_byte:
            self._pour_all(self._scratch)
        if self._poured is not None and self._scratch is not None:
            self._pour(part, self._poured, self._scratch)
        else:
            self._parts.setdefault(part.kind, []).append(part)

    def finish(self) -> dict[str, Sentences]:
        """Return the sentences by kind; each list of parts is given up as soon as it is joined."""
        if self._poured is None:
            return {kind: _joined(self._parts.pop(kind)) for kind in sorted(self._parts)}
        return {kind: _mapped(kind, self._poured.pop(kind)) for kind in sorted(self._poured)}

    def _pour_all(self, scratch: Scratch) -> None:
        """Move what was collected so far to files."""
        self._poured = {}
        for kind in list(self._parts):
            for part in self._parts.pop(kind):
                self._pour(part, self._poured, scratch)

    @staticmethod
    def _pour(part: Sentences, poured: dict[str, _Poured], scratch: Scratch) -> None:
        arrays = _arrays(part)
        if part.kind not in poured:
            spools = {name: (scratch.spool(), array.dtype, array.shape[1:]) for name, array in arrays.items()}
            poured[part.kind] = _Poured(tuple(part.columns), spools)
        one = poured[part.kind]
        for name, (spool, dtype, _) in one.spools.items():
            spool.add(arrays[name].astype(dtype, copy=False))
        one.texts.extend(part.texts)


def _arrays(part: Sentences) -> dict[str, NDArray[Any]]:
    own = {f"own {name}": getattr(part, name) for name in _OWN if getattr(part, name) is not None}
    return own | {name: np.asarray(column) for name, column in part.columns.items()}


def _mapped(kind: str, poured: _Poured) -> Sentences:
    arrays = {name: spool.finish(dtype, row) for name, (spool, dtype, row) in poured.spools.items()}
    return Sentences(
        kind, arrays["own start"], arrays["own end"], arrays["own talker"], {name: arrays[name] for name in poured.columns},
        poured.texts, arrays.get("own decimals"))


def _joined(parts: list[Sentences]) -> Sentences:
    """Return the sentences of one kind as one; the columns of the parts are given up one by one."""
    first = parts[0]
    if len(parts) == 1:
        return first
    columns = {name: np.concatenate([part.columns.pop(name) for part in parts]) for name in list(first.columns)}
    decimals = [part.decimals for part in parts if part.decimals is not None]
    return Sentences(
        first.kind, np.concatenate([part.start for part in parts]), np.concatenate([part.end for part in parts]),
        np.concatenate([part.talker for part in parts]), columns, [text for part in parts for text in part.texts],
        np.concatenate(decimals) if decimals else None)
