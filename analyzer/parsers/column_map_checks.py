"""Whether the values of a column can be what the map says: units, ranges, channels that never move, clocks."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.errors import InputError
from analyzer.parsers.column_map import ColumnMap, ValueColumn
from analyzer.parsers.column_map_units import factor_to, parse_unit
from analyzer.recording import Finding
from analyzer.settings import thresholds

_LIMITS = thresholds("analyzer.parsers", "thresholds_sources.toml")
#: Conventional standard gravity [m/s2], 3rd CGPM 1901; only to tell m/s2 from g.
_G = 9.80665
_AXES = ("acceleration_x_mps2", "acceleration_y_mps2", "acceleration_z_mps2")
#: Quantities of which zero throughout cannot be a measurement of a drive.
_NEVER_ALL_ZERO = ("latitude_deg", "longitude_deg", "acceleration", "rate_", "sigma_", "cn0", "hdop", "vdop", "pdop")
#: Units that names of columns end in, behind an underscore.
_ENDINGS = {
    "mps": "m/s",
    "kmh": "km/h",
    "kph": "km/h",
    "mph": "mph",
    "mps2": "m/s2",
    "radps": "rad/s",
    "degps": "deg/s",
    "deg": "deg",
    "rad": "rad",
    "g": "g",
    "knots": "knot",
    "m": "m",
    "mm": "mm",
    "cm": "cm",
}


def check_unit(value: ValueColumn, stated: str | None, *, target: str, where: str) -> None:
    """Refuse a map whose unit contradicts the unit that the file states for the column.

    Parameters
    ----------
    value : ValueColumn
        Entry of the map.
    stated : str or None
        Unit from the header, the unit row or the cells.
    target : str
        Unit of our name.
    where : str
        What errors call the file.

    Raises
    ------
    InputError
        The two units differ.
    """
    if not stated or parse_unit(stated) is None:
        return
    try:
        differ = not np.isclose(factor_to(stated, target, quantity=value.name),
                                factor_to(value.unit, target, quantity=value.name), rtol=1e-9)
    except ValueError:
        differ = True
    if differ:
        raise InputError(
            f"{where}: column '{value.column}' is in {stated} by the file itself, but the column map reads it "
            f'as {value.unit}: set unit = "{stated}" under [columns.{value.name}], or name another column.'
        )


def check_range(name: str, values: NDArray[np.float64], column: str, where: str) -> NDArray[np.bool_]:
    """Return which values are impossible for the quantity `name`.

    Raises
    ------
    InputError
        Most values are impossible: the unit or the column is wrong.
    """
    limit = {"latitude_deg": 90.0, "longitude_deg": 180.0, "speed_mps": _LIMITS["table.largest_speed_mps"],
             "rate_x_radps": _LIMITS["table.largest_rate_radps"], "rate_y_radps": _LIMITS["table.largest_rate_radps"],
             "rate_z_radps": _LIMITS["table.largest_rate_radps"],
             "yaw_rate_radps": _LIMITS["table.largest_rate_radps"]}.get(name)
    if limit is None:
        return np.zeros(len(values), dtype=bool)
    beyond = np.abs(values) > limit
    known = np.isfinite(values)
    if known.any() and beyond.sum() > 0.5 * known.sum():
        middle = float(np.median(np.abs(values[known])))
        raise InputError(f"{where}: column '{column}' read as {name} has a median of {middle:.4g}, beyond the possible "
                         f"{limit:g}: correct the unit or the column in the column map.")
    return beyond


def zero_channels(table: pd.DataFrame, columns: tuple[ValueColumn, ...], where: str) -> list[Finding]:
    """Set channels that are zero in every row to missing (in place) and say so."""
    out = []
    for value in columns:
        if value.name not in table or not value.name.startswith(_NEVER_ALL_ZERO):
            continue
        cells = table[value.name]
        if not pd.api.types.is_float_dtype(cells.dtype) or not cells.notna().any():
            continue
        if bool((cells.dropna() == 0).all()):
            table[value.name] = np.nan
            out.append(
                Finding(
                    "all_zero_channel",
                    "warning",
                    f"{where}: column '{value.column}' ({value.name}) is zero in all {int(cells.notna().sum())} rows"
                    " and is taken as not recorded: check the sensor and its wiring, or remove the column from the"
                    " map.",
                    {"source": where, "column": value.column},
                )
            )
    return out


def gravity_unit(table: pd.DataFrame, used: ColumnMap, where: str) -> list[Finding]:
    """Refuse accelerations that are plainly in another unit; report specific force without gravity."""
    mapped = {value.name: value for value in used.columns}
    if used.table != "inertial" or any(a not in mapped for a in _AXES) or not len(table):
        return []
    norm = float(np.nanmedian(np.sqrt((table[list(_AXES)] ** 2).sum(axis=1, skipna=False).fillna(np.nan)))) \
        if table[list(_AXES)].notna().all(axis=1).any() else np.nan
    ratio = norm / _G
    low = _LIMITS["table.rest_norm_g"]
    if not np.isfinite(ratio) or low <= ratio <= 1 / low:
        return []
    columns = ", ".join(f"'{mapped[a].column}'" for a in _AXES)
    for unit, factor in (("g", _G), ("mg", _G / 1000), ("m/s2", 1.0)):
        as_if = norm * factor / factor_to(mapped[_AXES[0]].unit, "m/s2", quantity=_AXES[0])
        if 0.9 <= as_if / _G <= 1.1:
            raise InputError(f"{where}: columns {columns} have a median norm of {norm:.3g} m/s2 with the unit "
                             f"{mapped[_AXES[0]].unit} of the column map, but 9.81 with {unit}: set unit = \"{unit}\".")
    return [
        Finding(
            "no_gravity",
            "warning",
            f"{where}: the norm of {columns} has a median of {norm:.3g} m/s2 instead of 9.81: gravity was removed "
            "or a channel is missing, so checks against gravity and tilt are not possible.",
            {"source": where, "median_norm_mps2": norm},
        )
    ]


def unit_of(column: str, units: Mapping[str, str]) -> str | None:
    """Return the unit that the file states for `column`: its unit row, brackets or the end of the name."""
    if units.get(column, "").strip():
        return units[column].strip().strip("[]()").strip()
    for left, right in (("[", "]"), ("(", ")")):
        if left in column and column.rstrip().endswith(right):
            return column.rstrip()[column.rindex(left) + 1:-1].strip()
    return _ENDINGS.get(column.rstrip().rsplit("_", 1)[-1].lower()) if "_" in column else None
