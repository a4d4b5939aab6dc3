"""Distance along the route: it does not grow at rest nor by noise, and has no straight line across an interruption."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import geodesy
from analyzer.metrics.metric import Metric, missing
from analyzer.metrics.motion import Motion
from analyzer.metrics.rate import Timeline, missing_after
from analyzer.settings import thresholds

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Route:
    """The route driven.

    Attributes
    ----------
    distance_m : (n,) distance along the route [m], never falling; epochs without a position carry the last value.
    interruptions : rows ``start end`` (epoch indices of the positions around) and ``bridged_m``.
    jumps : number of steps too fast for a road vehicle, left out of every length.
    node_m : chord length the track was summed in [m].
    """

    distance_m: Array
    interruptions: pd.DataFrame
    jumps: int
    node_m: float

    @property
    def length_m(self) -> float:
        """Length without interruptions [m]."""
        return float(self.distance_m[-1]) if len(self.distance_m) else 0.0

    @property
    def bridged_m(self) -> float:
        """Length with straight lines across interruptions [m]."""
        return self.length_m + float(self.interruptions["bridged_m"].sum())


def route(fixes: pd.DataFrame, line: Timeline, moves: Motion) -> Route:
    """Return the route of `fixes`.

    Between nodes at least `node_m` apart (2 m, or 30 times the epoch-to-epoch noise) the chord is counted, so that
    centimetre noise at 100 Hz does not lengthen the way; at rates and speeds where neighbours are further apart than
    that, every epoch is a node. Lengths are on the ellipsoid.
    """
    limit = thresholds("analyzer.metrics")
    count = len(line.seconds)
    node = limit["route.node_m"]
    if count < 2:
        return Route(np.zeros(count), _interruptions(fixes, np.zeros(max(count - 1, 0), dtype=bool), moves), 0, node)
    steps = geodesy.step_lengths(fixes["latitude_deg"].to_numpy(), fixes["longitude_deg"].to_numpy())
    spans = np.diff(line.seconds)
    with np.errstate(invalid="ignore"):
        jump = np.isfinite(steps) & (steps > limit["route.speed_max_mps"] * spans + 1.0)
    connected = np.isfinite(steps) & ~line.gap_after[:-1]
    rolling = connected & ~jump & (moves.moving[:-1] | moves.moving[1:])
    node = max(node, limit["route.node_noise"] * position_noise(moves.points, line))
    distance = _along(fixes, rolling, _progress(steps, spans, moves, rolling), node)
    return Route(distance, _interruptions(fixes, connected, moves), int((jump & connected).sum()), node)


def position_noise(points: Array, line: Timeline) -> float:
    """Return the epoch-to-epoch noise per axis [m] from third differences at 5 Hz and more; else 0.

    The third difference of white noise has 20 times its variance; a vehicle's own jerk adds less than a millimetre.
    """
    if not np.isfinite(line.nominal_s) or line.nominal_s > 0.21:
        return 0.0
    third = np.empty((3, max(points.shape[1] - 3, 0)))
    for row, axis in zip(third, points, strict=True):
        np.abs(np.diff(axis, n=3), out=row)
    if not (known := np.isfinite(third).all(axis=0)).all():
        third = third[:, known]
    return float(np.median(third, overwrite_input=True) / 0.67449 / np.sqrt(20.0)) if third.shape[1] else 0.0


def _progress(steps: Array, spans: Array, moves: Motion, rolling: NDArray[np.bool_]) -> Array:
    """Return how far the vehicle got per step [m], free of noise but rough at the ends: only to place the nodes."""
    smooth = moves.track_speed_mps
    between = 0.5 * (smooth[:-1] + smooth[1:]) * spans
    return np.where(rolling, np.where(np.isfinite(between), between, np.nan_to_num(steps)), 0.0)


def _along(fixes: pd.DataFrame, rolling: NDArray[np.bool_], progress: Array, node_m: float) -> Array:
    """Return the distance per epoch: chords between nodes, shared out over the epochs between by `progress`."""
    count = len(rolling) + 1
    pace = np.r_[0.0, np.cumsum(progress + 1e-9)]
    inside = np.r_[False, rolling] & np.r_[rolling, False]
    crossed = np.r_[True, np.diff(np.floor(pace / node_m)) > 0]
    nodes = np.flatnonzero(~inside | crossed)
    latitude, longitude = (fixes[c].to_numpy(dtype=np.float64) for c in ("latitude_deg", "longitude_deg"))
    chords = np.where(rolling[nodes[1:] - 1], geodesy.step_lengths(latitude[nodes], longitude[nodes]), 0.0)
    along = np.r_[0.0, np.cumsum(chords)]
    return np.asarray(np.interp(pace, pace[nodes], along), dtype=np.float64) if count else np.zeros(0)


def _interruptions(fixes: pd.DataFrame, connected: NDArray[np.bool_], moves: Motion) -> pd.DataFrame:
    """Return where neighbouring positions are not neighbouring epochs, with the straight line between them."""
    at = np.flatnonzero(moves.position)
    first, last = at[:-1], at[1:]
    open_ = (last - first > 1) | ~(connected[first] if len(first) else np.zeros(0, dtype=bool))
    first, last = first[open_], last[open_]
    latitude, longitude = (fixes[c].to_numpy(dtype=np.float64) for c in ("latitude_deg", "longitude_deg"))
    bridged = geodesy.distances(latitude[first], longitude[first], latitude[last], longitude[last])
    return pd.DataFrame({"start": first, "end": last, "bridged_m": bridged})


def route_metrics(way: Route, moves: Motion) -> list[Metric]:
    """Return the two lengths of the route, each under its own name."""
    count = int(moves.position.sum())
    if not count:
        return [missing(k, "m", "chords along the track", "no epoch has a position")
                for k in ("route_length_m", "route_length_bridged_m")]
    pieces = len(way.interruptions)
    return [
        Metric("route_length_m", way.length_m, "m", count,
               f"chords of at least {way.node_m:.1f} m on the ellipsoid; none at rest, none across interruptions",
               evidence={"interruptions": pieces, "position_jumps": way.jumps}),
        Metric("route_length_bridged_m", way.bridged_m, "m", count,
               "route_length_m and geodesic straight lines across interruptions (missing epochs, no position)",
               evidence={"interruptions": pieces}),
    ]


def gap_table(times: pd.DatetimeIndex, line: Timeline, fixes: pd.DataFrame, way: Route) -> pd.DataFrame:
    """Return one row per gap with its place; see `analyzer.metrics.result.Metrics`.

    ``start_utc`` is the last epoch before, ``end_utc`` the first after; places are the nearest positions outward.
    """
    at = np.flatnonzero(line.gap_after)
    before, after = nearest_positions(fixes, at, at + 1)
    latitude, longitude = (fixes[c].to_numpy(dtype=np.float64) for c in ("latitude_deg", "longitude_deg"))
    places = [np.where(i >= 0, array[i], np.nan) if len(array) else np.zeros(0)
              for i in (before, after) for array in (latitude, longitude)]
    return pd.DataFrame({
        "start_utc": times[at], "end_utc": times[at + 1], "duration_s": line.seconds[at + 1] - line.seconds[at],
        "missing": missing_after(line)[at], "start_distance_m": way.distance_m[at],
        "bridged_m": geodesy.distances(places[0], places[1], places[2], places[3]),
        "start_latitude_deg": places[0], "start_longitude_deg": places[1],
        "end_latitude_deg": places[2], "end_longitude_deg": places[3],
    })


def nearest_positions(
    fixes: pd.DataFrame, start: NDArray[np.int64], end: NDArray[np.int64],
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the epoch indices of the last position at or before `start` and the first at or after `end`, else -1."""
    known = np.isfinite(fixes["latitude_deg"].to_numpy(dtype=np.float64))
    at = np.flatnonzero(known)
    if not len(at):
        return np.full(len(start), -1), np.full(len(end), -1)
    low = np.searchsorted(at, start, side="right") - 1
    high = np.searchsorted(at, end, side="left")
    before = np.where(low >= 0, at[np.maximum(low, 0)], -1)
    after = np.where(high < len(at), at[np.minimum(high, len(at) - 1)], -1)
    return before.astype(np.int64), after.astype(np.int64)
