"""Find the drives in folders: by a list of the user (drives.toml), else by the names of files."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from analyzer.batch.folder_drives import FolderDrive, drives_of
from analyzer.drive_files import DriveFiles
from analyzer.errors import InputError
from analyzer.parsers.sources import RESULT_MARKS
from analyzer.userfiles.drives_file import NAME as LIST_NAME
from analyzer.userfiles.drives_file import read_drives


@dataclass(frozen=True)
class Drive:
    """One drive of a batch.

    Attributes
    ----------
    name : what the user calls it: its place below the folder that was named, or its name in the list.
    place : where it is, absolute; a drive keeps its run id as long as its place stays.
    files : what was recorded.
    purpose : what the list of the user says its positions are for, else None.
    """

    name: str
    place: str
    files: DriveFiles
    purpose: str | None = None


@dataclass(frozen=True)
class Found:
    """Drives in order of place, and notes on files that were left out."""

    drives: tuple[Drive, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Defaults:
    """What serves every drive that has nothing of its own; column maps serve all."""

    setup: str | None = None
    check_points: str | None = None
    columns: tuple[str, ...] = ()
    require_checksum: bool = False
    not_within: Path | None = field(default=None)


def find_drives(folders: Sequence[str | Path], defaults: Defaults | None = None) -> Found:
    """Return the drives in `folders`, each once.

    Parameters
    ----------
    folders : folders that are searched with all folders below; or single logs, or lists of drives (TOML).
    defaults : what serves every drive; `not_within` is a folder that is not searched, that of the results.

    Raises
    ------
    InputError : a folder does not exist, or nothing in it is a drive.
    UsageError : a list of drives is faulty.
    """
    given = defaults or Defaults()
    notes: list[str] = []
    found: dict[str, Drive] = {}
    for name in folders:
        here = [_with(d, given) for d in _below(Path(name), given.not_within, notes.append)]
        if not here:
            raise InputError(
                f"{name}: no drive was found in it; expected logs of sentences, rover.* beside its companions, or a "
                f"list {LIST_NAME}. {' '.join(notes[:3])}".strip()
            )
        for drive in here:
            found.setdefault(drive.place, drive)
    return Found(tuple(found.values()), tuple(dict.fromkeys(notes)))


def run_id(name: str) -> str:
    """Return a name for folders and partitions made of the name of a drive: letters, digits and ``._-`` only.

    Examples
    --------
    >>> run_id("car 7/2026-04-14/rün 01")
    'car_7.2026-04-14.r_n_01'
    """
    plain = re.sub(r"[^A-Za-z0-9._-]+", "_", name.replace("\\", "/").replace("/", ".")).strip("._-")
    return plain[:120].rstrip("._-") or "run"


def _below(path: Path, not_within: Path | None, note: Callable[[str], None]) -> Iterator[Drive]:
    """Yield the drives behind one path that the user named."""
    if not path.exists():
        raise InputError(f"{path} does not exist: check the path (relative paths start at {Path.cwd()}).")
    whole = path.resolve()
    if path.is_file():
        if path.suffix.lower() == ".toml":
            yield from _listed(whole, "")
        else:
            yield from _single(whole, note)
        return
    avoided = not_within.resolve() if not_within is not None else None
    for folder, below in _folders(whole, avoided, note):
        yield from _in_folder(folder, below, whole.name, note)


def _folders(root: Path, avoided: Path | None, note: Callable[[str], None]) -> Iterator[tuple[Path, str]]:
    """Yield `root` and the folders below in order of name with their path below it; results and hidden ones left out."""
    waiting = [(root, "")]
    while waiting:
        folder, below = waiting.pop(0)
        if folder == avoided or any((folder / mark).is_file() for mark in RESULT_MARKS):
            if folder != avoided:
                note(f"{folder} is a result folder of this tool and was not searched.")
            continue
        yield folder, below
        if (folder / LIST_NAME).is_file():
            continue
        try:
            inside = sorted(e for e in folder.iterdir() if e.is_dir() and not e.is_symlink() and not e.name.startswith("."))
        except OSError as error:
            note(f"{folder} cannot be listed ({error.strerror}) and was not searched.")
            continue
        waiting[:0] = [(e, f"{below}/{e.name}".lstrip("/")) for e in inside]


def _in_folder(folder: Path, below: str, root: str, note: Callable[[str], None]) -> Iterator[Drive]:
    """Yield the drives whose logs stand in `folder` itself."""
    if (folder / LIST_NAME).is_file():
        yield from _listed(folder / LIST_NAME, below)
        return
    for one in drives_of(folder, note):
        yield _named(one, below, root)


def _named(one: FolderDrive, below: str, root: str) -> Drive:
    """Return a drive called by its place below the folder that was named."""
    name = "/".join(part for part in (below, one.own) if part) or root
    return Drive(name, str(one.place), one.files)


def _listed(path: Path, below: str) -> Iterator[Drive]:
    for entry in read_drives(path):
        name = f"{below}/{entry.name}".lstrip("/")
        yield Drive(name, f"{path}: {entry.name}", entry.files, entry.purpose)


def _single(path: Path, note: Callable[[str], None]) -> Iterator[Drive]:
    """Yield the drive of one log that the user named, with the companions that stand beside it."""
    fitting = [d for d in drives_of(path.parent, lambda _text: None) if str(path) in d.files.logs]
    if fitting:
        yield _named(fitting[0], "", path.parent.name)
    else:
        note(f"{path} is no log by its content; it is tried as it was named.")
        yield Drive(path.stem, str(path), DriveFiles(logs=(str(path),)))


def _with(drive: Drive, given: Defaults) -> Drive:
    """Return the drive with what serves all."""
    files = drive.files
    whole = replace(
        files,
        setup=files.setup or given.setup,
        check_points=files.check_points or given.check_points,
        columns=tuple(dict.fromkeys((*files.columns, *given.columns))),
        require_checksum=files.require_checksum or given.require_checksum,
    )
    return replace(drive, files=whole)
