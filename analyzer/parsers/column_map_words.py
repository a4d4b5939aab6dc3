"""Words by which column names speak of a quantity; data for proposals of column maps."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd


@dataclass(frozen=True)
class Quantity:
    """A quantity: our name and unit, alternatives of words that all must occur in a column's name, and its range."""

    name: str
    unit: str
    words: tuple[tuple[str, ...], ...]
    low: float | None = None
    high: float | None = None
    text: str | None = None

    def match(self, words: Sequence[str]) -> float:
        """Return 1 where a name is made of these words only, less with others beside them, 0 without them."""
        best = 0.0
        for wanted in self.words:
            if all(any(w == x or (len(x) > 3 and w.startswith(x)) for w in words) for x in wanted):
                best = max(best, 0.6 + 0.4 * len(wanted) / max(len(words), 1))
        return min(best, 1.0)

    def text_fit(self, cells: pd.Series) -> float:
        """Return whether the cells look like the text this quantity is written as; 0.5 where that says nothing."""
        if self.text is None:
            return 0.5
        if pd.api.types.is_datetime64_any_dtype(cells.dtype):
            return 1.0 if self.name == "time:iso_utc" else 0.0
        if pd.api.types.is_numeric_dtype(cells.dtype):
            return 0.0
        some = cells.dropna().iloc[:200].astype("str").str.strip()
        return 1.0 if len(some) and some.str.match(self.text).mean() > 0.9 else 0.0


def words_of(column: str) -> list[str]:
    """Return the words of a column name in lower case, without units: cut at signs, case changes and digits."""
    bare = re.sub(r"[\[(].*?[\])]", " ", column)
    bare = re.sub(r"([a-z])([A-Z])", r"\1 \2", bare)
    bare = re.sub(r"([A-Za-z])(\d)", r"\1 \2", bare)
    return [w for w in re.split(r"[^a-z0-9]+", bare.lower()) if w and w not in _UNIT_WORDS]


_UNIT_WORDS = {"deg", "mps", "mps2", "radps", "degps", "kmh", "rad", "m", "s", "ms", "g", "dbhz", "ns", "us", "2"}
_TIME = (
    ("time",),
    ("timestamp",),
    ("utc",),
    ("epoch",),
    ("t",),
    ("clock",),
    ("unix",),
    ("when",),
    ("zeit",),
    ("date",),
)
_ISO = r"^\d{4}-\d\d-\d\d[T ]\d\d:\d\d"
_OF_DAY = r"^\d{1,2}:\d\d:\d\d"


def _axis(kind: tuple[str, ...], axis: tuple[str, ...]) -> tuple[tuple[str, ...], ...]:
    return tuple((k, a) for k in kind for a in axis)


_ACC = ("acc", "acceleration", "accel", "ax", "force", "a")
_RATE = ("gyro", "rate", "angular", "gyr", "omega", "w")
_X, _Y, _Z = (
    ("x", "forward", "long", "longitudinal"),
    ("y", "right", "left", "lat", "lateral"),
    ("z", "down", "up", "vertical"),
)

QUANTITIES = (
    Quantity("time:iso_utc", "", _TIME, text=_ISO),
    Quantity("time:time_of_day", "", _TIME, text=_OF_DAY),
    Quantity("time:unix_s", "", _TIME, 4.7e8, 4.1e9),
    Quantity("time:unix_ms", "", _TIME, 4.7e11, 4.1e12),
    Quantity("time:unix_us", "", _TIME, 4.7e14, 4.1e15),
    Quantity("time:unix_ns", "", _TIME, 4.7e17, 4.1e18),
    Quantity(
        "time:gps_week_seconds", "", (("tow",), ("gps", "tow"), ("gps", "seconds"), ("week", "seconds")), 0, 604_800
    ),
    Quantity("time:relative", "", (*_TIME, ("seconds",)), -1e3, 4e8),
    Quantity("week", "", (("week",), ("gps", "week")), 0, 4000),
    Quantity(
        "fix_state",
        "",
        (("fix",), ("fix", "type"), ("fix", "state"), ("quality",), ("gnss", "mode"), ("fix", "quality")),
    ),
    Quantity("latitude_deg", "deg", (("lat",), ("latitude",)), -90, 90),
    Quantity("longitude_deg", "deg", (("lon",), ("long",), ("lng",), ("longitude",)), -180, 360),
    Quantity(
        "height_m", "m", (("height",), ("alt",), ("altitude",), ("ellipsoidal", "height"), ("elevation",)), -1000, 20000
    ),
    Quantity("height_msl_m", "m", (("height", "msl"), ("msl",), ("altitude", "msl")), -1000, 20000),
    Quantity("geoid_separation_m", "m", (("geoid",), ("undulation",), ("geoid", "separation")), -120, 120),
    Quantity(
        "satellites_used", "-", (("satellites",), ("sats",), ("nsat",), ("satellites", "used"), ("num", "sv")), 0, 120
    ),
    Quantity("correction_age_s", "s", (("correction", "age"), ("age",), ("diff", "age")), 0, 1e5),
    Quantity("hdop", "-", (("hdop",),), 0, 100),
    Quantity("pdop", "-", (("pdop",),), 0, 100),
    Quantity("vdop", "-", (("vdop",),), 0, 100),
    Quantity(
        "speed_mps", "m/s", (("speed",), ("velocity",), ("v",), ("vehicle", "speed"), ("ground", "speed")), -60, 150
    ),
    Quantity("course_deg", "deg", (("course",), ("track",), ("cog",)), -180, 360),
    Quantity("heading_deg", "deg", (("heading",), ("yaw",), ("azimuth",)), -180, 360),
    Quantity("roll_deg", "deg", (("roll",),), -180, 180),
    Quantity("pitch_deg", "deg", (("pitch",),), -90, 90),
    Quantity(
        "sigma_north_m",
        "m",
        (("sigma", "north"), ("std", "north"), ("sigma", "n"), ("std", "lat"), ("sigma", "lat")),
        0,
        1e4,
    ),
    Quantity(
        "sigma_east_m",
        "m",
        (("sigma", "east"), ("std", "east"), ("sigma", "e"), ("std", "lon"), ("sigma", "lon")),
        0,
        1e4,
    ),
    Quantity(
        "sigma_up_m",
        "m",
        (("sigma", "up"), ("std", "up"), ("sigma", "u"), ("std", "height"), ("sigma", "height")),
        0,
        1e4,
    ),
    Quantity("sigma_roll_deg", "deg", (("sigma", "roll"), ("std", "roll"), ("roll", "accuracy")), 0, 180),
    Quantity("sigma_pitch_deg", "deg", (("sigma", "pitch"), ("std", "pitch"), ("pitch", "accuracy")), 0, 180),
    Quantity("sigma_heading_deg", "deg", (("sigma", "heading"), ("std", "heading"), ("heading", "accuracy")), 0, 180),
    Quantity("acceleration_x_mps2", "m/s2", (*_axis(_ACC, _X), ("ax",)), -500, 500),
    Quantity("acceleration_y_mps2", "m/s2", (*_axis(_ACC, _Y), ("ay",)), -500, 500),
    Quantity("acceleration_z_mps2", "m/s2", (*_axis(_ACC, _Z), ("az",)), -500, 500),
    Quantity("rate_x_radps", "rad/s", (*_axis(_RATE, _X), ("roll", "rate"), ("gx",), ("wx",)), -40, 40),
    Quantity("rate_y_radps", "rad/s", (*_axis(_RATE, _Y), ("pitch", "rate"), ("gy",), ("wy",)), -40, 40),
    Quantity("rate_z_radps", "rad/s", (*_axis(_RATE, _Z), ("yaw", "rate"), ("gz",), ("wz",)), -40, 40),
    Quantity("steering_angle_rad", "rad", (("steering", "angle"), ("steering",), ("steer",), ("swa",)), -30, 30),
    Quantity("marker", "-", (("marker",), ("trigger",), ("event",)), -1e9, 1e9),
    Quantity("satellite_id", "-", (("satellite", "id"), ("prn",), ("svid",), ("sv", "id")), 0, 1000),
    Quantity("elevation_deg", "deg", (("elevation",), ("elev",)), -90, 90),
    Quantity("azimuth_deg", "deg", (("azimuth",), ("azim",)), 0, 360),
    Quantity("cn0_dbhz", "dB-Hz", (("cn", "0"), ("snr",), ("cno",), ("c", "n", "0")), 0, 70),
)
