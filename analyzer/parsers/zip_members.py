"""Members of a zip archive as sources, with limits against bombs."""

from __future__ import annotations

import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import IO

from analyzer.errors import InputError
from analyzer.parsers.raw import RawSource, Stream
from analyzer.parsers.unpack import Guard
from analyzer.settings import thresholds

_MOST = thresholds("analyzer.parsers", "thresholds_sources.toml")["unpack.most_members"]


def members(archive: Path, shown: str) -> Iterator[RawSource]:
    """Yield the members of the zip file `archive`, called `shown` in messages.

    Raises
    ------
    InputError
        The directory of the archive is damaged, or it holds more members than any drive has.
    """
    try:
        with zipfile.ZipFile(archive) as opened:
            infos = [i for i in opened.infolist() if not i.is_dir() and not _hidden(i.filename)]
    except (zipfile.BadZipFile, OSError, ValueError) as error:
        raise InputError(f"{shown} is a zip archive whose directory cannot be read (cut off or damaged): copy it "
                         "again from its origin.") from error
    if len(infos) > _MOST:
        raise InputError(f"{shown} holds {len(infos)} members, more than the limit of {_MOST:.0f}: unpack it and pass "
                         "the files of the drive.")
    for info in infos:
        yield RawSource(f"{shown}/{info.filename}", info.compress_size, _opener(archive, info, shown), named=False)


def _hidden(member: str) -> bool:
    """Whether any part of a member's path is hidden or a shadow folder of a file manager."""
    return any(part.startswith((".", "__")) for part in member.split("/"))


def _opener(archive: Path, info: zipfile.ZipInfo, shown: str) -> Callable[[], Stream]:
    """Return a callable that opens one member with the limits against bombs."""
    name = f"{shown}/{info.filename}"

    def opener() -> Stream:
        opened = zipfile.ZipFile(archive)
        try:
            stream = opened.open(info)
        except (RuntimeError, zipfile.BadZipFile) as error:
            opened.close()
            if isinstance(error, zipfile.BadZipFile):
                raise
            # zipfile says so for encryption and for ways of packing that Python lacks
            raise InputError(f"{name} is encrypted or packed in a way that cannot be read here: unpack the archive and "
                             "pass the files.") from error
        return _Guarded(stream, opened, Guard(name, info.compress_size))
    return opener


class _Guarded:
    """An open member that counts what it hands out against the limits."""

    def __init__(self, stream: IO[bytes], archive: zipfile.ZipFile, guard: Guard) -> None:
        self._stream, self._archive, self._guard = stream, archive, guard

    def read(self, size: int = -1, /) -> bytes:
        """Return up to `size` bytes."""
        return self._guard.passed(self._stream.read(size))

    def __enter__(self) -> Stream:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None, /) -> bool | None:
        self._stream.close()
        self._archive.close()
        return None
