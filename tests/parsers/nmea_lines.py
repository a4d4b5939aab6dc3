"""A slow, plain reader of NMEA lines into `Sentences`, apart from the package, for tests of the epoch builder."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date
from functools import reduce

import numpy as np

from analyzer.parsers.sentences import TALKERS, Sentences

KNOT_MPS = 1852 / 3600


def sentence(body: str) -> str:
    """Return a body with its checksum."""
    return f"${body}*{reduce(lambda a, b: a ^ b, body.encode()):02X}"


def read_lines(lines: Iterable[str]) -> dict[str, Sentences]:
    """Read lines of known kinds; the byte range of a line includes CR LF."""
    rows: dict[str, list[tuple[int, int, int, dict[str, object]]]] = {}
    at = 0
    for line in lines:
        end = at + len(line) + 2
        fields = line[1:].split("*")[0].split(",")
        talker, kind = fields[0][:2], fields[0][2:]
        if kind in _READERS and line.startswith("$"):
            code = TALKERS.index(talker) if talker in TALKERS else 0
            rows.setdefault(kind, []).append((at, end, code, _READERS[kind]([*fields, *[""] * 20, str(len(fields))])))
        at = end
    return {kind: _part(kind, found) for kind, found in rows.items()}


def _part(kind: str, found: list[tuple[int, int, int, dict[str, object]]]) -> Sentences:
    start, end, talker = (np.array([row[i] for row in found]) for i in range(3))
    columns = {name: np.array([row[3][name] for row in found]) for name in found[0][3]}
    return Sentences(kind, start.astype(np.int64), end.astype(np.int64), talker.astype(np.uint8), columns)


def _number(text: str) -> float:
    return float(text) if text else np.nan


def _time(text: str) -> float:
    return int(text[:2]) * 3600 + int(text[2:4]) * 60 + float(text[4:]) if text else np.nan


def _angle(text: str, side: str) -> float:
    if not text:
        return np.nan
    whole, minutes = divmod(float(text), 100)
    return (whole + minutes / 60) * (-1 if side in "SW" else 1)


def _code(text: str) -> np.uint8:
    return np.uint8(ord(text[0]) if text else 0)


def _day(text: str) -> float:
    if not text:
        return np.nan
    year = int(text[4:6])
    year += 1900 if year >= 80 else 2000
    return float(date(year, int(text[2:4]), int(text[:2])).toordinal() - date(1970, 1, 1).toordinal())


def _best(letters: str) -> np.uint8:
    order = "RPFDAEMSN"
    return _code(min(letters, key=order.index)) if letters else np.uint8(0)


def _place(f: list[str], first: int) -> dict[str, object]:
    return {"latitude_deg": _angle(f[first], f[first + 1]), "longitude_deg": _angle(f[first + 2], f[first + 3])}


def _gga(f: list[str]) -> dict[str, object]:
    return {"time_of_day_s": _time(f[1]), **_place(f, 2), "quality": _number(f[6]), "satellites_used": _number(f[7]),
            "hdop": _number(f[8]), "height_msl_m": _number(f[9]), "geoid_separation_m": _number(f[11]),
            "correction_age_s": _number(f[13]), "station_id": _number(f[14])}


def _gns(f: list[str]) -> dict[str, object]:
    return {"time_of_day_s": _time(f[1]), **_place(f, 2), "mode": _best(f[6]), "satellites_used": _number(f[7]),
            "hdop": _number(f[8]), "height_msl_m": _number(f[9]), "geoid_separation_m": _number(f[10]),
            "correction_age_s": _number(f[11]), "station_id": _number(f[12]), "navigation_status": _code(f[13])}


def _rmc(f: list[str]) -> dict[str, object]:
    return {"time_of_day_s": _time(f[1]), "status": _code(f[2]), **_place(f, 3),
            "speed_mps": _number(f[7]) * KNOT_MPS, "course_deg": _number(f[8]), "date_day": _day(f[9]),
            "mode": _code(f[12]), "navigation_status": _code(f[13])}


def _gll(f: list[str]) -> dict[str, object]:
    return {**_place(f, 1), "time_of_day_s": _time(f[5]), "status": _code(f[6]), "mode": _code(f[7])}


def _gst(f: list[str]) -> dict[str, object]:
    names = ("range_rms_m", "sigma_major_m", "sigma_minor_m", "sigma_orientation_deg", "sigma_north_m", "sigma_east_m",
             "sigma_up_m")
    return {"time_of_day_s": _time(f[1]), **{name: _number(f[2 + i]) for i, name in enumerate(names)}}


def _grs(f: list[str]) -> dict[str, object]:
    return {"time_of_day_s": _time(f[1]), "residual_mode": _number(f[2]),
            "residuals_m": np.array([_number(x) for x in f[3:15]]), "system_id": _number(f[15]),
            "signal_id": _code(f[16])}


def _zda(f: list[str]) -> dict[str, object]:
    day = _day(f"{f[2]}{f[3]}{f[4][2:]}") if f[2] else np.nan
    return {"time_of_day_s": _time(f[1]), "date_day": day, "zone_minutes": 0.0}


def _vtg(f: list[str]) -> dict[str, object]:
    return {"course_deg": _number(f[1]), "speed_mps": _number(f[7]) / 3.6, "mode": _code(f[9])}


def _gsa(f: list[str]) -> dict[str, object]:
    return {"selection": _code(f[1]), "dimension": _number(f[2]),
            "satellite_ids": np.array([_number(x) for x in f[3:15]]), "pdop": _number(f[15]), "hdop": _number(f[16]),
            "vdop": _number(f[17]), "system_id": _number(f[18])}


def _gsv(f: list[str]) -> dict[str, object]:
    count = int(f[-1])
    signal = f[count - 1] if count % 4 == 1 else ""
    values = [_number(x) for x in f[4: count - (1 if signal else 0)]]
    grid = np.full(16, np.nan)
    grid[: len(values)] = values
    return {"total": _number(f[1]), "number": _number(f[2]), "in_view": _number(f[3]),
            "satellites": grid.reshape(4, 4), "signal_id": _code(signal)}


_READERS: dict[str, Callable[[list[str]], dict[str, object]]] = {
    "GGA": _gga, "GNS": _gns, "RMC": _rmc, "GLL": _gll, "GST": _gst, "GRS": _grs, "ZDA": _zda, "VTG": _vtg,
    "GSA": _gsa, "GSV": _gsv,
    "HDT": lambda f: {"heading_deg": _number(f[1])},
    "THS": lambda f: {"heading_deg": _number(f[1]), "mode": _code(f[2])},
    "ROT": lambda f: {"rate_degpmin": _number(f[1]), "status": _code(f[2])},
}
