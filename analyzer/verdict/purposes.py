"""Purposes: what the positions are for. A purpose is a TOML file whose every limit has unit, reason and source."""

from __future__ import annotations

import hashlib
import math
import tomllib
from importlib import resources
from pathlib import Path
from typing import Any

from analyzer.assessment import Limit, Purpose
from analyzer.errors import UsageError
from analyzer.settings import thresholds
from analyzer.userfiles.toml_file import key_in_words, line_of_key, parse_toml, read_user_text

DEFAULT = "lane"
#: Factors from the way a limit is read to a 95 % figure: normal errors, one axis or a circular radius.
#: sigma: 1.95996 (one axis), 2.44775 (radius of equal axes); rms of a radius: 1.73082 (closed form sqrt(-2 ln 0.05)).
TO_95 = {
    ("sigma", "horizontal"): math.sqrt(-2 * math.log(0.05)),
    ("rms", "horizontal"): math.sqrt(-math.log(0.05)),
    ("sigma", "axis"): 1.959963984540054,
    ("rms", "axis"): 1.959963984540054,
}
SI = {"m": 1.0, "mm": 1e-3, "cm": 1e-2, "km": 1e3, "m/s": 1.0, "km/h": 1 / 3.6, "deg": 1.0, "rad": 180 / math.pi}
UNITS = {"position": ("m", "mm", "cm", "km"), "speed": ("m/s", "km/h"), "heading": ("deg", "rad")}


def shipped_purposes() -> tuple[str, ...]:
    """Return the names of the purposes that ship with the package."""
    folder = resources.files("analyzer.verdict").joinpath("purposes")
    return tuple(sorted(p.name.removesuffix(".toml") for p in folder.iterdir() if p.name.endswith(".toml")))


def load_purpose(name_or_path: str | Path = DEFAULT) -> Purpose:
    """Return a purpose by its shipped name or from the user's own TOML file.

    Raises
    ------
    UsageError : unknown name, unreadable file, or a faulty file (with line and key).
    """
    text_name = str(name_or_path)
    if text_name in shipped_purposes():
        text = resources.files("analyzer.verdict").joinpath("purposes", f"{text_name}.toml").read_text(encoding="utf-8")
        return _build(text, text_name, tomllib.loads(text))  # held against the schema by the tests
    path = Path(name_or_path)
    if not path.suffix and not path.exists():
        raise UsageError(
            f"purpose '{text_name}' is not known; choose one of {', '.join(shipped_purposes())}, or name a TOML file."
        )
    return _build(read_user_text(path, what="purpose file"), text_name)


def blank_purpose() -> str:
    """Return the text of a commented purpose to fill in, which shows every key."""
    return resources.files("analyzer.verdict").joinpath("blank_purpose.toml").read_text(encoding="utf-8")


def purpose_of_limit(limit_m: float) -> Purpose:
    """Return a purpose with one horizontal 95 % limit [m], for a limit given on the command line."""
    if not math.isfinite(limit_m) or limit_m <= 0:
        raise UsageError(f"--limit {limit_m:g}: expected a length in metres greater than zero.")
    text = (
        f'name = "limit"\ntitle = "limit {limit_m:g} m"\n[[limit]]\nquantity = "position"\naxis = "horizontal"\n'
        f'value = {limit_m!r}\nunit = "m"\nread_as = "95"\nreason = "given by the user"\nsource = "command line"\n'
    )
    return _build(text, "--limit", tomllib.loads(text))


def limit_95(limit: Limit) -> float:
    """Return `limit` as a 95 % figure in m, m/s or deg, whatever way it is read."""
    value = limit.value * SI[limit.unit]
    if limit.read_as == "95":
        return value
    return value * TO_95[(limit.read_as, "horizontal" if limit.axis == "horizontal" else "axis")]


def _build(text: str, name: str, content: dict[str, Any] | None = None) -> Purpose:
    """Return the purpose of a text; `content` is given where it is known to be right."""
    if content is None:
        content = parse_toml(text, name=name, schema_name="purpose", what="purpose file", package="analyzer.verdict")
    limits = tuple(_limit(entry, index, name, text) for index, entry in enumerate(content["limit"]))
    _refuse_twice(limits, name, text)
    default_margin = thresholds("analyzer.verdict")["trust.margin"]
    plain = {key: content[key]["value"] for key in ("largest_age", "least_rate", "least_satellites") if key in content}
    return Purpose(
        name=content["name"],
        title=content["title"],
        limits=limits,
        margin=float(content.get("margin", default_margin)),
        sha256=hashlib.sha256(text.encode()).hexdigest(),
        largest_age_s=plain.get("largest_age"),
        least_rate_hz=plain.get("least_rate"),
        least_satellites=int(plain["least_satellites"]) if "least_satellites" in plain else None,
        required_channels=tuple(content.get("required_channels", {}).get("names", ())),
        channels_at=_where(name, text, ["required_channels", "names"]),
    )


def _where(name: str, text: str, path: list[str | int]) -> str:
    """Return where a key stands: file, line and key, limits counted from 1."""
    line = line_of_key(text, path)
    return f"purpose file {name}: {f'line {line}, ' if line else ''}key '{key_in_words(path)}'"


def _refuse_twice(limits: tuple[Limit, ...], name: str, text: str) -> None:
    """Raise where two limits are on one axis of one quantity: which of them counts would be anyone's guess."""
    first: dict[str, int] = {}
    for index, limit in enumerate(limits):
        if limit.key in first:
            raise UsageError(f"{_where(name, text, ['limit', index, 'axis'])}: limit {first[limit.key] + 1} is on '{limit.axis}' of "
                             f"{limit.quantity} as well; keep one of them.")
        first[limit.key] = index


def _limit(entry: dict[str, Any], index: int, name: str, text: str) -> Limit:
    quantity, axis = entry["quantity"], entry["axis"]
    own_axis = {"speed": ("speed",), "heading": ("heading",), "position": ("horizontal", "along", "across", "vertical")}
    for key, value, allowed in (("axis", axis, own_axis[quantity]), ("unit", entry["unit"], UNITS[quantity])):
        if value not in allowed:
            raise UsageError(f"{_where(name, text, ['limit', index, key])} is '{value}' for {quantity}; expected {' or '.join(allowed)}.")
    return Limit(key=f"{quantity}_{axis}", **entry)
