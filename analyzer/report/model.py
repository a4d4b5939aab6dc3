"""What a report says, before it takes the form of a page: plain texts and tables."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Jump:
    """Where a row leads in the linked view: a stretch of time [ms since 1970 UTC]."""

    start_ms: float
    end_ms: float
    label: str


@dataclass(frozen=True)
class Table:
    """A table in words: `numeric` columns are set to the right, `wide` ones wrap; `jumps` and `links` are one per row or none.

    A link is the address that the first cell of its row leads to, empty where none.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: frozenset[int] = frozenset()
    jumps: tuple[Jump | None, ...] = ()
    wide: frozenset[int] = frozenset()
    note: str = ""
    links: tuple[str, ...] = ()


@dataclass(frozen=True)
class Section:
    """One part of the report. `figures` names the pictures drawn in it, in order."""

    key: str
    title: str
    paragraphs: tuple[str, ...] = ()
    items: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()
    figures: tuple[str, ...] = ()


@dataclass(frozen=True)
class SetupGroup:
    """The set-up items of one status."""

    status: str
    title: str
    items: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True)
class Report:
    """The whole report: the first screen and the detail that follows."""

    title: str
    run_line: str
    level: str
    level_words: str
    headline: str
    again: tuple[tuple[str, str], ...]
    verdict_sentences: tuple[str, ...]
    setup: tuple[SetupGroup, ...]
    quality: tuple[str, ...]
    corrections: tuple[str, ...]
    cannot_show: tuple[str, ...]
    sections: tuple[Section, ...]
    time_note: str
    alternatives: dict[str, str] = field(default_factory=dict)
