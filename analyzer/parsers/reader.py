"""What a reader of a format is, what it may be told and what it gives back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from analyzer.parsers.raw import RawSource
from analyzer.recording import Finding, Source
from analyzer.scratch import Scratch

if TYPE_CHECKING:
    from analyzer.parsers.column_map import ColumnMap


@dataclass(frozen=True)
class ReadOptions:
    """What the user said beside the file.

    Attributes
    ----------
    date : datetime.date, optional
        Day of the first row of a log that holds no date (``--date``).
    maps : tuple of ColumnMap
        Column maps (``--columns``); each names the files it serves by pattern.
    bus : Path, optional
        Bus description file for recordings of raw bus frames (``--bus``).
    place : str
        Where the source was recorded: ``rover`` or ``base``.
    source_id : int
        Index the source will have in Recording.sources; written into every row.
    solution_kind : str
        What the set-up sheet says of the positions: ``gnss``, ``fused`` or ``unknown``.
    require_checksum : bool
        Set NMEA sentences without a checksum aside instead of using them.
    allow_undated : bool
        Read logs without any date, their times counted from an unknown midnight.
    scratch : Scratch, optional
        Takes the columns of sources that are too long for memory.
    """

    date: dt.date | None = None
    maps: tuple[ColumnMap, ...] = ()
    bus: Path | None = None
    place: str = "rover"
    source_id: int = 0
    solution_kind: str = "unknown"
    require_checksum: bool = False
    allow_undated: bool = False
    scratch: Scratch | None = None


@dataclass(frozen=True)
class ReadPart:
    """What one source gave: the source with its ledger, tables by schema name, and findings.

    `tables` maps names of `analyzer.tables` (``fixes``, ``inertial`` …) to frames of that schema; `extras` holds what
    fits no table, by name.
    """

    source: Source
    tables: Mapping[str, pd.DataFrame]
    findings: tuple[Finding, ...] = ()
    extras: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class Reader:
    """A format: its name, a title for people, a recogniser and a reader.

    `recognise(head, name)` returns a confidence in 0…1 from the first bytes of the unpacked stream; the name may break
    ties between formats whose content looks alike but must not decide alone. `read(raw, options)` returns a ReadPart
    or raises InputError with one sentence.
    """

    name: str
    title: str
    recognise: Callable[[bytes, str], float]
    read: Callable[[RawSource, ReadOptions], ReadPart]
    extra: str | None = None
