"""What all readers of tables share: the part made of a raw table and the maps that serve it."""

from __future__ import annotations

from collections.abc import Sequence

from analyzer.errors import UsageError
from analyzer.parsers.column_map import ColumnMap
from analyzer.parsers.column_map_apply import Applied, RawTable, apply_map
from analyzer.parsers.raw import RawSource
from analyzer.parsers.reader import ReadOptions, ReadPart
from analyzer.recording import Entry, Finding, Ledger, Source


def no_map(raw: RawSource) -> UsageError:
    """Return the error for a table that no column map serves."""
    return UsageError(
        f"{raw.name} is a table and no column map serves it: run 'postdrive columns {raw.name}', keep what it "
        "prints as a file, check it, and pass that file with --columns."
    )


def mapped_part(raw: RawSource, table: RawTable, maps: Sequence[ColumnMap], options: ReadOptions, *,
                digest: tuple[str, int], format_name: str, findings: Sequence[Finding] = ()) -> ReadPart:
    """Return the tables that `maps` make of one raw table, with the ledger in cells."""
    applied = [(used, apply_map(used, table, options)) for used in maps]
    return build_part(raw, applied, options, digest=digest, format_name=format_name, findings=findings,
                      columns=list(table.columns))


def build_part(
    raw: RawSource,
    applied: Sequence[tuple[ColumnMap, Applied]],
    options: ReadOptions,
    *,
    digest: tuple[str, int],
    format_name: str,
    findings: Sequence[Finding],
    columns: Sequence[str],
) -> ReadPart:
    """Return the part of a source from what each map gave."""
    entries = _merged([e for _, one in applied for e in one.entries])
    used = {c for one, _ in applied for c in one.used_columns}
    ledger = Ledger(entries, sum(e.size for e in entries), unit="cell",
                    unused=tuple(c for c in columns if c not in used))
    source = Source(
        name=raw.name, format=format_name, sha256=digest[0], stored_size=raw.stored_size, unpacked_size=digest[1],
        ledger=ledger, place=options.place,
        details={"column_maps": [one.name for one, _ in applied], "tables": [one.table for one, _ in applied],
                 "units": {c.name: c.unit for one, _ in applied for c in one.columns if c.name not in one.schema.names},
                 "stamped_by": {one.table: one.time.taken_by for one, _ in applied}},
    )
    found = (*findings, *(f for _, one in applied for f in one.findings))
    return ReadPart(source, {used_map.table: one.table for used_map, one in applied}, found)


def _merged(entries: Sequence[Entry]) -> tuple[Entry, ...]:
    """Return entries with those of one kind and tag added up."""
    out: dict[tuple[str, str], Entry] = {}
    for e in entries:
        old = out.get((e.kind, e.tag))
        out[e.kind, e.tag] = e if old is None else Entry(e.kind, e.tag, old.count + e.count, old.size + e.size,
                                                         (*old.cases, *e.cases)[:5])
    return tuple(out.values())
