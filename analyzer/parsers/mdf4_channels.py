"""Channels of a measurement file (ASAM MDF 4) as samples with clocks of their own. Needs the extra ``mdf4``."""

from __future__ import annotations

import datetime as dt
import gc
import io
import logging
import sys
import traceback
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analyzer.errors import InputError, MissingExtraError, UsageError

_BUS_SUFFIXES = (".dbc", ".arxml")


@dataclass(frozen=True)
class Channel:
    """Samples of one channel: seconds since the start time of the file, values (numbers or text), and its unit."""

    name: str
    seconds: NDArray[np.float64]
    values: NDArray[Any]
    unit: str


@dataclass(frozen=True)
class Group:
    """Names of the channels that share one clock, and the number of its rows."""

    name: str
    index: int
    rows: int
    channels: tuple[str, ...]


class Measurement:
    """An open measurement file; raw bus frames are decoded where a bus description is given."""

    def __init__(self, opened: Any, name: str, raw_frames: int, decoded: bool) -> None:
        self._mdf = opened
        self.name = name
        self.raw_frames = raw_frames
        self.decoded = decoded
        self.groups = tuple(_groups(opened))

    @property
    def start_utc(self) -> dt.datetime:
        """Start time of the header."""
        start: dt.datetime = self._mdf.header.start_time
        return start.replace(tzinfo=dt.UTC) if start.tzinfo is None else start.astimezone(dt.UTC)

    @property
    def names(self) -> tuple[str, ...]:
        """All channels; with the group's name in front where several groups have one of this name."""
        plain = [c for g in self.groups for c in g.channels]
        return tuple(c if plain.count(c) == 1 else f"{g.name}/{c}" for g in self.groups for c in g.channels)

    def channel(self, name: str) -> Channel:
        """Return the samples of the channel `name` (``group/channel`` where the plain name is not unique).

        Raises
        ------
        UsageError
            There is no such channel, or several.
        InputError
            Its samples cannot be read.
        """
        found = [(g, c) for g in self.groups for c in g.channels if name in (c, f"{g.name}/{c}")]
        if len(found) != 1:
            raise UsageError(self._not_one(name, [f"{g.name}/{c}" for g, c in found]))
        group, plain = found[0]
        with _quiet(self.name, f"channel '{name}' of {self.name}"):
            signal = self._mdf.get(plain, group=group.index)
        values = np.asarray(signal.samples)
        if values.dtype.kind == "S":
            values = np.char.decode(values, "utf-8", "replace")
        elif values.dtype.kind == "O":
            values = np.asarray([v.decode("utf-8", "replace") if isinstance(v, bytes) else str(v) for v in values])
        return Channel(name, np.asarray(signal.timestamps, dtype=np.float64), values, str(signal.unit or ""))

    def _not_one(self, name: str, found: list[str]) -> str:
        """Say why `name` gives no single channel."""
        if found:
            return (f"{self.name}: several channels are called '{name}': write one of {', '.join(found[:4])} in the "
                    "column map.")
        if self.raw_frames and not self.decoded:
            return (f"{self.name} holds {self.raw_frames} raw bus frames and no channel '{name}': pass the bus "
                    "description (a .dbc or .arxml file) with --bus.")
        shown = ", ".join(self.names[:12]) or "no channel with samples"
        return f"{self.name} has no channel '{name}', which the column map or the command line names; it has {shown}."


@contextmanager
def open_measurement(path: Path, name: str, bus: Path | None = None) -> Iterator[Measurement]:
    """Open the file at `path`, called `name` in messages.

    Raises
    ------
    MissingExtraError
        The package that reads the format is not installed.
    InputError
        The file is cut off, damaged or of another kind.
    UsageError
        The bus description cannot be used.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            from asammdf import MDF
    except ImportError as error:
        raise MissingExtraError("asammdf", extra="mdf4", purpose=f"reading the measurement file {name}") from error
    _check_size(path, name)
    with _quiet(name, name):
        opened = MDF(path)
    try:
        frames = sum(int(g.channel_group.cycles_nr) for g in opened.groups if _is_raw(g))
        use, decoded = opened, False
        if frames and bus is not None:
            use, decoded = _decode(opened, bus, name), True
        yield Measurement(use, name, frames, decoded)
        if use is not opened:
            use.close()
    finally:
        opened.close()


def check_bus(bus: Path) -> None:
    """Raise UsageError where the bus description is missing, of an unknown kind, or holds no messages."""
    from asammdf.blocks.utils import load_can_database

    if not bus.is_file():
        raise UsageError(f"bus description {bus}: there is no such file; check the path.")
    if bus.suffix.lower() not in _BUS_SUFFIXES:
        raise UsageError(f"bus description {bus}: its kind is not known; pass a file that ends in "
                         f"{' or '.join(_BUS_SUFFIXES)}.")
    try:
        with _quiet(str(bus), str(bus)):
            loaded = load_can_database(bus)
            messages = 0 if loaded is None else len(loaded.frames)
    except InputError as error:
        raise UsageError(f"bus description {bus}: it cannot be read; check that it is not damaged.") from error
    if not messages:
        raise UsageError(f"bus description {bus}: it describes no message; pass the description of the bus.")


def _decode(opened: Any, bus: Path, name: str) -> Any:
    """Return the signals that the bus description gives for the raw frames."""
    check_bus(bus)
    with _quiet(name, f"the bus frames of {name}"):
        decoded = opened.extract_bus_logging(database_files={"CAN": [(str(bus), 0)]})
    if not any(True for _ in _groups(decoded)):
        decoded.close()
        raise UsageError(
            f"bus description {bus} describes none of the frames in {name}: pass the description of the bus "
            "that was recorded."
        )
    return decoded


def _groups(opened: Any) -> Iterator[Group]:
    """Yield the groups that hold rows of signals (not raw frames)."""
    for index, group in enumerate(opened.groups):
        rows = int(group.channel_group.cycles_nr)
        if not rows or _is_raw(group):
            continue
        master = opened.masters_db.get(index)
        names = tuple(c.name for i, c in enumerate(group.channels) if i != master)
        yield Group(str(group.channel_group.acq_name or f"group {index}"), index, rows, names)


def _is_raw(group: Any) -> bool:
    """Whether a group holds raw bus frames: flag bit 1 (bus event), ASAM MDF 4.1 channel group block."""
    return bool(int(group.channel_group.flags) & 2) and any(
        "Frame" in c.name or "Error" in c.name for c in group.channels
    )


def _check_size(path: Path, name: str) -> None:
    """Refuse what is too short to hold the identification and header blocks (64 + 104 bytes)."""
    size = path.stat().st_size
    if size < 168:
        raise InputError(
            f"{name} is cut off after {size} bytes, before the end of its header: copy it from its origin."
        )


@contextmanager
def _quiet(name: str, what: str) -> Iterator[None]:
    """Turn what the reading package raises into one sentence; its log lines, prints and warnings stay out."""
    logger = logging.getLogger("asammdf")
    level = logger.level
    logger.setLevel(logging.CRITICAL + 1)
    try:
        with warnings.catch_warnings(), np.errstate(all="ignore"), redirect_stdout(io.StringIO()):
            warnings.simplefilter("ignore")
            yield
    except (UsageError, InputError):
        raise
    except Exception as error:  # the package has no common base for damage: struct, zlib, key and value errors
        text = next(iter(str(error).splitlines()), "")[:100]
        _let_go(error)
        raise InputError(
            f"{what} cannot be read ({type(error).__name__}{': ' + text if text else ''}): the file {name} is "
            "cut off or damaged, copy it again from its origin."
        ) from error
    finally:
        logger.setLevel(level)


def _let_go(error: BaseException) -> None:
    """Drop what the frames of `error` hold: a half-built file object complains on stderr when it is collected later."""
    hook, sys.unraisablehook = sys.unraisablehook, lambda _: None
    try:
        traceback.clear_frames(error.__traceback__)
        gc.collect()
    finally:
        sys.unraisablehook = hook
