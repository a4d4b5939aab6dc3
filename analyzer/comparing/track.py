"""The track of one run in steps of a cell's length, and what happened in each step."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import geodesy, intervals
from analyzer.comparing.rows import records
from analyzer.comparing.runs import Place
from analyzer.settings import thresholds

Array = NDArray[np.float64]
Codes = NDArray[np.int64]
#: Columns of epochs.parquet that a comparison reads.
EPOCH_COLUMNS = (
    "latitude_deg",
    "longitude_deg",
    "height_m",
    "fix_state",
    "trust",
    "correction_age_s",
    "satellites_used",
    "horizontal_bound_m",
    "speed_mps",
    "course_deg",
    "distance_m",
    "dropout_id",
    "claimed_horizontal_m",
    "claimed_vertical_m",
)
#: Figures of a visit that are quantiles: of which column, and which part of its values lies below.
QUANTILES = {
    "age_p95_s": ("correction_age_s", 0.95),
    "satellites_p5": ("satellites_used", 0.05),
    "bound_p95_m": ("horizontal_bound_m", 0.95),
    "speed_mps": ("speed_mps", 0.5),
}


@dataclass(frozen=True)
class Track:
    """A run cut into steps along its way.

    Attributes
    ----------
    points_m : (3, steps) mean east, north, up of the epochs in motion.
    direction_rad : (steps,) direction of travel, clockwise from north; NaN for a lone step.
    along_m : (steps,) distance along the route.
    piece : (steps,) unbroken piece the step belongs to.
    step_of_epoch : (n,) step of each epoch, -1 where none.
    epochs : the epochs in use (in motion, with a position), as indices into the table.
    """

    points_m: Array
    direction_rad: Array
    along_m: Array
    piece: Codes
    step_of_epoch: Codes
    epochs: Codes


def local_points(epochs: pd.DataFrame, origin: Place, shift_m: Array) -> Array:
    """Return east, north, up [m] (3, n) about `origin`, less the shift of the run."""
    latitude, longitude, height = (
        epochs[c].to_numpy(np.float64) for c in ("latitude_deg", "longitude_deg", "height_m")
    )
    known = np.isfinite(height)
    east, north, up = geodesy.to_enu(latitude, longitude, np.where(known, height, origin[2]), origin=origin)
    return np.stack([east, north, np.where(known, up, np.nan)]) - shift_m[:, None]


def make_track(epochs: pd.DataFrame, points_m: Array) -> Track:
    """Return the track of a run from its epochs (columns `EPOCH_COLUMNS`) and their local points (3, n)."""
    limit = thresholds("analyzer.comparing")
    length = limit["cell.length_m"]
    distance = epochs["distance_m"].to_numpy(np.float64)
    placed = (
        np.isfinite(points_m[:2]).all(axis=0) & np.isfinite(distance) & (epochs["fix_state"] != "no_fix").to_numpy()
    )
    use = np.flatnonzero(placed & _moving(epochs, distance, limit["cell.moving_mps"]))
    step_of = np.full(len(epochs), -1, dtype=np.int64)
    if not len(use):
        return Track(np.zeros((3, 0)), np.zeros(0), np.zeros(0), np.zeros(0, np.int64), step_of, use)
    jump = np.hypot(*np.diff(points_m[:2, use], axis=1)) > 3.0 * np.maximum(np.diff(distance[use]), 0.0) + length
    piece = np.r_[0, np.cumsum(jump)]
    number = np.floor(distance[use] / length).astype(np.int64)
    first = np.flatnonzero(np.r_[True, (np.diff(number) != 0) | jump])
    size = np.diff(np.r_[first, len(use)])
    points = np.stack([_means(row, first, size) for row in points_m[:, use]])
    step_of[use] = np.repeat(np.arange(len(first)), size)
    pieces = piece[first]
    return Track(points, _directions(points, pieces), distance[use][first], pieces, step_of, use)


def _moving(epochs: pd.DataFrame, distance: Array, least_mps: float) -> NDArray[np.bool_]:
    """Return which epochs are in motion: by speed, else by the distance along the route growing."""
    speed = epochs["speed_mps"].to_numpy(np.float64)
    grows = np.r_[np.diff(distance) > 0, False]
    return np.where(np.isfinite(speed), speed > least_mps, grows)


def _means(row: Array, first: Codes, size: Codes) -> Array:
    known = np.isfinite(row)
    count = np.add.reduceat(known.astype(np.float64), first)
    total = np.add.reduceat(np.where(known, row, 0.0), first)
    return np.where(count > 0, total / np.maximum(count, 1.0), np.nan)


def _directions(points: Array, piece: Codes) -> Array:
    """Return the direction from the step before to the step after, within a piece."""
    count = points.shape[1]
    if count < 2:
        return np.full(count, np.nan)
    before = np.r_[0, np.arange(count - 1)]
    after = np.r_[np.arange(1, count), count - 1]
    before = np.where(piece[before] == piece, before, np.arange(count))
    after = np.where(piece[after] == piece, after, np.arange(count))
    way = points[:2, after] - points[:2, before]
    return np.where(before == after, np.nan, np.arctan2(way[0], way[1]))


def pass_figures(epochs: pd.DataFrame, track: Track, visit: Codes, points_m: Array) -> pd.DataFrame:
    """Return the quality per visit of a cell; `visit` numbers the steps' visits 0, 1 … and may skip none.

    Columns ``n share_trusted share_fixed share_float share_other share_dropout age_p95_s satellites_p5 bound_p95_m
    speed_mps east_m north_m up_m start_utc``; heights and places are those of fixed epochs alone.
    """
    use = track.epochs
    group = visit[track.step_of_epoch[use]]
    count = int(visit.max()) + 1 if len(visit) else 0
    size = np.bincount(group, minlength=count).astype(np.float64)
    out: dict[str, NDArray[Any]] = {"n": size.astype(np.int64)}
    for name, flags in _flags(epochs).items():
        hits = np.bincount(group, flags[use].astype(np.float64), minlength=count)
        out[name] = np.asarray(hits / np.maximum(size, 1.0))
    for name, (column, part) in QUANTILES.items():
        out[name] = _quantiles(epochs[column].to_numpy(np.float64)[use], group, count, part)
    fixed = (epochs["fix_state"] == "fixed").to_numpy()[use]
    for name, row in zip(("east_m", "north_m", "up_m"), points_m, strict=True):
        out[name] = _group_means(row[use], group, count, fixed)
    first = np.full(count, len(epochs), dtype=np.int64)
    np.minimum.at(first, group, use)
    frame = pd.DataFrame(out)
    frame["start_utc"] = epochs.index[np.minimum(first, len(epochs) - 1)]
    return frame


def _flags(epochs: pd.DataFrame) -> dict[str, NDArray[np.bool_]]:
    """Return which epochs count for each share of a visit."""
    state = epochs["fix_state"].astype(object).to_numpy()
    fixed, floating = state == "fixed", state == "float"
    return {
        "share_trusted": (epochs["trust"] == "trusted").to_numpy(),
        "share_fixed": fixed,
        "share_float": floating,
        "share_other": ~fixed & ~floating,
        "share_dropout": epochs["dropout_id"].notna().to_numpy(),
    }


def _group_means(row: Array, group: Codes, count: int, good: NDArray[np.bool_]) -> Array:
    """Return the mean per group of the known values among `good`, NaN where a group has none."""
    known = good & np.isfinite(row)
    total = np.bincount(group[known], row[known], minlength=count)
    many = np.bincount(group[known], minlength=count)
    return np.where(many > 0, total / np.maximum(many, 1), np.nan)


def _quantiles(values: Array, group: Codes, count: int, part: float) -> Array:
    """Return the `part` quantile of values per group (nearest rank), NaN where a group has none."""
    known = np.isfinite(values)
    order = np.lexsort((values[known], group[known]))
    sorted_values, owner = values[known][order], group[known][order]
    size = np.bincount(owner, minlength=count)
    start = np.r_[0, np.cumsum(size)[:-1]]
    at = start + np.minimum(np.ceil(part * size).astype(np.int64) - 1, size - 1).clip(min=0)
    out = np.full(count, np.nan)
    out[size > 0] = sorted_values[at[size > 0]]
    return out


def troubles(epochs: pd.DataFrame, dropouts: pd.DataFrame, track: Track) -> pd.DataFrame:
    """Return where trouble begins, ``step kind id start_utc duration_s length_m``: dropouts, and untrusted stretches beside.

    The length is that of the way from its first to its last step, straight across where no position was logged.

    An untrusted stretch of a second and more in motion counts where no dropout covers or touches it.
    """
    stamps = pd.DatetimeIndex(epochs.index).as_unit("us").asi8
    rows, way = [], np.r_[0.0, np.cumsum(np.hypot(*np.diff(track.points_m[:2], axis=1)))]
    for row in records(dropouts):
        step = _step_at(track, int(np.searchsorted(stamps, row.start_utc.value // 1000)))
        if step >= 0:
            last = _step_from(track, int(np.searchsorted(stamps, row.end_utc.value // 1000)))
            rows.append((step, str(row.kind), int(row.dropout_id), row.start_utc, float(row.duration_s), float(way[last] - way[step])))
    bad = epochs["trust"].isin(["doubtful", "rejected"]).to_numpy() & (track.step_of_epoch >= 0)
    lost = epochs["dropout_id"].notna().to_numpy()
    seconds = (stamps - stamps[0]) / 1e6 if len(stamps) else np.zeros(0)
    spans = intervals.runs(bad | lost)
    for start, end in _joined(spans, seconds):
        if lost[start:end].any() or seconds[end - 1] - seconds[start] < 1.0:
            continue
        step = _step_at(track, start)
        length_m = float(way[_step_at(track, end - 1)] - way[step])
        rows.append((step, "not_trusted", 0, epochs.index[start], float(seconds[end - 1] - seconds[start]), length_m))
    return pd.DataFrame(rows, columns=["step", "kind", "id", "start_utc", "duration_s", "length_m"])


def _joined(spans: Codes, seconds: Array) -> list[tuple[int, int]]:
    """Return index runs with pauses under two seconds joined."""
    out: list[tuple[int, int]] = []
    for start, end in spans.tolist():
        if out and seconds[start] - seconds[out[-1][1] - 1] < 2.0:
            out[-1] = (out[-1][0], end)
        else:
            out.append((start, end))
    return out


def _step_at(track: Track, epoch: int) -> int:
    """Return the step of the last epoch in use at or before `epoch`, else of the first one."""
    if not len(track.epochs):
        return -1
    at = int(np.searchsorted(track.epochs, epoch, side="right")) - 1
    return int(track.step_of_epoch[track.epochs[max(at, 0)]])


def _step_from(track: Track, epoch: int) -> int:
    """Return the step of the first epoch in use at or after `epoch`, else of the last one."""
    at = int(np.searchsorted(track.epochs, epoch))
    return int(track.step_of_epoch[track.epochs[min(at, len(track.epochs) - 1)]])
