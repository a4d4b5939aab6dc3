"""How the car moves: speed profile over the journey, stops, and every kinematic quantity on a fine time grid.

Signs follow ISO 8855: x forward, y left, z up; yaw positive to the left. The reference point is the middle of the rear
axle, which follows the path without side slip.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from analyzer.demo.draws import Draws
from analyzer.demo.route import SPACING_M, Path, journey, lap, mark_points, mark_positions
from analyzer.demo.scenario import Lever
from analyzer.demo.spec import DriveSpec
from analyzer.intervals import runs

Array = NDArray[np.float64]

GRID_HZ = 200.0
#: Normal gravity at the ground [m/s2]; Somigliana at 47.2 deg, free-air reduced.
GRAVITY_MPS2 = 9.80779
_ACCELERATION, _BRAKING, _LATERAL = 2.2, 3.0, 4.2
WHEELBASE_M, STEERING_RATIO = 2.7, 15.5


@dataclass(frozen=True)
class Motion:
    """The car at given times [s from the first epoch]; positions of the reference point in the local frame [m]."""

    time_s: Array
    enu_m: Array
    heading_rad: Array
    pitch_rad: Array
    speed_mps: Array
    yaw_rate_radps: Array
    acceleration_mps2: Array
    lap_m: Array
    travelled_m: Array

    def at(self, times_s: Array) -> Motion:
        """Return the motion interpolated at other times."""
        def value(series: Array) -> Array:
            return np.interp(times_s, self.time_s, series)

        enu = np.column_stack([value(self.enu_m[:, k]) for k in range(3)])
        nearest = np.clip(np.searchsorted(self.time_s, times_s), 0, len(self.time_s) - 1)
        return Motion(
            np.asarray(times_s), enu, value(self.heading_rad), value(self.pitch_rad), value(self.speed_mps),
            value(self.yaw_rate_radps), value(self.acceleration_mps2), self.lap_m[nearest], value(self.travelled_m),
        )

    def antenna(self, lever: Lever) -> Array:
        """Return the antenna position [m], shape (n, 3); small pitch, no roll."""
        ahead = lever.forward_m - lever.up_m * self.pitch_rad
        cosine, sine = np.cos(self.heading_rad), np.sin(self.heading_rad)
        east = self.enu_m[:, 0] + ahead * cosine - lever.left_m * sine
        north = self.enu_m[:, 1] + ahead * sine + lever.left_m * cosine
        return np.column_stack([east, north, self.enu_m[:, 2] + lever.up_m + lever.forward_m * self.pitch_rad])

    @property
    def course_deg(self) -> Array:
        """True heading of the car [deg], clockwise from north."""
        return np.asarray(np.mod(90.0 - np.rad2deg(self.heading_rad), 360.0))

    @property
    def steering_angle_rad(self) -> Array:
        """Steering-wheel angle [rad], positive to the left, by the kinematic single-track model."""
        curvature = self.yaw_rate_radps / np.maximum(self.speed_mps, 0.5)
        return np.asarray(np.arctan(WHEELBASE_M * curvature) * STEERING_RATIO)


def drive_motion(spec: DriveSpec, lever: Lever) -> Motion:
    """Return the motion of the drive of `spec` on the fine grid, a margin of 2 s at both ends included."""
    draws = Draws(spec.seed, "motion")
    pace = max(4.0, 20.0 * spec.speed_factor)
    laps = max(1, int(np.ceil(spec.duration_s * pace / lap().length_m)) + 1)
    path = journey(laps, reverse=spec.reverse, both_ways=spec.both_ways, draws=draws)
    path, stops = _stops(path, spec, lever, draws)
    time, _ = _timetable(path, stops, spec)
    end = float(np.interp(spec.duration_s - 22.0, time, np.arange(len(time))))
    last = int(end)
    stops = [s for s in stops if s[0] < last - 40]
    stops.append((last, spec.duration_s + 60.0))
    time, speed = _timetable(path, stops, spec)
    return _on_grid(path, time, speed, spec.duration_s)


def _stops(path: Path, spec: DriveSpec, lever: Lever, draws: Draws) -> tuple[Path, list[tuple[int, float]]]:
    """Return path index and duration [s] of every stop, and the path with a point exactly at each.

    At a mark the antenna comes to stand over it, as exactly as one plumbs it (a centimetre along, drawn).
    """
    stops = [(0, spec.start_rest_s)]
    along = path.along_m.copy()
    length = lap().length_m
    for point, position in list(zip(mark_points(), mark_positions(), strict=True))[: spec.marks]:
        distance = np.abs((path.lap_m - position + length / 2) % length - length / 2)
        for low, high in runs(distance < 3.0).tolist():
            here, heading = path.place(along[low:high])[:, :2], path.heading_rad(along[low:high])
            ahead = np.column_stack([np.cos(heading), np.sin(heading)])
            short = np.sum((point[:2] - here) * ahead, axis=1) - lever.forward_m
            index = low + int(np.argmin(np.abs(short)))
            if index > 60:
                along[index] += short[index - low] + draws.gauss(0.006)
                stops.append((index, spec.mark_rest_s * draws.between(0.9, 1.1)))
    if spec.long_rest_s > 0.0:
        stops.append((round(0.43 * length / SPACING_M), spec.long_rest_s))
    return replace(path, along_m=along), sorted(stops)


def _timetable(path: Path, stops: list[tuple[int, float]], spec: DriveSpec) -> tuple[Array, Array]:
    """Return when the car leaves each point of the path [s] and its speed there [m/s].

    The speed limit, the lateral limit and the stops are an upper bound; constant acceleration and braking cut it from
    both sides, which is a running minimum of v^2 - 2 a s.
    """
    bend = np.sqrt(_LATERAL / np.maximum(np.abs(gaussian_filter1d(path.curvature_1pm(path.along_m), 6.0)), 1e-6))
    square = (spec.speed_factor * np.minimum(path.limit_mps, bend)) ** 2
    index = np.array([s[0] for s in stops])
    square[index] = 0.0
    for slope in (_ACCELERATION, -_BRAKING):
        order = slice(None) if slope > 0 else slice(None, None, -1)
        ramp = 2.0 * slope * path.along_m
        square = ramp + np.minimum.accumulate((square - ramp)[order])[order]
    speed = np.sqrt(np.maximum(square, 0.0))
    speed[index] = 0.0
    step = 2.0 * np.diff(path.along_m) / np.maximum(speed[1:] + speed[:-1], 0.05)
    time = np.r_[0.0, np.cumsum(step)]
    for at, rest in stops:
        time[at:] += rest
    return time, speed


def _on_grid(path: Path, time: Array, speed: Array, duration_s: float) -> Motion:
    """Sample the journey on the fine grid; speed is smoothed in time, so that jerk stays that of a car."""
    grid = np.arange(round((duration_s + 4.0) * GRID_HZ)) / GRID_HZ - 2.0
    cell = np.clip(np.searchsorted(time, grid, side="right") - 1, 0, len(time) - 2)
    cell = np.where(grid < time[0], 0, cell)
    span = np.diff(path.along_m)
    pull = (speed[1:] ** 2 - speed[:-1] ** 2) / (2.0 * span)
    step = 2.0 * span / np.maximum(speed[1:] + speed[:-1], 0.05)
    since = np.clip(grid - time[cell], 0.0, step[cell])
    along = path.along_m[cell] + np.clip(speed[cell] * since + 0.5 * pull[cell] * since**2, 0.0, span[cell])
    along = np.where(grid < time[0], path.along_m[0], along)
    raw = np.diff(along, prepend=along[0]) * GRID_HZ
    smooth = np.maximum(gaussian_filter1d(raw, 0.25 * GRID_HZ, mode="nearest", truncate=4.0), 0.0)
    smooth[smooth < 1e-6] = 0.0
    # trapezoids: a plain running sum would put the car half a grid step ahead of its speed
    travelled = path.along_m[0] + np.r_[0.0, np.cumsum((smooth[1:] + smooth[:-1]) / 2)] / GRID_HZ
    return _kinematics(path, grid, travelled, smooth)


def _kinematics(path: Path, grid: Array, travelled: Array, speed: Array) -> Motion:
    """Return every quantity at `travelled` metres along the path."""
    nearest = np.clip(np.searchsorted(path.along_m, travelled), 0, len(path.along_m) - 1)
    return Motion(
        grid, path.place(travelled), path.heading_rad(travelled), path.pitch_rad(travelled), speed,
        path.curvature_1pm(travelled) * speed, np.gradient(speed, 1.0 / GRID_HZ), path.lap_m[nearest],
        travelled - travelled[0],
    )
