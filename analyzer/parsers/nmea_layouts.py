"""Which fields the sentences we read have, as data.

Field orders and counts: NMEA 0183 2.0 to 4.11 as described in E. S. Raymond, "NMEA Revealed" v2.24; tails of 4.10 and
4.11 (navigation status, system and signal id) and THS from memory, not re-read.
"""

from __future__ import annotations

from dataclasses import dataclass

#: Metres per second in a knot (a nautical mile of 1852 m per hour, exact) and in a km/h.
KNOT_MPS = 1852.0 / 3600.0
KMH_MPS = 1.0 / 3.6


@dataclass(frozen=True)
class Column:
    """One column of a kind: field number (1 = first behind the header), how it is read, and what is possible.

    `lenient` values that cannot be read count as missing instead of spoiling the sentence.
    """

    name: str
    field: int
    reader: str = "number"
    dtype: str = "f4"
    low: float = 0.0
    high: float = float("inf")
    lenient: bool = False


@dataclass(frozen=True)
class Layout:
    """One kind: the numbers of fields its versions have, and its columns.

    `counts` empty means that any number from `least` on is right.
    """

    counts: frozenset[int]
    columns: tuple[Column, ...] = ()
    least: int = 0
    text: bool = False


def _time(field: int = 1) -> Column:
    return Column("time_of_day_s", field, "time", "f8")


def _position(field: int) -> Column:
    return Column("latitude_deg", field, "position", "f8")


def _letter(name: str, field: int) -> Column:
    return Column(name, field, "letter", "u1")


def _metres(name: str, field: int, dtype: str = "f8", low: float = -1e7, high: float = 1e8) -> Column:
    return Column(name, field, dtype=dtype, low=low, high=high)


#: The fields of GST behind the time, in their order.
ERROR_ESTIMATES = (
    "range_rms_m", "sigma_major_m", "sigma_minor_m", "sigma_orientation_deg", "sigma_north_m", "sigma_east_m", "sigma_up_m",
)
#: What is possible in the four fields of a satellite in GSV: id, elevation [deg], azimuth [deg], C/N0 [dB-Hz].
SATELLITE_FIELDS = ((0.0, 999.0), (-90.0, 90.0), (0.0, 360.0), (0.0, 99.0))
GSV_COUNTS = frozenset({3, 4, 7, 8, 11, 12, 15, 16, 19, 20})

LAYOUTS: dict[str, Layout] = {
    "GGA": Layout(frozenset({14}), (
        _time(), _position(2), Column("quality", 6, high=9), Column("satellites_used", 7, high=999),
        Column("hdop", 8), _metres("height_msl_m", 9), Column("unit", 10, "unit_m"), _metres("geoid_separation_m", 11),
        Column("unit", 12, "unit_m"), Column("correction_age_s", 13, dtype="f8"),
        Column("station_id", 14, dtype="f4", lenient=True))),
    "GNS": Layout(frozenset({12, 13}), (
        _time(), _position(2), Column("mode", 6, "best_mode", "u1"), Column("satellites_used", 7, high=999),
        Column("hdop", 8), _metres("height_msl_m", 9), _metres("geoid_separation_m", 10),
        Column("correction_age_s", 11, dtype="f8"), Column("station_id", 12, dtype="f4", lenient=True),
        _letter("navigation_status", 13))),
    "RMC": Layout(frozenset({11, 12, 13}), (
        _time(), _letter("status", 2), _position(3), Column("speed_mps", 7, "knots", "f8"),
        Column("course_deg", 8, dtype="f8", low=-360.0, high=360.0), Column("date_day", 9, "date", "f8"),
        _letter("mode", 12), _letter("navigation_status", 13))),
    "GLL": Layout(frozenset({6, 7}), (_position(1), _time(5), _letter("status", 6), _letter("mode", 7))),
    "GST": Layout(frozenset({8}), (
        _time(), *(Column(name, field, low=-360.0 if name.endswith("_deg") else 0.0)
                   for field, name in enumerate(ERROR_ESTIMATES, start=2)))),
    "GBS": Layout(frozenset({8, 10}), (
        _time(), _metres("error_north_m", 2, "f4"), _metres("error_east_m", 3, "f4"), _metres("error_up_m", 4, "f4"),
        Column("failed_satellite", 5, high=999), Column("missed_detection", 6), _metres("bias_m", 7, "f4"),
        _metres("bias_sigma_m", 8, "f4"))),
    "GRS": Layout(frozenset({14, 16}), (
        _time(), Column("residual_mode", 2, high=1), Column("residuals_m", 3, "twelve", low=-1e7),
        Column("system_id", 15, "hex"), _letter("signal_id", 16))),
    "ZDA": Layout(frozenset({6}), (_time(), Column("date_day", 2, "date_parts", "f8"),
                                   Column("zone_minutes", 5, "zone"))),
    "VTG": Layout(frozenset({4, 8, 9}), (
        Column("course_deg", 1, dtype="f8", low=-360.0, high=360.0), Column("speed_mps", 5, "ground_speed", "f8"),
        _letter("mode", 9))),
    "GSA": Layout(frozenset({17, 18}), (
        _letter("selection", 1), Column("dimension", 2, low=1, high=3), Column("satellite_ids", 3, "twelve", high=999),
        Column("pdop", 15), Column("hdop", 16), Column("vdop", 17), Column("system_id", 18, "hex"))),
    "GSV": Layout(GSV_COUNTS, (
        Column("total", 1, high=99), Column("number", 2, high=99), Column("in_view", 3, high=999),
        Column("satellites", 4, "satellites"), Column("signal_id", 0, "signal", "u1"))),
    "HDT": Layout(frozenset({2}), (Column("heading_deg", 1, dtype="f8", high=360.0),)),
    "THS": Layout(frozenset({2}), (Column("heading_deg", 1, dtype="f8", high=360.0), _letter("mode", 2))),
    "ROT": Layout(frozenset({2}), (Column("rate_degpmin", 1, dtype="f8", low=-1e6), _letter("status", 2))),
    "DTM": Layout(frozenset({2, 8}), text=True),
    "TXT": Layout(frozenset(), least=4, text=True),
}
