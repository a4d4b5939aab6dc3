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
from analyzer.userfiles.toml_file import parse_toml, read_user_text

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
    """

    action: str
    by: str
    reason: str
    window: str | None = None
    start_utc: pd.Timestamp | None = None
    end_utc: pd.Timestamp | None = None


def read_accept(path: str | Path) -> tuple[Decision, ...]:
    """Read the decisions in the TOML file at `path`.

    Raises
    ------
    UsageError : unreadable, not TOML, unknown or missing key, neither window nor times, or times that are none.
    """
    place = Path(path)
    content = parse_toml(read_user_text(place, what=WHAT), name=str(place), schema_name="accept", what=WHAT)
    return tuple(_decision(entry, number, place) for number, entry in enumerate(content["entry"], 1))


def _decision(entry: Mapping[str, Any], number: int, path: Path) -> Decision:
    """Return one checked entry."""
    action, by, reason = (str(entry[key]).strip() for key in ("action", "by", "reason"))
    timed = [key for key in ("start_utc", "end_utc") if key in entry]
    if "window" in entry and timed:
        raise UsageError(f"{WHAT} {path}: entry {number}: it names a window and {timed[0]}; keep one of them.")
    if "window" in entry:
        return Decision(action, by, reason, window=str(entry["window"]))
    if len(timed) < 2:
        lacking = "window, or start_utc and end_utc" if not timed else \
            next(k for k in ("start_utc", "end_utc") if k not in entry)
        raise UsageError(f"{WHAT} {path}: entry {number}: {lacking} is missing; say which window or which time is meant.")
    start, end = (_time(entry[key], key, number, path) for key in ("start_utc", "end_utc"))
    if end <= start:
        raise UsageError(f"{WHAT} {path}: entry {number}: end_utc is not later than start_utc; swap or correct them.")
    return Decision(action, by, reason, start_utc=start, end_utc=end)


def _time(value: object, key: str, number: int, path: Path) -> pd.Timestamp:
    """Return a UTC time; one without zone is UTC, as the key says."""
    found = read_moment(value) if isinstance(value, str) else pd.Timestamp(value) if isinstance(value, dt.datetime) else None
    if not isinstance(found, pd.Timestamp):
        lack = ", which has no date" if isinstance(found, TimeOfDay) or isinstance(value, dt.time) else ""
        raise UsageError(f"{WHAT} {path}: entry {number}: {key} is {str(value)!r}{lack}; expected a UTC time like 2026-03-24T09:12:00Z.")
    return found.tz_localize("UTC") if found.tzinfo is None else found.tz_convert("UTC")
