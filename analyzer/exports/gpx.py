"""GPX 1.1: one track, a segment per stretch without missing epochs on one side of ±180°, dropouts as waypoints.

``fix`` knows no carrier-phase state: every corrected state is ``dgps`` there, and our own state stands in ``type`` and in
the extension, whose elements ``schemas/quality_1.xsd`` describes. ``ele`` is the height above the geoid.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from analyzer.exports.lines import iso_times, rule
from analyzer.exports.route import Route
from analyzer.exports.xml_text import element, number, told, xml
from analyzer.wording import words

NAMESPACE = "urn:x-postdrive:quality:1"
#: GPX 1.1 fixType of each fix state; ``height`` says 3d or 2d, None leaves the element out: GPX has no word for it.
FIX = {
    "fixed": "dgps", "float": "dgps", "differential": "dgps", "precise": "pps", "autonomous": "height",
    "estimated": "none", "manual": None, "simulated": None,
}  # fmt: skip
CORRECTED = frozenset(state for state, fix in FIX.items() if fix == "dgps")
LARGEST_STATION = 1023
_CHUNK = 20_000


def gpx(route: Route) -> Iterator[str]:
    """Yield a GPX 1.1 document in pieces of text."""
    about = f"{route.title}. Elevations are above the geoid, positions as logged. {rule(route.spacing_m)}"
    yield (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<gpx version="1.1" creator="postdrive" xmlns="http://www.topografix.com/GPX/1/1" xmlns:q="{NAMESPACE}">\n'
        f"<metadata>{element('name', route.title)}{element('desc', about)}</metadata>\n"
    )
    yield from _waypoints(route)
    yield f"<trk>{element('name', route.run)}\n"
    if len(route.points):
        yield "<trkseg>\n"
        for start in range(0, len(route.points), _CHUNK):
            yield _points(route, start, start + _CHUNK)
        yield "</trkseg>\n"
    yield "</trk>\n</gpx>\n"


def _waypoints(route: Route) -> Iterator[str]:
    """Yield a waypoint where each dropout with a known place begins."""
    for row in route.dropouts.to_dict("records"):
        if not (np.isfinite(row["start_latitude_deg"]) and np.isfinite(row["start_longitude_deg"])):
            continue
        name = f"D{row['dropout_id']}"
        text = f"{words(row['kind'])}, {row['duration_s']:.1f} s: {words(row['cause'])}"
        time = iso_times(pd.DatetimeIndex([row["start_utc"]]))[0]
        yield (
            f"<wpt {_place(row['start_latitude_deg'], row['start_longitude_deg'])}>{element('time', time)}"
            f"{element('name', name)}{element('desc', text)}<type>dropout</type></wpt>\n"
        )


def _place(latitude_deg: float, longitude_deg: float) -> str:
    """Return the attributes of a point; GPX longitudes are at least -180 and below 180."""
    longitude = f"{longitude_deg:.9f}"
    return f'lat="{latitude_deg:.9f}" lon="{"-180.000000000" if longitude == "180.000000000" else longitude}"'


def _points(route: Route, start: int, end: int) -> str:
    """Return the track points from `start` to `end`; a new segment begins after missing epochs and across ±180°."""
    part = route.points.iloc[start:end]
    longitude = route.points["longitude_deg"].to_numpy(np.float64)[max(start - 1, 0) : end]
    across = np.r_[False, np.abs(np.diff(longitude)) > 180.0][-len(part) :]
    columns = {name: part[name].astype(object).to_numpy() for name in ("fix_state", "trust", "reasons", "station_id")}
    numbers = {
        name: part[name].to_numpy(np.float64)
        for name in part.columns
        if name not in columns and name not in ("window", "dropout_id")
    }
    rows = []
    for i, time in enumerate(iso_times(pd.DatetimeIndex(part.index))):
        row = {name: float(values[i]) for name, values in numbers.items()}
        text = {name: values[i] for name, values in columns.items()}
        gap = "</trkseg>\n<trkseg>\n" if (route.breaks[start + i] or across[i]) and start + i else ""
        rows.append(f"{gap}{_point(str(time), row, text)}")
    return "".join(rows)


def _point(time: str, row: dict[str, float], text: dict[str, object]) -> str:
    """Return one track point; its elements are in the order that the schema demands."""
    state = told(text["fix_state"])
    satellites = row["satellites_used"]
    return (
        f"<trkpt {_place(row['latitude_deg'], row['longitude_deg'])}>"
        f"{number('ele', row['above_geoid_m'], 4)}<time>{time}</time>"
        f"{number('geoidheight', row['geoid_separation_m'], 4)}{element('type', state)}"
        f"{element('fix', _fix(state, row['above_geoid_m']))}"
        f"{'' if satellites != satellites else f'<sat>{satellites:.0f}</sat>'}"
        f"{number('hdop', row['hdop'], 2)}{number('vdop', row['vdop'], 2)}{number('pdop', row['pdop'], 2)}"
        f"{number('ageofdgpsdata', row['correction_age_s'], 3)}{_station(state, text['station_id'])}"
        f"<extensions><q:epoch><q:fix_state>{xml(state)}</q:fix_state><q:trust>{xml(text['trust'])}</q:trust>"
        f"{_reasons(text['reasons'])}{number('q:horizontal_bound_m', row['horizontal_bound_m'], 4)}"
        f"{number('q:vertical_bound_m', row['vertical_bound_m'], 4)}"
        f"{number('q:ellipsoidal_height_m', row['height_m'], 4)}{number('q:speed_mps', row['speed_mps'], 4)}"
        f"{number('q:distance_m', row['distance_m'], 3)}</q:epoch></extensions></trkpt>\n"
    )


def _fix(state: str, height_m: float) -> str | None:
    """Return the GPX word for a fix state."""
    fix = FIX.get(state)
    return fix if fix != "height" else "2d" if height_m != height_m else "3d"


def _station(state: str, station: object) -> str:
    """Return the reference station of a corrected state; GPX holds numbers up to 1023 only."""
    if state not in CORRECTED or station is None or station is pd.NA:
        return ""
    number_of = int(str(station))
    return f"<dgpsid>{number_of}</dgpsid>" if 0 <= number_of <= LARGEST_STATION else ""


def _reasons(reasons: object) -> str:
    """Return the codes that say why an epoch is not trusted, blank between them."""
    return "" if reasons is None or reasons != reasons or not reasons else element("q:reasons", str(reasons).replace(",", " "))
