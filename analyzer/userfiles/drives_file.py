"""drives.toml: which files make which drive of a batch, where the names of files do not say it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analyzer.drive_files import DriveFiles
from analyzer.errors import UsageError
from analyzer.userfiles.toml_file import parse_toml, read_user_text

NAME = "drives.toml"
WHAT = "list of drives"
_WILD = frozenset("*?[")


@dataclass(frozen=True)
class ListedDrive:
    """One drive of the list: its name, its files, and what its positions are for (None where not stated)."""

    name: str
    files: DriveFiles
    purpose: str | None = None


def read_drives(path: str | Path) -> tuple[ListedDrive, ...]:
    """Read the list of drives at `path`; its paths are taken from the folder of the list.

    Raises
    ------
    UsageError : unreadable, not TOML, a value the schema refuses, a name used twice, or a pattern that fits no file.
    """
    place = Path(path)
    content = parse_toml(read_user_text(place, what=WHAT), name=str(place), schema_name="drives", what=WHAT)
    common = content.get("all", {})
    drives = tuple(_drive({**common, **entry}, place) for entry in content["drive"])
    names = [d.name for d in drives]
    twice = next((n for n in names if names.count(n) > 1), None)
    if twice is not None:
        raise UsageError(f"{WHAT} {place}: the name '{twice}' stands there twice; give each drive a name of its own.")
    return drives


def _drive(entry: Mapping[str, Any], place: Path) -> ListedDrive:
    """Return one checked entry."""
    name = entry["name"].strip()

    def one(key: str) -> str | None:
        return str(place.parent / entry[key]) if key in entry else None

    def many(key: str) -> tuple[str, ...]:
        return tuple(found for text in entry.get(key, ()) for found in _fitting(text, place, name))

    corrections = [_split(text) for text in entry.get("corrections", ())]
    files = DriveFiles(
        logs=many("logs"),
        setup=one("setup"),
        windows=one("windows"),
        check_points=one("check_points"),
        accept=one("accept"),
        inertial=many("inertial"),
        measurement=many("measurement"),
        corrections=tuple((f, where) for text, where in corrections for f in _fitting(text, place, name)),
        columns=many("columns"),
        bus=one("bus"),
        base_log=one("base_log"),
        second_rover=one("second_rover"),
        base=_base(entry, place, name),
        line_rate=entry.get("line_rate"),
        date=_date(entry, place, name),
        require_checksum=entry.get("require_checksum", False),
    )
    return ListedDrive(name, files, _purpose(entry, place))


def _fitting(text: str, place: Path, name: str) -> list[str]:
    """Return the paths a text stands for: itself, or in order of name what fits its pattern."""
    whole = place.parent / text
    if not _WILD & set(text) or whole.exists():
        return [str(whole)]
    if Path(text).is_absolute():
        raise UsageError(f"{WHAT} {place}: drive '{name}': '{text}' is a pattern; write it from the folder of the list.")
    found = sorted(str(p) for p in place.parent.glob(text))
    if not found:
        raise UsageError(f"{WHAT} {place}: drive '{name}': no file fits '{text}'; correct the pattern.")
    return found


def _split(text: str) -> tuple[str, str]:
    """Return path and place of ``FILE@base`` or ``FILE@rover``; without a place: unknown."""
    path, at, where = text.rpartition("@")
    return (path, where) if at and where in ("base", "rover") else (text, "unknown")


def _base(entry: Mapping[str, Any], place: Path, name: str) -> tuple[float, float, float] | None:
    if "base" not in entry:
        return None
    latitude, longitude, height = map(float, entry["base"])
    if not (abs(latitude) <= 90 and abs(longitude) <= 180 and abs(height) < 20_000):
        raise UsageError(
            f"{WHAT} {place}: drive '{name}': base is {entry['base']}; expected latitude, longitude in degrees and "
            "height in metres."
        )
    return latitude, longitude, height


def _date(entry: Mapping[str, Any], place: Path, name: str) -> dt.date | None:
    if "date" not in entry:
        return None
    day = entry["date"]
    if isinstance(day, dt.date) and not isinstance(day, dt.datetime):
        return day
    try:
        return dt.date.fromisoformat(day)
    except (TypeError, ValueError):
        raise UsageError(f"{WHAT} {place}: drive '{name}': date is {day!r}; expected a day like 2026-03-24.") from None


def _purpose(entry: Mapping[str, Any], place: Path) -> str | None:
    """Return the purpose: a file beside the list where there is one, else a name."""
    text = entry.get("purpose")
    if text is None:
        return None
    beside = place.parent / text
    return str(beside) if beside.is_file() else str(text)
