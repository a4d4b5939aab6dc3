"""The files of one drive by what they are, as `assess` takes them: plain text and numbers that go to any process."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, fields


@dataclass(frozen=True)
class DriveFiles:
    """What was recorded on one drive, and how it is to be read.

    Attributes
    ----------
    logs : rover logs: files, folders, archives, or ``-`` for standard input; in any order.
    windows_from : measurement with a marker channel, ``FILE`` or ``FILE:CHANNEL``, instead of `windows`;
        `assess` takes it, a batch has no place for it.
    setup, windows, check_points, accept : files of the user, see DEVELOPERS.md; None where there is none.
    inertial, measurement : further tables of the drive.
    corrections : pairs of a path and the place where it was recorded, ``base``, ``rover`` or ``unknown``.
    columns : column maps; each names the files it serves by pattern.
    bus : bus description for recordings of raw bus frames.
    base_log, second_rover : recordings that help to tell why corrections were lost.
    base : base latitude [deg], longitude [deg], height [m], over the set-up sheet.
    line_rate : bit rate of the line that brings corrections [bit/s], over the set-up sheet.
    date : day of the first epoch, for logs that hold no date.
    require_checksum : set sentences without checksum aside.
    """

    logs: tuple[str, ...]
    setup: str | None = None
    windows: str | None = None
    windows_from: str | None = None
    check_points: str | None = None
    accept: str | None = None
    inertial: tuple[str, ...] = ()
    measurement: tuple[str, ...] = ()
    corrections: tuple[tuple[str, str], ...] = ()
    columns: tuple[str, ...] = ()
    bus: str | None = None
    base_log: str | None = None
    second_rover: str | None = None
    base: tuple[float, float, float] | None = None
    line_rate: int | None = None
    date: dt.date | None = None
    require_checksum: bool = False

    def by_role(self) -> list[tuple[str, str]]:
        """Return every file as (role, path); the role of a recording of corrections names its place."""
        found: list[tuple[str, str]] = []
        for name in (f.name for f in fields(self)):
            value = getattr(self, name)
            if name == "corrections":
                found += [(f"corrections@{place}", path) for path, place in value]
            elif name in _MANY:
                found += [(name, path) for path in value]
            elif name in _ONE and value is not None:
                found.append((name, value))
        return found


_MANY = frozenset({"logs", "inertial", "measurement", "columns"})
_ONE = frozenset({"setup", "windows", "check_points", "accept", "bus", "base_log", "second_rover"})
