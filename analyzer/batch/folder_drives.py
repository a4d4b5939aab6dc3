"""The drives of one folder by the names of its files.

A folder with ``rover.*`` is one drive, its other files are companions. Otherwise each log is a drive by itself: what is
called ``STEM.setup.toml`` and the like is its own, ``setup.toml``, ``check_points.csv``, column maps and the bus
description serve all; of a lone log every companion is its own.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from analyzer.batch.conventions import (
    SENTENCES,
    SHARED,
    is_file,
    is_folder,
    one_format,
    own_role,
    role_of,
    stem_of,
    suffix_of,
)
from analyzer.drive_files import DriveFiles
from analyzer.errors import AnalyzerError
from analyzer.parsers.column_map import ColumnMap, load_column_map
from analyzer.parsers.registry import identify
from analyzer.parsers.sources import misnamed, open_sources

Note = Callable[[str], None]
#: Companions of which a drive has one at most.
_SINGLE = ("setup", "windows", "check_points", "accept", "bus", "base_log", "second_rover")


@dataclass(frozen=True)
class FolderDrive:
    """One drive of a folder: its own name within it (empty where the folder is the drive), its place, its files."""

    own: str
    place: Path
    files: DriveFiles


def drives_of(folder: Path, note: Note) -> list[FolderDrive]:
    """Return the drives whose logs stand in `folder` itself; `note` is told what was left out."""
    try:
        names = sorted(e for e in folder.iterdir() if is_file(e) and not e.name.startswith(".") and not misnamed(e))
    except OSError as error:
        note(f"{folder} cannot be listed ({error.strerror}) and was not searched.")
        return []
    roles: dict[str, list[Path]] = defaultdict(list)
    for path in names:
        roles[role_of(path.name) or "open"].append(path)
    if roles["rover"]:
        return [FolderDrive("", folder, _files(roles["rover"], roles, note))]
    logs = _logs(roles["open"], roles["columns"])
    if not logs:
        return _without_logs(folder, roles, note)
    own = {log: _own(log, names) for log in logs}
    if len(logs) == 1:
        merged = {role: own[logs[0]].get(role) or found for role, found in {**roles, **own[logs[0]]}.items()}
        return [FolderDrive(stem_of(logs[0].name), logs[0], _files(logs, merged, note))]
    _note_unused(folder, roles, note)
    shared = {role: roles[role] for role in SHARED}
    return [FolderDrive(stem_of(log.name), log, _files([log], {**shared, **own[log]}, note)) for log in _once(logs, note)]


def _without_logs(folder: Path, roles: dict[str, list[Path]], note: Note) -> list[FolderDrive]:
    """Say of a folder without a log why companions in it are no drive."""
    for path in roles["base_log"]:
        note(f"{path} is a log at a base by its name, no drive; 'postdrive base' looks at it.")
    kinds = [r for r in roles if roles[r] and r not in ("ignored", "open", "base_log", "setup", "check_points", "columns", "bus")]
    if roles["setup"] and not any(is_folder(e) and not e.name.startswith(".") for e in folder.iterdir()):
        kinds.append("setup")  # above other folders it may be the sheet that --setup gives to all of them; here it is a drive whose log is missing
    if kinds:
        note(f"{folder} holds companions of a drive ({', '.join(sorted(kinds))}) and no rover log.")
    return []


def _own(log: Path, names: Sequence[Path]) -> dict[str, list[Path]]:
    """Return the companions that bear the stem of a log."""
    found: dict[str, list[Path]] = defaultdict(list)
    for path in names:
        role = own_role(path.name, stem_of(log.name)) if path != log else None
        if role is not None:
            found[role].append(path)
    return dict(found)


def _logs(paths: Sequence[Path], columns: Sequence[Path]) -> list[Path]:
    """Return which files are rover logs: by content, or as tables by a column map that makes fixes of them."""
    maps = [m for m in map(_map, columns) if m is not None and m.table == "fixes"]
    found = [p for p in paths if suffix_of(p.name) in SENTENCES or any(m.serves(p.name) for m in maps) or _is_log(p)]
    stems = {stem_of(p.name) for p in found}
    return [p for p in found if not any(own_role(p.name, stem) for stem in stems)]


def _map(path: Path) -> ColumnMap | None:
    """Return a column map; a faulty one is refused where a drive uses it."""
    try:
        return load_column_map(path)
    except AnalyzerError:
        return None


def _is_log(path: Path) -> bool:
    """Whether a file, or the first file of an archive, holds sentences of a receiver."""
    try:
        raws, _ = open_sources([path])
        return identify(raws[0])[0].name == "nmea"
    except AnalyzerError:
        return False


def _once(logs: Sequence[Path], note: Note) -> list[Path]:
    """Return logs with one of each stem; a second one of the same stem would hide the first one's companions."""
    kept: dict[str, Path] = {}
    for log in logs:
        first = kept.setdefault(stem_of(log.name), log)
        if first is not log:
            note(f"{log} bears the same name as {first.name} and was left out; rename one of them.")
    return list(kept.values())


def _note_unused(folder: Path, roles: dict[str, list[Path]], note: Note) -> None:
    """Name companions that belong to one drive in a folder that holds several."""
    for role, paths in roles.items():
        if role not in (*SHARED, "open", "ignored", "rover"):
            for path in paths:
                note(
                    f"{path} serves no drive, since {folder.name} holds several logs; call it LOG.{path.name} with LOG the name "
                    "of its log, or write drives.toml."
                )


def _files(logs: Sequence[Path], roles: dict[str, list[Path]], note: Note) -> DriveFiles:
    """Return the files of one drive from its logs and the companions by role."""
    single = {role: _first(roles.get(role, []), note) for role in _SINGLE}
    corrections = [(path, role.partition("@")[2]) for role, paths in roles.items() if role.startswith("corrections@") for path in paths]
    return DriveFiles(
        logs=tuple(map(str, logs)),
        inertial=_tables(roles.get("inertial", []), note),
        measurement=_tables(roles.get("measurement", []), note),
        corrections=tuple(sorted((str(path), place) for path, place in corrections)),
        columns=tuple(map(str, roles.get("columns", []))),
        setup=single["setup"],
        windows=single["windows"],
        check_points=single["check_points"],
        accept=single["accept"],
        bus=single["bus"],
        base_log=single["base_log"],
        second_rover=single["second_rover"],
    )


def _first(paths: Sequence[Path], note: Note) -> str | None:
    """Return the first of files of which a drive has one."""
    for path in paths[1:]:
        note(f"{path} was left out: {paths[0].name} is its kind already.")
    return str(paths[0]) if paths else None


def _tables(paths: Sequence[Path], note: Note) -> tuple[str, ...]:
    """Return recordings of tables, each in one format only."""
    chosen, others = one_format(list(paths))
    for path in others:
        note(f"{path} was left out: {next(c.name for c in chosen if stem_of(c.name) == stem_of(path.name))} holds the same recording.")
    return tuple(map(str, chosen))
