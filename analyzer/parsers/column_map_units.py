"""Units of column maps, converted by a units library; a unit of another kind is refused by name."""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pint

#: Spellings of the trade that a units library reads otherwise; g is the gram there, but no acceleration is in grams.
_SPELLINGS = {
    "g": "standard_gravity",
    "mg": "millistandardgravity",
    "kn": "knot",
    "kt": "knot",
    "kts": "knot",
    "knots": "knot",
    "kmh": "km/h",
    "km/hr": "km/h",
    "deg": "degree",
    "°": "degree",
    "sec": "s",
    "msec": "ms",
    "%": "percent",
    "mps": "m/s",
    "mps2": "m/s**2",
    "radps": "rad/s",
    "degps": "degree/s",
}
_ANGLE = ("radian", "degree", "arcminute", "arcsecond", "turn", "gon", "grade", "revolution")
#: Units that only stand for themselves: logarithmic ones and pure numbers.
_FIXED = {"db-hz": "dB-Hz", "dbhz": "dB-Hz", "db hz": "dB-Hz", "db": "dB-Hz", "-": "-", "": "-", "1": "-",
          "count": "-", "byte": "byte"}
#: Products and quotients of named units with whole powers; the library's own parser asserts on other text.
_NAME = r"[A-Za-zµμΩ_%]+(?:\s*\*\*\s*-?\d)?"
_UNIT = re.compile(rf"(?:1\s*/\s*)?\(?{_NAME}(?:\s*[*/ ]\s*{_NAME})*\)?")


@cache
def _registry() -> pint.UnitRegistry[Any]:
    import pint

    registry: pint.UnitRegistry[Any] = pint.UnitRegistry()
    registry.define("millistandardgravity = 0.001 * standard_gravity")
    return registry


@cache
def factor_to(unit: str, target: str, *, quantity: str) -> float:
    """Return the factor that turns values in `unit` into `target`.

    Raises
    ------
    ValueError
        The unit is unknown or of another kind; the words name it, the quantity and what was expected.
    """
    if unit.strip() == target:
        return 1.0
    ours = _FIXED.get(target.lower())
    if ours is not None or unit.strip().lower() in _FIXED:
        if _FIXED.get(unit.strip().lower()) == ours:
            return 1.0
        if unit.strip() == "%" and ours == "-":
            return 0.01
        raise ValueError(f"unit '{unit}' does not fit {quantity}, which is in {target}")
    theirs, want = parse_unit(unit), parse_unit(target)
    if theirs is None or want is None:
        raise ValueError(f"unit '{unit}' of {quantity} is unknown; write it like {target}")
    if theirs.dimensionality != want.dimensionality or _has_angle(theirs) != _has_angle(want):
        raise ValueError(f"unit '{unit}' does not fit {quantity}, which is in {target}")
    return float(_registry().Quantity(1.0, theirs).to(want).magnitude)


def is_unit(text: str) -> bool:
    """Return whether `text` is written like a unit."""
    stripped = text.strip().strip("[]()").strip()
    return stripped.lower() in _FIXED or (bool(stripped) and parse_unit(stripped) is not None)


def parse_unit(unit: str) -> Any:
    """Return the unit of the library for `unit`, or None where it knows none."""
    import pint

    text = unit.strip().strip("[]()").strip()
    text = _SPELLINGS.get(text, _SPELLINGS.get(text.lower(), text))
    text = text.replace("°", "degree").replace("²", "**2").replace("^", "**").replace("·", "*")
    text = re.sub(r"([A-Za-z])(-?\d)", r"\1**\2", text)
    if not _UNIT.fullmatch(re.sub(r"\bdeg\b", "degree", text)):
        return None
    try:
        return _registry().Unit(re.sub(r"\bdeg\b", "degree", text))
    except (pint.errors.PintError, ValueError, AttributeError):
        return None


def _has_angle(unit: Any) -> bool:
    """Whether the unit holds an angle, which a units library counts as a pure number."""
    return any(name in str(unit) for name in _ANGLE)
