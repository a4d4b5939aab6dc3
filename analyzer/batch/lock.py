"""A lock on a folder that the system lets go by itself when its process ends, however it ends."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import IO

from analyzer.errors import OutputError

NAME = ".lock"


class FolderLock:
    """Keeps a second process out of a folder; media without locks are used without one."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / NAME
        self._file: IO[bytes] | None = None

    def take(self) -> None:
        """Take the lock.

        Raises
        ------
        OutputError : another process holds it.
        """
        file = self._path.open("ab")
        try:
            _lock(file)
        except BlockingIOError:
            file.close()
            raise OutputError(
                f"results {self._path.parent}: another batch is writing there; wait for it, or choose another folder."
            ) from None
        except OSError:
            # The medium knows no locks.
            pass
        self._file = file

    def release(self) -> None:
        """Let the lock go."""
        if self._file is not None:
            self._file.close()
            self._file = None


if sys.platform == "win32":  # pragma: no cover
    import msvcrt

    def _lock(file: IO[bytes]) -> None:
        try:
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        except PermissionError as error:
            raise BlockingIOError(error.errno, os.strerror(error.errno or 0)) from error

else:
    import fcntl

    def _lock(file: IO[bytes]) -> None:
        fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
