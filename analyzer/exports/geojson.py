"""GeoJSON (RFC 7946): WGS 84 longitude, latitude, ellipsoidal height; lines cut at ±180°."""

from __future__ import annotations

import json
from collections.abc import Iterator
from itertools import chain
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.exports.lines import iso_times, pieces, rule
from analyzer.exports.route import Route
from analyzer.geodesy import cut_at_180
from analyzer.results.summary import json_safe

Array = NDArray[np.float64]
_STRETCH = ("fix_state", "trust")
_DROPOUT = ("dropout_id", "cause", "start_utc", "end_utc", "duration_s", "refix_s", "evidence", "advice")
_MANOEUVRE = (
    "name", "start_utc", "end_utc", "verdict", "worst_horizontal_bound_m", "share_trusted", "reason", "repeat",
)  # fmt: skip
_STANDSTILL = ("standstill_id", "start_utc", "end_utc", "n", "fix_state", "cep50_m", "r95_m", "check_point")


def geojson(route: Route) -> Iterator[str]:
    """Yield a FeatureCollection in pieces of text, one feature a line.

    Features have a ``kind``: ``route`` (a stretch of one fix state and one trust), ``dropout``, ``manoeuvre`` or
    ``standstill``. A stretch has the ellipsoidal height as third coordinate where it is known all along.
    """
    about = f"{route.title}. Heights are ellipsoidal, positions as logged. {rule(route.spacing_m)}"
    yield f'{{"type":"FeatureCollection","name":{_text(route.run)},"about":{_text(about)},"features":['
    separator = "\n"
    for feature in chain(_stretches(route), _dropouts(route), _places(route)):
        yield separator + _text(feature)
        separator = ",\n"
    yield "\n]}\n"


def _text(value: object) -> str:
    return json.dumps(json_safe(value), ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _stretches(route: Route) -> Iterator[dict[str, Any]]:
    """Yield one feature per stretch of one fix state and one trust."""
    points = route.points
    if not len(points):
        return
    tall = np.isfinite(points["height_m"].to_numpy(np.float64))
    places = points[["longitude_deg", "latitude_deg", "height_m"]].to_numpy(np.float64)
    times = iso_times(pd.DatetimeIndex(points.index))
    joins = np.r_[True, tall[1:] == tall[:-1]]
    labels = [points[name] for name in _STRETCH]
    for start, end, reach in pieces([*labels, pd.Series(tall)], route.breaks, joins):
        part = points.iloc[start:end]
        words = {name: part[name].iloc[0] for name in _STRETCH}
        yield _feature(line(places[start:reach, : 2 + int(tall[start])]), "route", words | {
            "start_utc": str(times[start]), "end_utc": str(times[end - 1]),
            "start_distance_m": _first(part["distance_m"]), "end_distance_m": _first(part["distance_m"].iloc[::-1]),
            "largest_horizontal_bound_m": _largest(part["horizontal_bound_m"]),
            "largest_vertical_bound_m": _largest(part["vertical_bound_m"]),
            "largest_correction_age_s": _largest(part["correction_age_s"]),
        })


def _dropouts(route: Route) -> Iterator[dict[str, Any]]:
    """Yield one feature per dropout, from its start to its end."""
    sides = ("start", "end")
    for row in route.dropouts.to_dict("records"):
        ends = np.array([[row[f"{side}_longitude_deg"], row[f"{side}_latitude_deg"]] for side in sides], np.float64)
        ends = ends[np.isfinite(ends).all(axis=1)]
        kinds = {"dropout_kind": row["kind"]}
        yield _feature(line(ends), "dropout", kinds | {name: row.get(name) for name in _DROPOUT})


def _places(route: Route) -> Iterator[dict[str, Any]]:
    """Yield manoeuvres at their start and standstills where the vehicle stood."""
    for kind, frame, names in (("manoeuvre", route.windows, _MANOEUVRE), ("standstill", route.standstills, _STANDSTILL)):
        for row in frame.to_dict("records"):
            place = np.array([[row["longitude_deg"], row["latitude_deg"]]], np.float64)
            yield _feature(line(place[np.isfinite(place).all(axis=1)]), kind, {name: row.get(name) for name in names})


def _feature(geometry: dict[str, Any] | None, kind: str, properties: dict[str, Any]) -> dict[str, Any]:
    return {"type": "Feature", "geometry": geometry, "properties": {"kind": kind, **properties}}


def line(points: Array) -> dict[str, Any] | None:
    """Return `points` as a LineString, a MultiLineString where it crosses ±180°, a Point for one place, else None."""
    if not len(points):
        return None
    if (points == points[0]).all():
        return {"type": "Point", "coordinates": _round(points[:1])[0]}
    parts = [_round(part) for part in cut_at_180(points)]
    if len(parts) == 1:
        return {"type": "LineString", "coordinates": parts[0]}
    return {"type": "MultiLineString", "coordinates": parts}


def _round(points: Array) -> list[list[float]]:
    """Return coordinates as lists: 0.1 mm in plan and in height."""
    return [[round(v, 9) for v in row[:2]] + [round(v, 4) for v in row[2:]] for row in points.tolist()]


def _first(values: pd.Series) -> float | None:
    return round(float(values.iloc[0]), 3) if np.isfinite(values.iloc[0]) else None


def _largest(values: pd.Series) -> float | None:
    """Return the largest value as the nearest short number that prints it, None where there is none."""
    top = values.max()
    return None if not np.isfinite(top) else float(str(top))
