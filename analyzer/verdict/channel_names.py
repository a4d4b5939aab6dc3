"""Channels a purpose may require: by a plain name, by the name of a column, or by that of a measurement's own channel."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from analyzer import tables
from analyzer.assessment import Purpose
from analyzer.errors import UsageError

#: Plain name -> columns of which one must hold values.
PLAIN: Mapping[str, tuple[str, ...]] = {
    "position": ("latitude_deg",),
    "height": ("height_m",),
    "fix state": ("fix_state",),
    "age": ("correction_age_s",),
    "age of corrections": ("correction_age_s",),
    "station": ("station_id",),
    "satellites": ("satellites_used",),
    "speed": ("speed_mps",),
    "course": ("course_deg",),
    "heading": ("heading_deg",),
    "roll": ("roll_deg",),
    "pitch": ("pitch_deg",),
    "yaw rate": ("yaw_rate_radps", "rate_z_radps"),
    "roll rate": ("rate_x_radps",),
    "pitch rate": ("rate_y_radps",),
    "longitudinal acceleration": ("acceleration_x_mps2",),
    "lateral acceleration": ("acceleration_y_mps2",),
    "vertical acceleration": ("acceleration_z_mps2",),
    "steering angle": ("steering_angle_rad",),
    "claimed error": ("sigma_north_m",),
    "marker": ("marker",),
}
#: Columns that say where a row came from and measure nothing.
_ADMINISTRATIVE = {"source_id", "byte_offset", "time_origin", "arrival_utc"}
COLUMNS: tuple[str, ...] = tuple(dict.fromkeys(
    name for table in (tables.FIXES, tables.ATTITUDE, tables.INERTIAL, tables.MEASUREMENT) for name in table.names
    if name not in _ADMINISTRATIVE
))


def columns_of(name: str) -> tuple[str, ...] | None:
    """Return the columns of which one must hold values, or None where the name is neither plain nor that of a column."""
    return (name,) if name in COLUMNS else PLAIN.get(" ".join(name.lower().replace("_", " ").split()))


def refuse_unknown(purpose: Purpose, own: Collection[str]) -> None:
    """Raise where `purpose` requires a channel that nothing can have; `own` are the columns of the measurement.

    Raises
    ------
    UsageError : a name that is neither plain, nor that of a column, nor that of a channel of the measurement.
    """
    unknown = [n for n in purpose.required_channels if columns_of(n) is None and n not in own]
    if unknown:
        more = [c for c in own if c not in COLUMNS and c not in _ADMINISTRATIVE]
        raise UsageError(
            f"{purpose.channels_at}: there is no channel '{unknown[0]}'; known are {', '.join(PLAIN)}, the columns {', '.join(COLUMNS)}, and "
            f"what a column map names in the measurement ({', '.join(more) if more else 'here nothing'}).")


def lacking_channels(purpose: Purpose, recorded: Collection[str]) -> tuple[str, ...]:
    """Return the channels that `purpose` requires, as it names them, and that are not `recorded` (columns with values)."""
    return tuple(n for n in purpose.required_channels if not set(columns_of(n) or (n,)) & set(recorded))
