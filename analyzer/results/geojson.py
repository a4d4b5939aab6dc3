"""route.geojson: the route in pieces by trust, and the dropouts (RFC 7946: WGS 84 longitude, latitude; lines cut at ±180°)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import intervals
from analyzer.assessment import Assessment
from analyzer.geodesy import cut_at_180

#: A point is kept only if it lies this far [m] from the last one kept; every change of trust keeps its ends.
SPACING_M = 0.5
METRES_PER_DEGREE = 111_320.0


def route(assessment: Assessment) -> dict[str, Any]:
    """Return a FeatureCollection: lines with ``trust`` and ``fix_state``, and one feature per dropout."""
    epochs = assessment.epochs
    has_place = np.isfinite(epochs["latitude_deg"]) & np.isfinite(epochs["longitude_deg"])
    at = np.flatnonzero(has_place & (epochs["fix_state"] != "no_fix"))
    gap = ~np.isfinite(assessment.metrics.epochs["interval_s"].to_numpy(np.float64))
    broken = np.r_[False, (np.diff(at) > 1) | gap[at[:-1]]] if len(at) else np.zeros(0, dtype=bool)
    features = [*_trust_lines(epochs.iloc[at], broken), *_dropout_features(assessment.dropouts)]
    return {"type": "FeatureCollection", "features": features}


def _trust_lines(placed: pd.DataFrame, broken: NDArray[np.bool_]) -> Iterator[dict[str, Any]]:
    """Yield a line per stretch of one trust and state; `broken` marks epochs that the one before does not lead to."""
    trust, state = placed["trust"].astype(object).to_numpy(), placed["fix_state"].astype(object).to_numpy()
    key = pd.factorize(pd.Series(trust).astype(str) + "/" + pd.Series(state).astype(str))[0]
    places = placed[["longitude_deg", "latitude_deg"]].to_numpy(np.float64)
    km = placed["distance_m"].to_numpy(np.float64) / 1000
    for start, end in intervals.equal_runs(key, broken):
        stop = end + 1 if end < len(key) and not broken[end] else end
        points = _thin(places[start:stop])
        times = placed.index[[start, end - 1]]
        yield _feature(
            _line(points),
            {
                "kind": "route",
                "trust": str(trust[start]),
                "fix_state": str(state[start]),
                "start_utc": _iso(times[0]),
                "end_utc": _iso(times[1]),
                "start_km": round(float(km[start]), 4),
                "end_km": round(float(km[end - 1]), 4),
            },
        )


def _dropout_features(dropouts: pd.DataFrame) -> Iterator[dict[str, Any]]:
    row: Any
    for row in dropouts.itertuples(index=False):
        ends = np.array(
            [[row.start_longitude_deg, row.start_latitude_deg], [row.end_longitude_deg, row.end_latitude_deg]],
            dtype=np.float64,
        )
        ends = ends[np.isfinite(ends).all(axis=1)]
        yield _feature(
            _line(ends) if len(ends) else None,
            {
                "kind": "dropout",
                "dropout_id": int(row.dropout_id),
                "dropout_kind": str(row.kind),
                "cause": str(row.cause),
                "start_utc": _iso(row.start_utc),
                "end_utc": _iso(row.end_utc),
                "duration_s": round(float(row.duration_s), 3),
            },
        )


def _thin(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return points at least SPACING_M apart along the line, both ends kept."""
    if len(points) < 3:
        return points
    step = np.diff(points, axis=0)
    step[:, 0] = (step[:, 0] + 180) % 360 - 180
    step[:, 0] *= np.cos(np.radians(points[:-1, 1]))
    along = np.r_[0.0, np.cumsum(np.hypot(step[:, 0], step[:, 1])) * METRES_PER_DEGREE]
    keep = np.r_[True, np.diff(np.floor(along / SPACING_M)) > 0]
    keep[-1] = True
    return points[keep]


def _line(points: NDArray[np.float64]) -> dict[str, Any]:
    """Return a Point, LineString, or a MultiLineString where the line crosses the antimeridian (RFC 7946 section 3.1.9)."""
    if len(points) == 1 or (len(points) and (points == points[0]).all()):
        return {"type": "Point", "coordinates": _round(points[0])}
    parts = [[_round(p) for p in part] for part in cut_at_180(points)]
    if len(parts) == 1:
        return {"type": "LineString", "coordinates": parts[0]}
    return {"type": "MultiLineString", "coordinates": parts}


def _round(point: NDArray[np.float64]) -> list[float]:
    return [round(float(point[0]), 9), round(float(point[1]), 9)]


def _feature(geometry: dict[str, Any] | None, properties: dict[str, Any]) -> dict[str, Any]:
    return {"type": "Feature", "geometry": geometry, "properties": properties}


def _iso(time: pd.Timestamp) -> str:
    return time.tz_convert("UTC").isoformat().replace("+00:00", "Z")
