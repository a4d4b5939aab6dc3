"""Decisions of a person: windows that are accepted in spite of doubt, stretches that are left out. TOML by the user."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from analyzer.errors import UsageError
from analyzer.userfiles.moments import TimeOfDay, read_moment
from analyzer.userfiles.toml_file import line_of_key, parse_toml, read_user_text

WHAT = "accept file"


@dataclass(frozen=True)
class Decision:
    """One decision.

    Attributes
    ----------
    action : ``accept`` or ``exclude``.
    by, reason : who decided, and why.
    window : name of the window, or None where a time is given.
    start_utc, end_utc : the stretch, or None where a window is named.
    place : file, line and entry it stands at, for errors; empty where it came from no file.
    """

    action: str
    by: str
    reason: str
    window: str | None = None
    start_utc: pd.Timestamp | None = None
    end_utc: pd.Timestamp | None = None
    place: str = ""


def read_accept(path: str | Path) -> tuple[Decision, ...]:
    """Read the decisions in the TOML file at `path`.

    Raises
    ------
    UsageError : unreadable, not TOML, unknown or missing key, neither window nor times, or times that are none.
    """
    text = read_user_text(Path(path), what=WHAT)
    content = parse_toml(text, name=str(path), schema_name="accept", what=WHAT)
    return tuple(_decision(entry, _place(text, k, path)) for k, entry in enumerate(content["entry"]))


def _place(text: str, index: int, path: str | Path) -> str:
    """Return where the entry of that index stands: file, line and the number of the entry."""
    line = line_of_key(text, ["entry", index])
    return f"{WHAT} {path}: {f'line {line}, ' if line else ''}entry {index + 1}"


def _decision(entry: Mapping[str, Any], place: str) -> Decision:
    """Return one checked entry."""
    action, by, reason = (str(entry[key]).strip() for key in ("action", "by", "reason"))
    timed = [key for key in ("start_utc", "end_utc") if key in entry]
    if "window" in entry and timed:
        raise UsageError(f"{place}: it names a window and {timed[0]}; keep one of them.")
    if "window" in entry:
        return Decision(action, by, reason, window=str(entry["window"]), place=place)
    if len(timed) < 2:
        lacking = "window, or start_utc and end_utc" if not timed else \
            next(k for k in ("start_utc", "end_utc") if k not in entry)
        raise UsageError(f"{place}: {lacking} is missing; say which window or which time is meant.")
    start, end = (_time(entry[key], key, place) for key in ("start_utc", "end_utc"))
    if end <= start:
        raise UsageError(f"{place}: end_utc is not later than start_utc; swap or correct them.")
    return Decision(action, by, reason, start_utc=start, end_utc=end, place=place)


def _time(value: object, key: str, place: str) -> pd.Timestamp:
    """Return a UTC time; one without zone is UTC, as the key says."""
    found = read_moment(value) if isinstance(value, str) else pd.Timestamp(value) if isinstance(value, dt.datetime) else None
    if not isinstance(found, pd.Timestamp):
        lack = ", which has no date" if isinstance(found, TimeOfDay) or isinstance(value, dt.time) else ""
        raise UsageError(f"{place}: {key} is {str(value)!r}{lack}; expected a UTC time like 2026-03-24T09:12:00Z.")
    return found.tz_localize("UTC") if found.tzinfo is None else found.tz_convert("UTC")
