"""The set-up sheet: how the user says the drive was set up."""

from __future__ import annotations

from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any

from analyzer.errors import UsageError
from analyzer.userfiles.toml_file import read_toml


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
        """(latitude [deg], longitude [deg], height [m]) or None where the place is not stated."""
        if self.latitude_deg is None or self.longitude_deg is None:
            return None
        return (self.latitude_deg, self.longitude_deg, self.height_m or 0.0)


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
    UsageError : unreadable, not TOML, unknown key or value out of range (with line and key).
    """
    content = read_toml(Path(path), schema_name="setup", what="set-up sheet")
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


def blank_setup() -> str:
    """Return the text of a commented blank set-up sheet."""
    return resources.files("analyzer.userfiles").joinpath("blank_setup.toml").read_text(encoding="utf-8")
