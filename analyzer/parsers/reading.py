"""Read everything that was recorded on one drive into one Recording."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from analyzer import tables
from analyzer.errors import InputError, UsageError
from analyzer.parsers.column_map import ColumnMap
from analyzer.parsers.mdf4 import repeated_starts
from analyzer.parsers.reader import ReadOptions, ReadPart
from analyzer.parsers.registry import identify
from analyzer.parsers.sources import RawSource, open_sources
from analyzer.recording import Finding, Recording, Source
from analyzer.scratch import Scratch
from analyzer.settings import thresholds

Progress = Callable[[str], None]
TIMED = {table.name: table for table in tables.TABLES}


@dataclass(frozen=True)
class Given:
    """Paths of one drive by what the user says they are; `corrections` pairs a path with its place."""

    logs: Sequence[str | Path] = ()
    inertial: Sequence[str | Path] = ()
    measurement: Sequence[str | Path] = ()
    corrections: Sequence[tuple[str | Path, str]] = ()


def read(
    paths: str | Path | Sequence[str | Path],
    *,
    date: dt.date | None = None,
    inertial: Sequence[str | Path] = (),
    measurement: Sequence[str | Path] = (),
    corrections: Sequence[tuple[str | Path, str]] = (),
    maps: Sequence[ColumnMap] = (),
    bus: Path | None = None,
    solution_kind: str = "unknown",
    require_checksum: bool = False,
    allow_undated: bool = False,
    progress: Progress | None = None,
    scratch: Scratch | None = None,
) -> Recording:
    """Read the files of one drive.

    Parameters
    ----------
    paths : rover logs: files, folders, archives, or ``-`` for standard input; in any order.
    date : day of the first epoch, for logs that hold no date.
    inertial, measurement : further tables of the drive.
    corrections : pairs of a path and the place where it was recorded, ``base`` or ``rover``.
    maps : column maps for tables; each names the files it serves by pattern.
    bus : bus description for recordings of raw bus frames.
    solution_kind : ``gnss``, ``fused`` or ``unknown``, as the user states it.
    require_checksum : set sentences without checksum aside instead of using them.
    allow_undated : read logs that hold no date, though none is given: their times then count from an unknown midnight,
        written as 1970-01-01, so that times of day, spans and rates are right; a finding ``undated`` says so.
    progress : called with a sentence before each source.
    scratch : temporary files for the columns of very long logs; default where the system keeps such files.

    Raises
    ------
    InputError : a file that was named cannot be read, or holds no date and none is given.
    """
    single = isinstance(paths, (str, Path))
    given = Given([paths] if single else list(paths), inertial, measurement, corrections)  # type: ignore[list-item, arg-type]
    options = ReadOptions(
        date=date, maps=tuple(maps), bus=bus, solution_kind=solution_kind, require_checksum=require_checksum,
        allow_undated=allow_undated, scratch=scratch or Scratch(),
    )
    findings: list[Finding] = []
    parts = _read_all(given, options, findings, progress or (lambda _: None))
    return _assemble(parts, findings)


def _read_all(given: Given, options: ReadOptions, findings: list[Finding], progress: Progress) -> list[ReadPart]:
    """Read every source; one that only a folder brought along may fail without costing the drive."""
    parts: list[ReadPart] = []
    groups: list[tuple[Sequence[str | Path], str]] = [(given.logs, "rover"), (given.inertial, "rover"), (given.measurement, "rover")]
    recorded = [([path], place) for path, place in given.corrections]
    for paths, place in [*groups, *recorded]:
        if not paths:
            continue
        raws, opened = open_sources(paths)
        findings.extend(opened)
        for raw in raws:
            progress(f"reading {raw.name}")
            part = _read_one(raw, replace(options, place=place, source_id=len(parts)), findings)
            if part is not None:
                parts.append(part)
                findings.extend(part.findings)
                findings.extend(_without_corrections(part) if (paths, place) in recorded else [])
                findings.extend(_other_table(part, paths, given))
        if raws and not any(part.source.name == raw.name for raw in raws for part in parts):
            raise InputError(f"{', '.join(map(str, paths))} holds nothing that can be read: {findings[-1].text}")
    return parts


def _without_corrections(part: ReadPart) -> list[Finding]:
    """Return a finding where a file that was given as recorded corrections holds none."""
    if len(part.tables.get("corrections", ())):
        return []
    text = f"{part.source.name} was given as recorded corrections and holds none that could be read (RTCM 3 messages are expected): it says nothing on them."
    return [Finding("corrections_none", "warning", text, {"source": part.source.name})]


def _other_table(part: ReadPart, paths: Sequence[str | Path], given: Given) -> list[Finding]:
    """Return a finding where a file given as a measurement or as inertial data became the other of the two by its column map."""
    for said, wanted, other in ((given.measurement, "measurement", "inertial"), (given.inertial, "inertial", "measurement")):
        if paths is said and len(part.tables.get(other, ())) and not len(part.tables.get(wanted, ())):
            text = (f"{part.source.name} was given with --{wanted}, but its column map makes it the table {other}, which is what it was read as: what only "
                    f"the table {wanted} holds is not used; set table = \"{wanted}\" in the map and name its columns, or give the file with --{other}.")
            return [Finding("given_as_other_table", "warning", text, {"source": part.source.name, "table": other})]
    return []


def _read_one(raw: RawSource, options: ReadOptions, findings: list[Finding]) -> ReadPart | None:
    try:
        reader, _tried = identify(raw)
        return _dated(reader.read(raw, options), raw.name, allow=options.allow_undated)
    except (InputError, UsageError) as error:
        if raw.named:
            raise
        findings.append(Finding("source_left_out", "warning", str(error), {"source": raw.name}))
        return None


def _dated(part: ReadPart, name: str, *, allow: bool) -> ReadPart:
    """Return a part whose times are dated; refuse one that holds times without any date, or say so."""
    held = (part.tables.get("fixes"), part.extras.get("base_fixes"))
    if not part.source.details.get("undated") or not any(isinstance(t, pd.DataFrame) and len(t) for t in held):
        return part
    if not allow:
        raise InputError(f"{name} holds times of day and no date: give the day of its first epoch with --date YYYY-MM-DD.")
    text = f"{name} holds no date: times of day, span and rates are right, the day is not known."
    return replace(part, findings=(*part.findings, Finding("undated", "problem", text, {"source": name})))


def _assemble(parts: list[ReadPart], findings: list[Finding]) -> Recording:
    """Join the parts' tables by time."""
    joined: dict[str, pd.DataFrame] = {}
    for name, table in TIMED.items():
        frames = [part.tables[name] for part in parts if name in part.tables and len(part.tables[name])]
        joined[name] = _join(frames, table)
    sources = tuple(part.source for part in parts)
    joined["fixes"], more = _one_rover(joined["fixes"], sources)
    findings.extend(more)
    findings.extend(repeated_starts(sources))
    return Recording(sources=sources, findings=tuple(findings), **joined)


def _join(frames: list[pd.DataFrame], table: tables.Table) -> pd.DataFrame:
    if not frames:
        return table.empty()
    if len(frames) == 1:
        return frames[0]
    frames.sort(key=lambda f: f.index[0])
    whole = pd.concat(frames)
    for name in table.names:
        if isinstance(frames[0][name].dtype, pd.CategoricalDtype):
            whole[name] = pd.concat([f[name].astype(object) for f in frames]).astype("category").to_numpy()
    return whole if whole.index.is_monotonic_increasing else whole.sort_index(kind="stable")


def _one_rover(fixes: pd.DataFrame, sources: tuple[Source, ...]) -> tuple[pd.DataFrame, list[Finding]]:
    """Return `fixes` with unique times, or refuse two receivers that would be blended."""
    if fixes["source_id"].nunique() < 2:
        return fixes, []
    findings = _between_files(fixes, sources)
    if fixes.index.has_duplicates:
        # of two rows of one time the one with a position stands first, so that an empty one never hides it
        empty = fixes["latitude_deg"].isna().to_numpy()
        fixes = fixes.iloc[np.lexsort((empty, pd.DatetimeIndex(fixes.index).asi8))]
    again = fixes.index.duplicated(keep="first")
    if not again.any():
        return fixes, findings
    _refuse_two_receivers(fixes, again, sources)
    text = f"{int(again.sum())} epochs stand in more than one file; the first file's rows are used"
    findings.append(Finding("files_overlap", "note", text, {"epochs": int(again.sum())}))
    return fixes[~again], findings


def _refuse_two_receivers(fixes: pd.DataFrame, again: np.ndarray, sources: tuple[Source, ...]) -> None:
    """Raise where rows of one time differ in place by more than the same receiver could write."""
    columns = ["latitude_deg", "longitude_deg"]
    second = fixes.loc[again, [*columns, "source_id"]]
    first = fixes.loc[~again, [*columns, "source_id"]].reindex(second.index)
    apart_m = 111_000.0 * (second[columns] - first[columns]).abs().max(axis=1).to_numpy(dtype=np.float64)
    limit_m = thresholds("analyzer.parsers", "thresholds_reading.toml")["files.same_place"]
    if (apart_m > limit_m).any():
        at = int(np.nanargmax(apart_m))
        names = [sources[int(table["source_id"].to_numpy()[at])].name for table in (first, second)]
        raise InputError(
            f"{names[0]} and {names[1]} hold different positions for the same time ({second.index[at]:%Y-%m-%dT%H:%M:%S}Z, "
            f"{apart_m[at]:.2f} m apart): they come from two receivers; assess one, and name the other with --second-rover."
        )


def _between_files(fixes: pd.DataFrame, sources: tuple[Source, ...]) -> list[Finding]:
    """Return findings on pauses between consecutive files."""
    out = []
    span = fixes.reset_index().groupby("source_id")["time_utc"].agg(["min", "max"]).sort_values("min")
    pause = thresholds("analyzer.parsers", "thresholds_reading.toml")["files.pause"]
    for (before, a), (after, b) in zip(list(span.iterrows())[:-1], list(span.iterrows())[1:], strict=True):
        gap_s = (b["min"] - a["max"]).total_seconds()
        if gap_s > pause:
            names = sources[int(before)].name, sources[int(after)].name  # type: ignore[call-overload]
            text = f"between {names[0]} and {names[1]} nothing was recorded for {gap_s:.1f} s"
            out.append(Finding("files_gap", "note", text, {"gap_s": gap_s}))
    return out
