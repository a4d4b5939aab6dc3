"""Open what the user names: files, folders, archives, standard input. Knows bytes, nothing of formats.

A source is one stream of unpacked bytes. Archives give one source per member, folders one per file. What cannot be
opened is one sentence: an error for a path the user named, a finding for one of many files of a folder or archive.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import BinaryIO

from analyzer.errors import InputError
from analyzer.parsers.raw import BLOCK, RawSource, Tally, digest
from analyzer.parsers.unpack import Packing, is_zip, packing_of
from analyzer.parsers.zip_members import members
from analyzer.recording import Finding

__all__ = ["BLOCK", "RawSource", "Tally", "digest", "misnamed", "open_sources"]

#: Marks of a folder that this tool wrote; its files are results, not logs.
RESULT_MARKS = ("summary.json", "base.json", "comparison.json", "runs.parquet")


def open_sources(
    paths: Sequence[str | Path], *, stdin: BinaryIO | None = None,
) -> tuple[list[RawSource], list[Finding]]:
    """Return the sources behind `paths`, in order, and what was left out.

    Parameters
    ----------
    paths : sequence of str or Path
        Files, folders (read recursively, without hidden files and result folders), zip archives, ``-`` for standard
        input. A path given twice is read once.
    stdin : binary stream, optional
        Read for ``-``; default the standard input of the process.

    Raises
    ------
    InputError
        A path that the user named is missing, empty, unreadable or a bomb; a folder holds nothing to read.
    """
    out: list[RawSource] = []
    findings: list[Finding] = []
    seen: set[str] = set()
    for path in paths:
        for raw in _open_one(str(path), findings, stdin):
            if raw.name in seen:
                findings.append(_left_out(raw.name, f"{raw.name} was named twice and is read once."))
            else:
                seen.add(raw.name)
                out.append(raw)
    if not out:
        raise InputError("no log was named: pass at least one file, folder or archive, or - for standard input.")
    return out, findings


def _open_one(name: str, findings: list[Finding], stdin: BinaryIO | None) -> Iterator[RawSource]:
    """Yield the sources of one path that the user named."""
    if name == "-":
        yield from _open_file(_standard_input(stdin), findings)
        return
    path = Path(name)
    try:
        is_folder, exists = path.is_dir(), path.exists()
        regular = path.is_file() or is_folder
    except OSError as error:
        raise InputError(f"{name} cannot be opened ({error.strerror}): check the path and the permissions.") from error
    if not exists:
        raise InputError(f"{name} does not exist: check the path (relative paths start at {Path.cwd()}).")
    if is_folder:
        yield from _open_folder(path, findings)
    elif not regular:
        raise InputError(f"{name} is neither a file nor a folder: pass a file, or - to read standard input.")
    else:
        yield from _open_file(_plain(path), findings)


def _open_folder(folder: Path, findings: list[Finding]) -> Iterator[RawSource]:
    """Yield the sources of all files of `folder`; faults of single files become findings."""
    found = 0
    for path in _files(folder, findings):
        try:
            for raw in _open_file(_plain(path, named=False), findings):
                found += 1
                yield raw
        except InputError as error:
            findings.append(_left_out(str(path), str(error)))
    if not found:
        raise InputError(f"the folder {folder} holds no file that can be read: pass the folder of the logs. "
                         f"{_reasons(str(folder), findings)}".strip())


def _files(folder: Path, findings: list[Finding]) -> Iterator[Path]:
    """Yield files below `folder` in order of name, without hidden ones, results and links back upwards."""
    try:
        entries = sorted(folder.iterdir())
    except OSError as error:
        findings.append(_left_out(str(folder), f"{folder} cannot be listed ({error.strerror}): check the permissions."))
        return
    if any((folder / mark).is_file() for mark in RESULT_MARKS):
        findings.append(_left_out(str(folder), f"{folder} is a result folder of this tool; its files are not logs and "
                                               "were left out."))
        return
    for entry in entries:
        if entry.name.startswith("."):
            continue
        if entry.is_dir() and not entry.is_symlink():
            yield from _files(entry, findings)
        elif entry.is_file():
            yield entry
        else:
            findings.append(
                _left_out(
                    str(entry),
                    f"{entry} is no file that can be read (a link to nowhere, to a folder, or "
                    "a device) and was left out.",
                )
            )


def _open_file(raw: RawSource, findings: list[Finding]) -> Iterator[RawSource]:
    """Yield the source or, for an archive, its members; empty input is refused."""
    head = raw.head()
    if not head:
        raise InputError(f"{raw.name} is empty (0 bytes): check that the logger wrote to it.")
    packing = packing_of(head)
    if is_zip(head):
        yield from _members(raw, findings)
    elif packing is None:
        yield raw
    else:
        yield _unpacked(raw, packing)


def _unpacked(raw: RawSource, packing: Packing) -> RawSource:
    """Return `raw` seen through `packing`."""
    out = RawSource(raw.name, raw.stored_size, raw.opener, packing, raw.path, raw.named)
    head = out.head()
    if not head:
        raise InputError(f"{raw.name} holds no bytes after unpacking ({packing.name}): it is empty or damaged from the "
                         "start, copy it again from its origin.")
    if is_zip(head) or packing_of(head):
        raise InputError(f"{raw.name} is packed more than once: unpack the outer layer and pass the result.")
    return out


def _members(raw: RawSource, findings: list[Finding]) -> Iterator[RawSource]:
    """Yield the members of a zip archive; faults of single members become findings."""
    found = 0
    archive = raw.path
    if archive is None:
        raise InputError(f"{raw.name} cannot be read as an archive: unpack it and pass the files.")
    for member in members(archive, raw.name):
        try:
            head = member.head()
            if is_zip(head):
                raise InputError(f"{member.name} is an archive inside an archive: unpack the outer one and pass it.")
            if not head:
                raise InputError(f"{member.name} is empty (0 bytes) or damaged from its start.")
            packing = packing_of(head)
            yield member if packing is None else _unpacked(member, packing)
            found += 1
        except InputError as error:
            findings.append(_left_out(member.name, str(error)))
    if not found:
        raise InputError(f"{raw.name} is a zip archive without a member that can be read. "
                         f"{_reasons(raw.name, findings)}".strip())


def _plain(path: Path, *, named: bool = True) -> RawSource:
    """Return the file at `path` as a source of its bytes on disk."""
    if problem := misnamed(path):
        raise InputError(problem)
    try:
        size = path.stat().st_size
        with path.open("rb"):
            pass
    except OSError as error:
        raise InputError(f"{path} cannot be opened ({error.strerror}): check the permissions.") from error
    return RawSource(str(path), size, lambda: path.open("rb"), path=path, named=named)


def misnamed(path: Path) -> str:
    """Return the sentence on a path that is no text, so that no result could state it; empty where it is text."""
    shown = _shown(str(path))
    return "" if shown == str(path) else f"{shown}: its name is no text in UTF-8, so no result could state it; rename it."


def _shown(text: str) -> str:
    """Return a text with the bytes of names that are no text written as escapes."""
    return text.encode(errors="backslashreplace").decode()


def _standard_input(stdin: BinaryIO | None) -> RawSource:
    """Return standard input as a source.

    It is copied to a temporary file first: recognising and random access need to look twice, and memory stays constant.
    """
    stream = sys.stdin.buffer if stdin is None else stdin
    kept = tempfile.NamedTemporaryFile(prefix="postdrive-stdin-")  # noqa: SIM115 (lives as long as the source)
    try:
        shutil.copyfileobj(stream, kept, BLOCK)
        kept.flush()
    except OSError as error:
        raise InputError(f"standard input cannot be kept in a temporary file ({error.strerror}): free space in "
                         f"{tempfile.gettempdir()} or pass the file by name.") from error
    path = Path(kept.name)

    def opener() -> BinaryIO:
        # the closure holds `kept`, which removes the file when the source goes away
        return path.open("rb") if not kept.closed else stream

    return RawSource("standard input", path.stat().st_size, opener, path=path)


def _left_out(name: str, text: str) -> Finding:
    """Return the finding that a file was not read, and why."""
    return Finding("source_left_out", "warning", _shown(text), {"source": _shown(name)})


def _reasons(prefix: str, findings: Iterable[Finding]) -> str:
    """Return what the findings say about sources whose name starts with `prefix`."""
    return " ".join(f.text for f in findings if str(f.evidence.get("source", "")).startswith(prefix))
