"""Columns too long for memory: kept in unnamed temporary files and mapped, so that tables of them look like any other.

The system reads a page of a mapped file when it is touched and may drop it again; `Scratch.release` drops all at once. A
thread does so many times a second while there are such columns, so that a process never holds much more than what it is just
working on. The files have no name: the system removes them when the last
array is gone, or when the process ends in whatever way.
"""

from __future__ import annotations

import mmap
import tempfile
import threading
import time
import weakref
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from analyzer.errors import OutputError
from analyzer.settings import thresholds

Scalar = TypeVar("Scalar", bound=np.generic)
Item = TypeVar("Item")
#: Takes an array and returns the same values, from wherever they are held.
Keeper = Callable[[NDArray[Any]], NDArray[Any]]
#: Shorter arrays [byte] stay in memory.
LEAST = 1 << 16
#: Bytes newly mapped after which all pages are released, and seconds between releases.
OFTEN, EVERY_S = 256 << 20, 0.1
#: Bytes written at once.
PIECE = 8 << 20


@dataclass(frozen=True)
class Sizes:
    """From where on a drive counts as large, and how it is then cut (thresholds_memory.toml).

    Attributes
    ----------
    text_byte : unpacked text of one source beyond which its columns go to files.
    epochs : epochs beyond which evidence works in blocks.
    block_epochs, overlap_s : epochs judged at once, and seconds on either side that are only looked at.
    piece : timed sentences put in order at once.
    """

    text_byte: int
    epochs: int
    block_epochs: int
    overlap_s: float
    piece: int

    @classmethod
    def usual(cls) -> Sizes:
        """Return the sizes of the thresholds file."""
        limits = thresholds("analyzer", "thresholds_memory.toml")
        return cls(int(limits["large.text_mib"]) << 20, int(limits["large.epochs"]), int(limits["large.block_epochs"]),
                   float(limits["large.overlap"]), int(limits["large.piece"]))


class Scratch:
    """Temporary files in `folder` (None: where the system keeps such files) for columns of one recording."""

    def __init__(self, folder: Path | None = None, sizes: Sizes | None = None) -> None:
        self.folder = folder
        self.sizes = sizes or Sizes.usual()
        self._maps: weakref.WeakSet[mmap.mmap] = weakref.WeakSet()
        self._since_release = 0
        self._tidying: threading.Thread | None = None

    @property
    def columns(self) -> int:
        """Return how many columns are mapped."""
        return len(self._maps)

    def keep(self, values: NDArray[Scalar]) -> NDArray[Scalar]:
        """Return the same values from a file; short arrays are returned as they are."""
        if values.nbytes < LEAST or self.holds(values):
            return values
        spool = self.spool()
        spool.add(values)
        return spool.finish(values.dtype, values.shape[1:])

    def empty(self, shape: int | tuple[int, ...], dtype: Any) -> NDArray[Any]:
        """Return an array of zeros to be filled."""
        size = int(np.prod(shape)) * np.dtype(dtype).itemsize
        if size < LEAST:
            return np.zeros(shape, dtype=dtype)
        with self._file() as file:
            file.truncate(size)
            return np.frombuffer(self._map(file, size), dtype=dtype).reshape(shape)

    def spool(self) -> Spool:
        """Return a column that grows by pieces."""
        return Spool(self._file(), self._map)

    def release(self) -> None:
        """Give the memory of all mapped pages back; their content stays in the files."""
        self._since_release = 0
        _release(self._maps)

    def holds(self, values: NDArray[Any]) -> bool:
        """Return whether `values` are mapped from one of the files."""
        base: Any = values
        while isinstance(base, np.ndarray):
            base = base.base
        return isinstance(base, mmap.mmap) or (isinstance(base, memoryview) and isinstance(base.obj, mmap.mmap))

    def _file(self) -> Any:
        try:
            return tempfile.TemporaryFile(dir=self.folder, prefix="postdrive-")
        except OSError as error:
            raise OutputError(f"{self.folder or tempfile.gettempdir()}: no room for temporary columns ({error.strerror}); free "
                              "space there or choose another folder.") from error

    def _map(self, file: Any, size: int) -> mmap.mmap:
        self._since_release += size
        if self._since_release > OFTEN:
            self.release()
        mapped = mmap.mmap(file.fileno(), size)
        self._maps.add(mapped)
        if self._tidying is None or not self._tidying.is_alive():
            self._tidying = threading.Thread(target=_tidy, args=(self._maps,), daemon=True, name="scratch")
            self._tidying.start()
        return mapped


def _release(maps: weakref.WeakSet[mmap.mmap]) -> None:
    if hasattr(mmap, "MADV_DONTNEED"):
        for one in list(maps):
            one.madvise(mmap.MADV_DONTNEED)


def _tidy(maps: weakref.WeakSet[mmap.mmap]) -> None:
    """Release the pages again and again until nothing is mapped: columns outlive the object that made them."""
    while len(maps):
        _release(maps)
        time.sleep(EVERY_S)


class Spool:
    """A column that grows by pieces; `finish` maps it."""

    def __init__(self, file: Any, mapper: Callable[[Any, int], mmap.mmap]) -> None:
        self._file = file
        self._map = mapper
        self._size = 0

    def add(self, values: NDArray[Any]) -> None:
        """Append values."""
        flat = np.ascontiguousarray(values).reshape(-1).view(np.uint8)
        try:
            for start in range(0, len(flat), PIECE):
                self._file.write(flat[start:start + PIECE].data)
        except OSError as error:
            raise OutputError(f"no room for temporary columns ({error.strerror}): free space in the folder of temporary files.") from error
        self._size += len(flat)

    def finish(self, dtype: Any, row: tuple[int, ...] = ()) -> NDArray[Any]:
        """Return everything that was added as one array with rows of shape `row`."""
        with self._file as file:
            file.flush()
            if not self._size:
                return np.empty((0, *row), dtype=dtype)
            return np.frombuffer(self._map(file, self._size), dtype=dtype).reshape(-1, *row)


def keeper(scratch: Scratch | None) -> Keeper:
    """Return what keeps arrays: in files of `scratch`, or where they are."""
    return scratch.keep if scratch is not None else lambda values: values


def held(item: Item, keep: Keeper) -> Item:
    """Return a dataclass with every array in it held by `keep`."""
    arrays = {f.name: value for f in fields(item) if isinstance(value := getattr(item, f.name), np.ndarray)}  # type: ignore[arg-type]
    return replace(item, **{name: keep(value) for name, value in arrays.items()})  # type: ignore[type-var]
