"""Speed that every figure uses, and whether the vehicle moves: from the speed channel, else from positions."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import geodesy, intervals
from analyzer.metrics.rate import Timeline
from analyzer.scratch import Scratch, keeper
from analyzer.settings import thresholds

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Fix states whose positions are precise enough to form slow speeds from.
CARRIER_STATES = ("fixed", "precise", "float")


@dataclass(frozen=True)
class Motion:
    """Motion per epoch.

    Attributes
    ----------
    position : (n,) whether the epoch has a position.
    points : (3, n) earth-centred foot points on the ellipsoid [m], NaN without a position.
    speed_mps : (n,) logged speed over ground where there is one (interpolated over at most 2 s), else from positions.
    track_speed_mps : (n,) speed formed from positions alone, NaN where there are none.
    moving : (n,) False where the vehicle rests.
    from_channel : share of the epochs whose speed comes from a speed channel.
    """

    position: Flags
    points: Array
    speed_mps: Array
    track_speed_mps: Array
    moving: Flags
    from_channel: float


def motion(fixes: pd.DataFrame, line: Timeline, scratch: Scratch | None = None) -> Motion:
    """Return the motion of the epochs of `fixes` (schema FIXES) on the `line`; `scratch` takes the points at once."""
    limit = thresholds("analyzer.metrics")
    latitude = fixes["latitude_deg"].to_numpy(dtype=np.float64)
    longitude = fixes["longitude_deg"].to_numpy(dtype=np.float64)
    position = np.isfinite(latitude) & np.isfinite(longitude)
    points = keeper(scratch)(geodesy.surface_points(latitude, longitude))
    track = track_speed(points, line, limit["standstill.window_positions_s"])
    channel = _channel_speed(fixes["speed_mps"].to_numpy(dtype=np.float64), line, limit["standstill.speed_bridge_s"])
    known = np.isfinite(channel)
    if known.any() and np.nanmax(channel) == 0.0 and _travels(track):
        known = np.zeros(len(known), dtype=bool)  # a speed field that is always 0 on a moving vehicle is no speed
    speed = np.where(known, channel, track)
    carrier = fixes["fix_state"].isin(CARRIER_STATES).to_numpy()
    slow = np.where(known | carrier, limit["standstill.speed_mps"], limit["standstill.speed_coarse_mps"])
    smooth = np.where(known, rolling_mean(channel, width(line, limit["standstill.window_s"])), track)
    reach_s = limit["standstill.creep_s"]
    far, mean = track_speed(points, line, reach_s), rolling_mean(np.minimum(channel, slow), width(line, reach_s))
    with np.errstate(invalid="ignore"):
        # where precise positions get on as the slow speed says a car creeps along a queue
        creeps = known & carrier & (far > limit["standstill.creep_mps"]) & (np.abs(mean - far) < limit["standstill.creep_agrees"] * far)
        rests = (smooth < slow) & ~(track > 2.0) & ~creeps
    return Motion(position, points, speed, track, ~rests, float(known.mean()) if len(known) else 0.0)


def width(line: Timeline, span_s: float) -> int:
    """Return the odd number of epochs nearest to `span_s`, at least one."""
    if not np.isfinite(line.nominal_s):
        return 1
    return max(1, int(span_s / line.nominal_s / 2.0 + 1e-6) * 2 + 1) if span_s > line.nominal_s else 1


def rolling_mean(values: Array, size: int) -> Array:
    """Return centred means over `size` (odd) entries along the last axis; missing ones are left out."""
    if size <= 1:
        return values
    if values.ndim > 1:  # axis by axis: long tables need no more memory than one
        out = np.empty(values.shape)
        for row, one in zip(out, values, strict=True):
            row[:] = rolling_mean(one, size)
        return out
    known = np.isfinite(values)
    half = size // 2

    def window_sum(array: Array) -> Array:
        edge = [(0, 0)] * (array.ndim - 1)
        total = np.cumsum(np.pad(array, [*edge, (half + 1, half)]), axis=-1)
        return np.asarray(total[..., size:] - total[..., :-size], dtype=np.float64)

    centre = np.nanmean(values, axis=-1, keepdims=True) if known.any() else 0.0  # keeps digits of large coordinates
    counts = window_sum(known.astype(np.float64))
    sums = window_sum(np.where(known, values - centre, 0.0))
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(counts > 0.5, sums / counts + centre, np.nan), dtype=np.float64)


def _mean_of_pieces(values: Array, size: int, bounds: NDArray[np.int64]) -> Array:
    """Return rolling means that never reach across a pause: a car that parked there and goes on elsewhere did not drive off before it."""
    if len(bounds) == 2:
        return rolling_mean(values, size)
    return np.concatenate([rolling_mean(values[low:high], size) for low, high in pairwise(bounds.tolist())])


def track_speed(points: Array, line: Timeline, span_s: float) -> Array:
    """Return the speed [m/s] from displacements of averaged positions over about `span_s`, never across a gap."""
    count = points.shape[1]
    if count < 2 or not np.isfinite(line.nominal_s):
        return np.full(count, np.nan)
    size, reach = width(line, span_s / 2), max(1, round(span_s / 2 / line.nominal_s))
    pauses = np.r_[0, np.flatnonzero(np.diff(line.seconds) > span_s) + 1, count]
    begins = np.r_[0, np.flatnonzero(line.gap_before)].astype(np.int32)
    lengths = np.diff(np.r_[begins, np.int32(count)])
    index = np.arange(count, dtype=np.int32)
    low = np.maximum(index - np.int32(reach), np.repeat(begins, lengths))
    high = np.minimum(index + np.int32(reach), np.repeat(begins + lengths - 1, lengths))
    del index
    moved = np.zeros(count)
    for axis in points:
        smooth = _mean_of_pieces(axis, size, pauses)
        step = smooth[high]
        step -= smooth[low]
        moved += np.square(step, out=step)
    moved = np.sqrt(moved, out=moved)
    apart = line.seconds[high] - line.seconds[low]
    valid = (apart > 0) & np.isfinite(points[0])
    np.divide(moved, apart, out=moved, where=valid)
    moved[~valid] = np.nan
    return moved


def _channel_speed(speed: Array, line: Timeline, bridge_s: float) -> Array:
    """Return the logged speed, interpolated where neighbours within `bridge_s` know it."""
    known = np.flatnonzero(np.isfinite(speed))
    if len(known) < 2 or len(known) == len(speed):
        return speed
    moments = line.seconds
    after = np.clip(np.searchsorted(moments[known], moments), 1, len(known) - 1)
    apart = moments[known][after] - moments[known][after - 1]
    inside = (moments >= moments[known[0]]) & (moments <= moments[known[-1]]) & (apart <= bridge_s)
    filled = np.interp(moments, moments[known], speed[known])
    return np.where(np.isfinite(speed), speed, np.where(inside, filled, np.nan))


def _travels(track: Array) -> bool:
    """Return whether positions show a journey."""
    known = track[np.isfinite(track)]
    return bool(len(known)) and float(np.percentile(known, 95)) > 2.0


def rest_runs(moving: Flags, line: Timeline, shortest_s: float) -> NDArray[np.int64]:
    """Return [start, end) of the epochs of halts of at least `shortest_s`, never across a gap."""
    runs = intervals.equal_runs(~moving, line.gap_before)
    if not len(runs):
        return runs
    rests = ~moving[runs[:, 0]]
    lasts = line.seconds[runs[:, 1] - 1] - line.seconds[runs[:, 0]]
    return runs[rests & (lasts >= shortest_s - 1e-6)]
