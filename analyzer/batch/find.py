"""Find the drives in folders: by a list of the user (drives.toml), else by the names of files."""

from __future__ import annotations

import os
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby
from pathlib import Path

from analyzer.batch.conventions import is_file, is_folder, like_a_log
from analyzer.batch.folder_drives import FolderDrive, drives_of
from analyzer.drive_files import DriveFiles
from analyzer.errors import InputError
from analyzer.parsers.sources import RESULT_MARKS, misnamed
from analyzer.userfiles.drives_file import NAME as LIST_NAME
from analyzer.userfiles.drives_file import read_drives

#: Bytes of a run id: names of files may have 255, and what stands before and behind it takes some.
_LONGEST_ID = 160


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
    """Return a name for folders and partitions made of the name of a drive: letters and digits of any script and ``._-`` only.

    Letters are composed (NFC), so that a name is the same from every file system; those that this one cannot hold become ``_``.

    Examples
    --------
    >>> run_id("car 7/2026-04-14/rün 01")
    'car_7.2026-04-14.rün_01'
    """
    composed = unicodedata.normalize("NFC", name.replace("\\", "/").replace("/", "."))
    plain = "".join("".join(letters) if kept else "_" for kept, letters in groupby(composed, _kept)).strip("._-")
    return _within(plain, _LONGEST_ID).rstrip("._-") or "run"


def _kept(letter: str) -> bool:
    """Whether a character stays in a run id: letters with their marks, and digits."""
    if letter in "._-":
        return True
    kind = unicodedata.category(letter)
    if kind[0] not in "LM" and kind != "Nd":
        return False
    try:
        os.fsencode(letter)
    except UnicodeEncodeError:
        return False
    return True


def _within(text: str, most_bytes: int) -> str:
    """Return the beginning of a text that takes at most so many bytes."""
    return text.encode()[:most_bytes].decode(errors="ignore")


def _below(path: Path, not_within: Path | None, note: Callable[[str], None]) -> Iterator[Drive]:
    """Yield the drives behind one path that the user named."""
    if not path.exists():
        raise InputError(f"{path} does not exist: check the path (relative paths start at {Path.cwd()}).")
    whole = path.resolve()
    if problem := misnamed(whole):
        raise InputError(problem)
    if path.is_file():
        if path.suffix.lower() == ".toml":
            yield from _listed(whole, "")
        else:
            yield from _single(whole, note)
        return
    avoided = not_within.resolve() if not_within is not None else None
    for folder, below in _folders(whole, avoided, note):
        empty = True
        for drive in _in_folder(folder, below, whole.name, note):
            empty = False
            yield drive
        if empty and below and like_a_log(folder.name):
            note(f"{folder} is a folder though it is called like a log, and no log stands in it; a log is a file.")


def _folders(root: Path, avoided: Path | None, note: Callable[[str], None]) -> Iterator[tuple[Path, str]]:
    """Yield `root` and the folders below in order of name with their path below it; results and hidden ones left out.

    Folders behind links come last, so that one that also stands below `root` goes by its own place. Each is yielded once.
    """
    waiting, links, seen = [(root, "")], list[tuple[Path, str]](), set[Path]()
    while waiting or links:
        if not waiting:
            waiting = _followed(*links.pop(0), seen, note)
            continue
        folder, below = waiting.pop(0)
        if folder in seen or (avoided is not None and avoided in (folder, *folder.parents)):
            continue
        seen.add(folder)
        if any(is_file(folder / mark) for mark in RESULT_MARKS):
            note(f"{folder} is a result folder of this tool and was not searched.")
            continue
        yield folder, below
        if is_file(folder / LIST_NAME):
            continue
        inside = [(e, f"{below}/{e.name}".lstrip("/")) for e in _inside(folder, note)]
        waiting[:0] = [entry for entry in inside if not entry[0].is_symlink()]
        links += [entry for entry in inside if entry[0].is_symlink()]


def _followed(link: Path, below: str, seen: set[Path], note: Callable[[str], None]) -> list[tuple[Path, str]]:
    """Return the folder behind a link, nothing where it is searched already or holds the link itself."""
    real = link.resolve()
    if real in link.parents:
        note(f"{link} is a link back to {real}, in which it stands, and was not followed.")
    elif real in seen:
        note(f"{link} is a link to {real}, which is searched once, and was not followed.")
    else:
        return [(real, below)]
    return []


def _inside(folder: Path, note: Callable[[str], None]) -> list[Path]:
    """Return the folders in a folder and the links to folders in order of name; name what is neither folder nor file."""
    try:
        entries = sorted(e for e in folder.iterdir() if not e.name.startswith("."))
    except OSError as error:
        note(f"{folder} cannot be listed ({error.strerror}) and was not searched.")
        return []
    for entry in entries:
        if not is_folder(entry) and not is_file(entry):
            what = f"a link to {entry.readlink()}, which cannot be reached" if entry.is_symlink() else "neither a file nor a folder"
            note(f"{entry} is {what}, and was left out.")
        elif problem := misnamed(entry):
            note(problem)
    return [e for e in entries if is_folder(e) and not misnamed(e.resolve())]


def _in_folder(folder: Path, below: str, root: str, note: Callable[[str], None]) -> Iterator[Drive]:
    """Yield the drives whose logs stand in `folder` itself."""
    if is_file(folder / LIST_NAME):
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
