"""What a drive's result depends on, in one SHA-256: content of all input files, options, versions."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from analyzer import __version__
from analyzer.drive_files import DriveFiles
from analyzer.errors import InputError
from analyzer.results.summary import SCHEMA_VERSION
from analyzer.verdict.judge import RULES_VERSION

#: State of a file: path, size [byte], time of the last change [ns].
Stamp = tuple[str, int, int]


@dataclass(frozen=True)
class Fingerprint:
    """The SHA-256, the size of all input files as stored [byte], and their state when they were read."""

    sha256: str
    input_bytes: int
    stamps: tuple[Stamp, ...]


def fingerprint(files: DriveFiles, options: str) -> Fingerprint:
    """Return the fingerprint of a drive.

    Names of files count without their folder, since column maps choose by name; so a drive that was moved is the same
    drive. The order of files does not count.

    Parameters
    ----------
    files : what was recorded.
    options : everything else that the result depends on, as text.

    Raises
    ------
    InputError : a file is missing or cannot be read.
    """
    entries, stamps = [], []
    for role, path in _files(files):
        stamps.append(stamp(path))
        entries.append((role, path.name, _digest(path)))
    content = {
        "files": sorted(entries),
        "read": [files.base, files.line_rate, str(files.date), files.require_checksum],
        "options": options,
        "versions": [__version__, RULES_VERSION, SCHEMA_VERSION],
    }
    sha256 = hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()
    return Fingerprint(sha256, sum(size for _, size, _ in stamps), tuple(stamps))


def stamp(path: Path) -> Stamp:
    """Return the state of a file."""
    try:
        found = path.stat()
    except OSError as error:
        raise _unreadable(path, error) from error
    return str(path), found.st_size, found.st_mtime_ns


def refuse_changed(stamps: tuple[Stamp, ...]) -> None:
    """Raise InputError where a file changed since `stamps` were taken: its content is not what was fingerprinted."""
    for known in stamps:
        if stamp(Path(known[0])) != known:
            raise InputError(f"{known[0]} was changed while the drive was assessed: wait until it is written, and run the batch again.")


def _files(files: DriveFiles) -> Iterator[tuple[str, Path]]:
    """Yield every file with its role; a folder of logs stands for what is in it."""
    for role, name in files.by_role():
        path = Path(name)
        if path.is_dir():
            yield from ((role, p) for p in sorted(path.rglob("*")) if p.is_file())
        else:
            yield role, path


def _digest(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise _unreadable(path, error) from error


def _unreadable(path: Path, error: OSError) -> InputError:
    if isinstance(error, FileNotFoundError):
        return InputError(f"{path} does not exist: check the path.")
    return InputError(f"{path} cannot be read ({error.strerror or error}): check the medium and the permissions.")
