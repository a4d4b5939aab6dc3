"""route.geojson: the route in pieces by trust, and the dropouts (RFC 7946: WGS 84 longitude, latitude; lines cut at ±180°)."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import intervals
from analyzer.assessment import Assessment
from analyzer.geodesy import cut_at_180
from analyzer.recording import Finding

#: A point is kept only if it lies this far [m] from the last one kept; every change of trust keeps its ends.
SPACING_M = 0.5
METRES_PER_DEGREE = 111_320.0


def route(assessment: Assessment) -> dict[str, Any]:
    """Return a FeatureCollection: lines with ``trust`` and ``fix_state``, and one feature per dropout and per decision of the user."""
    return {"type": "FeatureCollection", "features": list(features(assessment))}


def write_route(assessment: Assessment, path: Path) -> None:
    """Write the FeatureCollection, one feature after the other: long drives have millions of points."""
    with path.open("w", encoding="utf-8", newline="\n") as out:
        out.write('{"type": "FeatureCollection", "features": [')
        for number, feature in enumerate(features(assessment)):
            out.write((", " if number else "") + json.dumps(feature, ensure_ascii=False, allow_nan=False))
        out.write("]}\n")


def features(assessment: Assessment) -> Iterator[dict[str, Any]]:
    """Yield the lines of the route, then the dropouts, then what the user decided."""
    epochs = assessment.epochs
    has_place = np.isfinite(epochs["latitude_deg"]) & np.isfinite(epochs["longitude_deg"])
    at = np.flatnonzero(has_place & (epochs["fix_state"] != "no_fix"))
    gap = ~np.isfinite(assessment.metrics.epochs["interval_s"].to_numpy(np.float64))
    broken = np.r_[False, (np.diff(at) > 1) | gap[at[:-1]]] if len(at) else np.zeros(0, dtype=bool)
    yield from _trust_lines(epochs, at, broken)
    yield from _dropout_features(assessment.dropouts)
    for finding in assessment.findings:
        if finding.code.startswith("decision_"):
            yield _decision_feature(finding, epochs, at)


def _trust_lines(epochs: pd.DataFrame, at: NDArray[np.int64], broken: NDArray[np.bool_]) -> Iterator[dict[str, Any]]:
    """Yield a line per stretch of one trust and state of the epochs `at`.

    `broken` marks those that the one before does not lead to.
    """
    trust, state = epochs["trust"], epochs["fix_state"]
    key = np.asarray(trust.cat.codes, dtype=np.int16)[at] * np.int16(100) + np.asarray(state.cat.codes, dtype=np.int16)[at]
    longitude, latitude, way = (epochs[c].to_numpy(np.float64) for c in ("longitude_deg", "latitude_deg", "distance_m"))
    for start, end in intervals.equal_runs(key, broken):
        stop = end + 1 if end < len(key) and not broken[end] else end
        points = _thin(np.column_stack([longitude[at[start:stop]], latitude[at[start:stop]]]))
        first, last = int(at[start]), int(at[end - 1])
        yield _feature(
            _line(points),
            {
                "kind": "route",
                "trust": str(trust.iloc[first]),
                "fix_state": None if pd.isna(state.iloc[first]) else str(state.iloc[first]),
                "start_utc": _iso(epochs.index[first]),
                "end_utc": _iso(epochs.index[last]),
                "start_km": round(float(way[first] / 1000), 4),
                "end_km": round(float(way[last] / 1000), 4),
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


def _decision_feature(finding: Finding, epochs: pd.DataFrame, at: NDArray[np.int64]) -> dict[str, Any]:
    """Return the stretch of the epochs `at` that the user accepted or excluded, with who and why."""
    start, end = (pd.Timestamp(str(finding.evidence[c])) for c in ("start_utc", "end_utc"))
    inside = at[(at >= epochs.index.searchsorted(start)) & (at < epochs.index.searchsorted(end, side="right"))]
    points = _thin(np.column_stack([epochs[c].to_numpy(np.float64)[inside] for c in ("longitude_deg", "latitude_deg")]))
    told = {key: str(finding.evidence[key]) for key in ("action", "by", "reason")}
    return _feature(_line(points) if len(points) else None, {"kind": "decision", **told, "start_utc": _iso(start), "end_utc": _iso(end)})


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
        return {"type": "Point", "coordinates": _rounded(points[:1])[0]}
    parts = [_rounded(part) for part in cut_at_180(points)]
    if len(parts) == 1:
        return {"type": "LineString", "coordinates": parts[0]}
    return {"type": "MultiLineString", "coordinates": parts}


def _rounded(points: NDArray[np.float64]) -> list[list[float]]:
    rounded: list[list[float]] = np.round(points, 9).tolist()
    return rounded


def _feature(geometry: dict[str, Any] | None, properties: dict[str, Any]) -> dict[str, Any]:
    return {"type": "Feature", "geometry": geometry, "properties": properties}


def _iso(time: pd.Timestamp) -> str:
    return time.tz_convert("UTC").isoformat().replace("+00:00", "Z")
