"""The set-up sheet: how the user says the drive was set up."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any

from analyzer.errors import UsageError
from analyzer.userfiles.toml_file import read_toml

#: Items of the whole sheet that may stand behind the header of a section.
_OF_THE_SHEET = ("frame", "height_type", "solution_kind", "asked_rate_hz", "channels")
#: The field of a correction message has twelve bits (RTCM 10403, DF003).
_LARGEST_STATION = 4095


@dataclass(frozen=True)
class Base:
    """The base as the user states it; None where not stated."""

    name: str | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    height_m: float | None = None
    antenna_height_m: float | None = None
    station_id: int | None = None

    @property
    def position(self) -> tuple[float, float, float] | None:
        """(latitude [deg], longitude [deg], height [m], NaN where it is not stated) or None where the place is not stated."""
        if self.latitude_deg is None or self.longitude_deg is None:
            return None
        return (self.latitude_deg, self.longitude_deg, math.nan if self.height_m is None else self.height_m)


@dataclass(frozen=True)
class Setup:
    """The set-up sheet; None where not stated."""

    run: str | None = None
    vehicle: str | None = None
    reference_point: str | None = None
    output_point: str | None = None
    antenna_forward_m: float | None = None
    antenna_left_m: float | None = None
    antenna_up_m: float | None = None
    frame: str | None = None
    height_type: str | None = None
    solution_kind: str | None = None
    asked_rate_hz: float | None = None
    channels: tuple[str, ...] = ()
    base: Base = field(default_factory=Base)
    transport: str | None = None
    line_rate: int | None = None
    stated: dict[str, Any] = field(default_factory=dict)


def load_setup(path: str | Path) -> Setup:
    """Read the set-up sheet at `path`.

    Raises
    ------
    UsageError : unreadable, not TOML, unknown key or value out of range (with line and key), or an item stated twice and differently.
    """
    content = _tidied(read_toml(Path(path), schema_name="setup", what="set-up sheet"), path)
    base = Base(**content.get("base", {}))
    if (base.latitude_deg is None) != (base.longitude_deg is None):
        raise UsageError(f"set-up sheet {path}: [base] needs both latitude_deg and longitude_deg; add the missing one.")
    link = content.get("link", {})
    plain = {k: v for k, v in content.items() if k not in ("base", "link", "channels")}
    return Setup(
        **plain,
        channels=tuple(content.get("channels", ())),
        base=base,
        transport=link.get("transport"),
        line_rate=link.get("line_rate"),
        stated=content,
    )


def _tidied(content: dict[str, Any], path: str | Path) -> dict[str, Any]:
    """Return `content` with names as text, the station id as a number and items of the sheet out of the sections above them.

    A line that follows a header belongs to its section in TOML, also where its writer meant the whole sheet.
    """
    out: dict[str, Any] = {key: str(value) if key in ("run", "vehicle") else value for key, value in content.items()}
    for section in ("base", "link"):
        for key in (*_OF_THE_SHEET, "name"):
            if key not in out.get(section, {}):
                continue
            out[section] = dict(out[section])
            if key == "name":
                out[section][key] = str(out[section][key])
            elif key in out and out[key] != out[section][key]:
                raise UsageError(f"set-up sheet {path}: '{key}' is stated twice and differently, once in [{section}]; delete one of them.")
            else:
                out[key] = out[section].pop(key)
    if "station_id" in out.get("base", {}):
        out["base"] = out["base"] | {"station_id": _station(out["base"]["station_id"], path)}
    return out


def _station(stated: int | str, path: str | Path) -> int:
    """Return the station id as a number; a log writes it with leading zeros, and so may a user."""
    text = str(stated).strip()
    if not (text.isascii() and text.isdigit() and int(text) <= _LARGEST_STATION):
        raise UsageError(f"set-up sheet {path}: key 'base.station_id': {text!r} is no number from 0 to {_LARGEST_STATION}; write the id that the base sends.")
    return int(text)


#: Files that users write, and the commented blank of each.
BLANKS = {"setup": "blank_setup.toml", "check-points": "blank_check_points.csv", "accept": "blank_accept.toml"}


def blank_setup() -> str:
    """Return the text of a commented blank set-up sheet."""
    return blank("setup")


def blank(name: str) -> str:
    """Return the text of the commented blank file of `BLANKS` called `name`."""
    return resources.files("analyzer.userfiles").joinpath(BLANKS[name]).read_text(encoding="utf-8")
