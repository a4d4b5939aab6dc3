"""KML (OGC): the route in stretches drawn by trust, dropouts, manoeuvres; altitudes above the geoid.

Only elements that KML 2.2 and 2.3 share are used, so that the document is valid under both.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.exports.lines import iso_times, pieces, rule
from analyzer.exports.route import Route
from analyzer.exports.xml_text import element, told, xml
from analyzer.geodesy import cut_at_180
from analyzer.report.palette import WIDTH, colour
from analyzer.tables import TRUST
from analyzer.wording import words

Array = NDArray[np.float64]
_STRETCH = ("trust", "fix_state")


def kml(route: Route) -> Iterator[str]:
    """Yield a KML document in pieces of text."""
    about = f"{route.title}. Altitudes are above the geoid, positions as logged. {rule(route.spacing_m)}"
    yield (
        '<?xml version="1.0" encoding="UTF-8"?>\n<kml xmlns="http://www.opengis.net/kml/2.2">\n<Document>'
        f"{element('name', route.title)}{element('description', about)}\n"
    )
    yield from (_style(f"trust-{name}", colour(f"trust-{name}"), WIDTH[name]) for name in TRUST)
    yield _style("dropout", colour("limit"), 5.0)
    for title, placemarks in (
        ("Route by trust", _stretches(route)),
        ("Dropouts", _dropouts(route)),
        ("Manoeuvres", _manoeuvres(route)),
    ):
        yield f"<Folder>{element('name', title)}\n"
        yield from placemarks
        yield "</Folder>\n"
    yield "</Document>\n</kml>\n"


def _style(name: str, rgb: str, width: float) -> str:
    """Return a line style; KML writes a colour as opacity, blue, green, red."""
    red, green, blue = rgb[1:3], rgb[3:5], rgb[5:7]
    return (
        f'<Style id="{name}"><LineStyle><color>ff{blue}{green}{red}</color><width>{width:g}</width></LineStyle></Style>\n'
    )


def _stretches(route: Route) -> Iterator[str]:
    """Yield one placemark per stretch of one trust and one fix state."""
    points = route.points
    if not len(points):
        return
    tall = np.isfinite(points["above_geoid_m"].to_numpy(np.float64))
    places = points[["longitude_deg", "latitude_deg", "above_geoid_m"]].to_numpy(np.float64)
    times = iso_times(pd.DatetimeIndex(points.index))
    joins = np.r_[True, tall[1:] == tall[:-1]]
    labels = [points[name] for name in _STRETCH]
    for start, end, reach in pieces([*labels, pd.Series(tall)], route.breaks, joins):
        trust, state = (told(points[name].iloc[start]) for name in _STRETCH)
        part = points.iloc[start:end]
        yield _placemark(
            f"{words(trust)}, {words(state)}", (str(times[start]), str(times[end - 1])), f"trust-{trust}",
            {"trust": trust, "fix_state": state, "start_distance_m": f"{part['distance_m'].iloc[0]:.3f}",
             "end_distance_m": f"{part['distance_m'].iloc[-1]:.3f}",
             "largest_horizontal_bound_m": str(part["horizontal_bound_m"].max()),
             "largest_correction_age_s": str(part["correction_age_s"].max())},
            places[start:reach, : 2 + int(tall[start])],
        )  # fmt: skip


def _dropouts(route: Route) -> Iterator[str]:
    """Yield one placemark per dropout, from its start to its end."""
    for row in route.dropouts.to_dict("records"):
        ends = [[row[f"{side}_longitude_deg"], row[f"{side}_latitude_deg"]] for side in ("start", "end")]
        places = np.array(ends, np.float64)
        names = ("cause", "duration_s", "refix_s", "evidence", "advice")
        yield _placemark(
            f"D{row['dropout_id']} {words(row['kind'])}", _span(row["start_utc"], row["end_utc"]), "dropout",
            {name: str(row[name]) for name in names if pd.notna(row[name]) and row[name] != ""},
            places[np.isfinite(places).all(axis=1)],
        )  # fmt: skip


def _manoeuvres(route: Route) -> Iterator[str]:
    """Yield one placemark per manoeuvre, at its start."""
    for row in route.windows.to_dict("records"):
        place = np.array([[row["longitude_deg"], row["latitude_deg"]]], np.float64)
        names = ("verdict", "worst_horizontal_bound_m", "share_trusted", "reason")
        yield _placemark(
            str(row["name"]), _span(row["start_utc"], row["end_utc"]), None,
            {name: str(row[name]) for name in names if pd.notna(row[name]) and row[name] != ""},
            place[np.isfinite(place).all(axis=1)],
        )  # fmt: skip


def _span(start: pd.Timestamp, end: pd.Timestamp) -> tuple[str, str]:
    first, last = iso_times(pd.DatetimeIndex([start, end]))
    return str(first), str(last)


def _placemark(name: str, span: tuple[str, str], style: str | None, data: dict[str, str], points: Array) -> str:
    """Return a placemark; its elements are in the order that the schema demands."""
    shown = {key: value for key, value in data.items() if value != "nan"}
    values = "".join(f'<Data name="{xml(key)}">{element("value", value)}</Data>' for key, value in shown.items())
    return (
        f"<Placemark>{element('name', name)}<TimeSpan><begin>{span[0]}</begin><end>{span[1]}</end></TimeSpan>"
        f"{f'<styleUrl>#{style}</styleUrl>' if style else ''}"
        f"{f'<ExtendedData>{values}</ExtendedData>' if values else ''}{_geometry(points)}</Placemark>\n"
    )


def _geometry(points: Array) -> str:
    """Return a Point, a LineString, several where the line crosses ±180°, or nothing without a place."""
    if not len(points):
        return ""
    mode = "<altitudeMode>absolute</altitudeMode>" if points.shape[1] == 3 else ""
    if (points == points[0]).all():
        return f"<Point>{mode}<coordinates>{_coordinates(points[:1])}</coordinates></Point>"
    drape = "" if mode else "<tessellate>1</tessellate>"
    lines = [f"<LineString>{drape}{mode}<coordinates>{_coordinates(part)}</coordinates></LineString>" for part in cut_at_180(points)]
    return lines[0] if len(lines) == 1 else f"<MultiGeometry>{''.join(lines)}</MultiGeometry>"


def _coordinates(points: Array) -> str:
    """Return longitude, latitude and altitude where there is one, a blank between points."""
    form = "{:.9f},{:.9f}" if points.shape[1] == 2 else "{:.9f},{:.9f},{:.4f}"
    return " ".join(form.format(*row) for row in points.tolist())
