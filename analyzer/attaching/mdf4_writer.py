"""Add a quality group to a measurement file (ASAM MDF 4) behind its last byte; every byte before stays but two links."""

from __future__ import annotations

import hashlib
import shutil
import struct
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import BinaryIO
from xml.sax.saxutils import escape

import numpy as np
import pandas as pd

from analyzer import __version__
from analyzer.attaching.join import COLUMNS
from analyzer.attaching.mdf4_blocks import (
    HEADER_AT,
    Walker,
    block,
    channel,
    channel_group,
    text,
    value_to_text,
    walk_data,
    xml,
)
from analyzer.attaching.signals import Array
from analyzer.errors import InputError
from analyzer.settings import thresholds

GROUP = "position quality"
Rows = Callable[[int, int], pd.DataFrame]
#: Of each column: dtype in the record, data type and bits of its channel.
_KINDS = {"fix_state": ("<u1", 0, 8), "correction_age_s": ("<f8", 4, 64), "satellites_used": ("<f4", 4, 32),
          "horizontal_bound_m": ("<f4", 4, 32), "vertical_bound_m": ("<f4", 4, 32), "trust": ("<u1", 0, 8),
          "dropout_id": ("<u4", 0, 32), "window": ("<u2", 0, 16)}
_NONE = {"dropout_id": "; 0 where none", "window": "; 0 where none"}


def write(source: Path, target: Path, rows: Rows, *, stamps_s: Array, names: Sequence[str],
          comment: Callable[[str], str]) -> str:
    """Copy `source` to `target` with a group of quality on the time base `stamps_s`; return the hash of all cells.

    The hash is SHA-256 over the records of all groups, unpacked, in the order of the groups, those of the new group last.
    `comment` gives, from the hash, the comment of the new group.

    Raises
    ------
    InputError : the file is not finalised or damaged.
    """
    digest = hashlib.sha256()
    for piece in walk_data(source):
        digest.update(piece)
    shutil.copyfile(source, target)
    with target.open("r+b") as file:
        if file.read(8) != b"MDF     ":
            raise InputError(f"{source} was not closed by its logger (unfinalised); finalise it with the logger's own tools first.")
        walker = Walker(file, str(source))
        _, _, links = walker.head(HEADER_AT)
        last_group, last_history = walker.last_of(links[0]), walker.last_of(links[1])
        place = _Places(file)
        data_at, words = _records(place, rows, stamps_s, digest)
        cells = digest.hexdigest()
        group_at = _group(place, data_at, len(stamps_s), words, names=names, comment=comment(cells))
        history_at = _history(place)
        _link(file, last_group or HEADER_AT, group_at)
        _link(file, last_history or HEADER_AT, history_at, 0 if last_history else 1)
    return cells


def cells_digest(path: Path) -> str:
    """Return the hash of all cells of a file."""
    digest = hashlib.sha256()
    for piece in walk_data(path):
        digest.update(piece)
    return digest.hexdigest()


class _Places:
    """Appends blocks and knows where they stand."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        file.seek(0, 2)
        file.write(b"\0" * (-file.tell() % 8))

    def put(self, data: bytes) -> int:
        """Append and return the place."""
        self._file.seek(0, 2)
        at = self._file.tell()
        self._file.write(data)
        return at


def _records(place: _Places, rows: Rows, stamps_s: Array, digest: hashlib._Hash) -> tuple[int, dict[str, list[str]]]:
    """Append the records; return where they stand and the words of each column of codes."""
    kind = np.dtype([("time", "<f8"), *((name, dtype) for name, (dtype, _, _) in _KINDS.items())])
    length = 24 + kind.itemsize * len(stamps_s)
    at = place.put(struct.pack("<4sIQQ", b"##DT", 0, length, 0))
    step = int(thresholds("analyzer.attaching")["stream.rows"])
    words: dict[str, list[str]] = {}
    for start in range(0, len(stamps_s), step):
        frame = rows(start, min(start + step, len(stamps_s)))
        record = np.zeros(len(frame), dtype=kind)
        record["time"] = stamps_s[start:start + len(frame)]
        for (name, *_), given in zip(COLUMNS, frame.columns, strict=True):
            column = frame[given]
            if isinstance(column.dtype, pd.CategoricalDtype):
                words.setdefault(name, [str(c) for c in column.cat.categories])
                record[name] = column.cat.codes.to_numpy(dtype=np.int64) + (1 if name == "window" else 0)
            else:
                missing = 0 if name == "dropout_id" else np.nan
                record[name] = column.to_numpy(dtype=np.float64, na_value=missing)
        data = record.tobytes()
        digest.update(data)
        place.put(data)
    place.put(b"\0" * (-length % 8))
    return at, words


def _group(place: _Places, data_at: int, cycles: int, words: dict[str, list[str]], *, names: Sequence[str],
           comment: str) -> int:
    """Append data group, channel group and channels; return where the data group stands."""
    offset = 8 + sum(np.dtype(k[0]).itemsize for k in _KINDS.values())
    following = 0
    for (name, unit, meaning, rule), called in reversed(list(zip(COLUMNS, names, strict=True))):
        dtype, data_type, bits = _KINDS[name]
        offset -= np.dtype(dtype).itemsize
        about = place.put(text(f"{meaning}; {rule}{_NONE.get(name, '')}"))
        links = (following, 0, place.put(text(called)), 0, _conversion(place, words.get(name), first=name == "window"), 0,
                 place.put(text(unit)) if unit != "-" else 0, about)
        following = place.put(block(b"##CN", links, channel(kind=0, sync=0, data_type=data_type, at=offset, bits=bits)))
    links = (following, 0, place.put(text("time")), 0, 0, 0, place.put(text("s")), 0)
    master = place.put(block(b"##CN", links, channel(kind=2, sync=1, data_type=4, at=0, bits=64)))
    width = 8 + sum(np.dtype(k[0]).itemsize for k in _KINDS.values())
    about = place.put(xml(f"<CGcomment xmlns=\"http://www.asam.net/mdf/v4\"><TX>{escape(comment)}</TX></CGcomment>"))
    of_group = (0, master, place.put(text(GROUP)), 0, 0, about)
    group = place.put(block(b"##CG", of_group, channel_group(cycles, width)))
    return place.put(block(b"##DG", (0, group, data_at, 0), b"\0" * 8))


def _conversion(place: _Places, words: list[str] | None, *, first: bool) -> int:
    """Append the table from codes to words; 0 for a plain number. `first`: codes count from 1, 0 is the empty text."""
    if words is None:
        return 0
    whole = ["", *words] if first else words
    links = (0, 0, 0, 0, *(place.put(text(w)) for w in whole), 0)
    return place.put(block(b"##CC", links, value_to_text([float(k) for k in range(len(whole))])))


def _history(place: _Places) -> int:
    """Append an entry of the file's history."""
    words = (f"<FHcomment xmlns=\"http://www.asam.net/mdf/v4\"><TX>quality of positions added</TX><tool_id>postdrive</tool_id>"
             f"<tool_vendor>-</tool_vendor><tool_version>{__version__}</tool_version></FHcomment>")
    return place.put(block(b"##FH", (0, place.put(xml(words))), struct.pack("<QhhB3x", time.time_ns(), 0, 0, 0)))


def _link(file: BinaryIO, at: int, to: int, index: int = 0) -> None:
    """Let a link of the block at `at` lead to `to`."""
    file.seek(at + 24 + 8 * index)
    file.write(struct.pack("<q", to))
