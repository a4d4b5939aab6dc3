"""What was read from the files of one drive: tidy tables, their sources, and the account of every byte."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

from analyzer import tables

#: Ledger kinds; `accepted` first, the others say why bytes were set aside.
LEDGER_KINDS = (
    "accepted", "checksum", "no_checksum", "truncated", "field", "unknown_sentence", "proprietary", "other_text",
    "binary", "rtcm", "duplicate_epoch", "leap_second",
)


@dataclass(frozen=True)
class Case:
    """One located example of an entry: byte range in the unpacked source (or row range of a table) and an excerpt."""

    start: int
    end: int
    excerpt: str


@dataclass(frozen=True)
class Entry:
    """All pieces of one kind and tag in a source."""

    kind: str
    tag: str
    count: int
    size: int
    cases: tuple[Case, ...] = ()


@dataclass(frozen=True)
class Ledger:
    """The account of one source: its entries' sizes sum to `size`.

    `unit` is ``byte`` for text and streams, ``cell`` for tables (rows times used columns); `unused` names the columns
    or channels of a table that nothing read.
    """

    entries: tuple[Entry, ...]
    size: int
    unit: str = "byte"
    unused: tuple[str, ...] = ()

    def total(self, kind: str) -> int:
        """Return the size of all entries of `kind`."""
        return sum(e.size for e in self.entries if e.kind == kind)

    def count(self, kind: str) -> int:
        """Return the number of pieces of `kind`."""
        return sum(e.count for e in self.entries if e.kind == kind)

    @property
    def balanced(self) -> bool:
        """Whether the entries account for every byte or cell."""
        return sum(e.size for e in self.entries) == self.size


@dataclass(frozen=True)
class Source:
    """One stream that was read."""

    name: str
    format: str
    sha256: str
    stored_size: int
    unpacked_size: int
    ledger: Ledger
    confidence: float = 1.0
    place: str = "rover"
    details: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class Finding:
    """Something a reader of the result must know, in words.

    `level` is ``note`` (worth knowing), ``warning`` (weakens an answer) or ``problem`` (prevents an answer).
    """

    code: str
    level: str
    text: str
    evidence: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class Recording:
    """Everything read from one drive. Tables are plain DataFrames of the schemas in `analyzer.tables`."""

    sources: tuple[Source, ...]
    fixes: pd.DataFrame = field(default_factory=tables.FIXES.empty)
    satellites: pd.DataFrame = field(default_factory=tables.SATELLITES.empty)
    attitude: pd.DataFrame = field(default_factory=tables.ATTITUDE.empty)
    inertial: pd.DataFrame = field(default_factory=tables.INERTIAL.empty)
    corrections: pd.DataFrame = field(default_factory=tables.CORRECTIONS.empty)
    measurement: pd.DataFrame = field(default_factory=tables.MEASUREMENT.empty)
    findings: tuple[Finding, ...] = ()
