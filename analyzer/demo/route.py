"""The invented lap: a straight, an east bend, a handling loop, a forest road, an underpass and a street between halls.

Drawn by a closed cubic spline through a few points in local metres. A journey strings laps together, in either
direction, with a turn-round between where both directions are wanted.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter1d

from analyzer.demo.draws import Draws

Array = NDArray[np.float64]

SPACING_M = 0.5
_POINTS = (
    (-800, -500), (-400, -500), (0, -500), (400, -500), (800, -500), (1000, -488),
    (1180, -380), (1230, -200), (1150, -30),
    (980, 60), (800, 10), (640, 120), (650, 290), (480, 360), (320, 240), (150, 260),
    (0, 330), (-150, 400), (-300, 470),
    (-450, 520), (-620, 500), (-780, 540), (-930, 480),
    (-1020, 365), (-1052, 250),
    (-1060, 120), (-1060, 0), (-1060, -120), (-1060, -240),
    (-1040, -370), (-950, -465),
)
#: Stretches of the lap: name, first and last corner of `_POINTS`, highest speed [m/s].
_STRETCHES = (
    ("straight", 0, 5, 36.2), ("east_bend", 5, 9, 25.0), ("handling", 9, 16, 22.0), ("field_road", 16, 19, 20.0),
    ("trees", 19, 22, 17.0), ("open", 22, 23, 17.0), ("underpass_road", 23, 25, 15.0), ("halls", 25, 28, 11.0),
    ("paddock", 28, 31, 11.0),
)
#: Places of the three marks as the corner before which they lie and the metres beyond it.
_MARKS = ((0, 120.0), (17, 0.0), (2, 60.0))
MARK_NAMES = ("Mark A", "Mark B", "Mark C")
UNDERPASS_LENGTH_M = 32.0
#: Radio shadow of the far side of the ground, where the link is weak: between the corners.
SHADOW = (6, 9)


@dataclass(frozen=True)
class Lap:
    """One lap at even spacing. Arrays have one entry per point."""

    east_m: Array
    north_m: Array
    up_m: Array
    limit_mps: Array
    corner_m: Array
    length_m: float

    def between(self, first: int, last: int) -> tuple[float, float]:
        """Return the lap position [m] of two corners."""
        end = self.length_m if last >= len(_POINTS) else float(self.corner_m[last])
        return float(self.corner_m[first]), end


@cache
def lap() -> Lap:
    """Return the lap."""
    corners = np.array([*_POINTS, _POINTS[0]], dtype=np.float64)
    chord = np.r_[0.0, np.cumsum(np.hypot(*np.diff(corners, axis=0).T))]
    curve = CubicSpline(chord, corners, bc_type="periodic")
    fine = np.linspace(0.0, chord[-1], 200_001)
    line = curve(fine)
    along = np.r_[0.0, np.cumsum(np.hypot(*np.diff(line, axis=0).T))]
    length = float(along[-1])
    count = round(length / SPACING_M)
    at = np.arange(count) * (length / count)
    east, north = (np.interp(at, along, line[:, k]) for k in (0, 1))
    turn = 2.0 * np.pi * at / length
    up = 2.2 * np.sin(turn + 0.4) + 1.1 * np.sin(3.0 * turn + 1.9)
    corner = np.asarray(np.interp(chord, fine, along), dtype=np.float64)
    limit = np.empty(count)
    for _, first, _, speed in _STRETCHES:
        limit[at >= corner[first]] = speed
    return Lap(east, north, up, limit, corner, length)


def stretch(name: str) -> tuple[float, float]:
    """Return start and end [m] of a named stretch of the lap."""
    if name == "underpass":
        middle = 0.5 * sum(lap().between(23, 24))
        return middle - UNDERPASS_LENGTH_M / 2.0, middle + UNDERPASS_LENGTH_M / 2.0
    if name == "shadow":
        return lap().between(*SHADOW)
    for stretch_name, first, last, _ in _STRETCHES:
        if stretch_name == name:
            return lap().between(first, last)
    raise KeyError(name)


def stretch_names() -> tuple[str, ...]:
    """Return the names of the stretches in lap order."""
    return tuple(name for name, *_ in _STRETCHES)


def mark_positions() -> tuple[float, ...]:
    """Return the lap positions [m] of the marks."""
    return tuple(float(lap().corner_m[corner]) + beyond for corner, beyond in _MARKS)


def mark_points() -> Array:
    """Return the true ground points of the marks in the local frame [m], shape (3, 3)."""
    ground = lap()
    index = [round(m / ground.length_m * len(ground.east_m)) % len(ground.east_m) for m in mark_positions()]
    return np.column_stack([ground.east_m[index], ground.north_m[index], ground.up_m[index]])


@dataclass(frozen=True)
class Path:
    """A journey over the ground: points about every half metre, and the smooth curve through them.

    Attributes
    ----------
    along_m : distance of each point from the start [m]; the parameter of `curve`.
    lap_m, direction : position on the lap [m] and +1 or -1, per point.
    limit_mps : speed limit per point [m/s].
    curve : cubic spline of (east, north, up) [m] over the distance.
    """

    along_m: Array
    lap_m: Array
    direction: Array
    limit_mps: Array
    curve: CubicSpline

    def place(self, along_m: Array) -> Array:
        """Return (east, north, up) [m] at distances [m], shape (n, 3)."""
        return np.asarray(self.curve(along_m), dtype=np.float64)

    def heading_rad(self, along_m: Array) -> Array:
        """Return the direction of travel [rad], anticlockwise from east, continuous along the path."""
        slope = self.curve(along_m, 1)
        return np.asarray(np.unwrap(np.arctan2(slope[:, 1], slope[:, 0])))

    def curvature_1pm(self, along_m: Array) -> Array:
        """Return the curvature [1/m], positive to the left."""
        slope, bend = self.curve(along_m, 1), self.curve(along_m, 2)
        square = slope[:, 0] ** 2 + slope[:, 1] ** 2
        return np.asarray((slope[:, 0] * bend[:, 1] - slope[:, 1] * bend[:, 0]) / square**1.5)

    def pitch_rad(self, along_m: Array) -> Array:
        """Return the slope of the road as an angle [rad], positive uphill."""
        return np.asarray(np.arctan(self.curve(along_m, 1)[:, 2]))


def journey(laps: int, *, reverse: bool, both_ways: bool, draws: Draws) -> Path:
    """Return the path of `laps` laps.

    Parameters
    ----------
    laps : number of laps, 1 and more.
    reverse : drive the lap the other way round.
    both_ways : turn round after each lap.
    draws : stream for the lateral wander of the driver.
    """
    ground = lap()
    count = len(ground.east_m)
    pieces: list[Array] = []
    direction = -1 if reverse else 1
    for number in range(laps):
        index = np.arange(count)[::direction]
        pieces.append(np.column_stack([
            ground.east_m[index], ground.north_m[index], ground.up_m[index], index * (ground.length_m / count),
            np.full(count, float(direction)), ground.limit_mps[index], np.ones(count),
        ]))
        if both_ways and number < laps - 1:
            pieces.append(_turn_round(pieces[-1]))
            direction = -direction
    points = np.vstack(pieces)
    _wander(points, draws)
    return _geometry(points)


def _turn_round(before: Array, radius_m: float = 12.0) -> Array:
    """Return the turn-round after a lap: right 60 deg, left 300 deg, right 60 deg ends where it began, facing back."""
    step = SPACING_M / radius_m
    turn = np.concatenate([
        np.full(round(angle / step), sign * step)
        for angle, sign in ((np.pi / 3, -1.0), (5 * np.pi / 3, 1.0), (np.pi / 3, -1.0))
    ])
    start, ahead = before[-1, :2], before[-1, :2] - before[-2, :2]
    heading = np.arctan2(ahead[1], ahead[0]) + np.cumsum(turn)
    xy = start + np.cumsum(SPACING_M * np.column_stack([np.cos(heading), np.sin(heading)]), axis=0)
    xy += np.linspace(0.0, 1.0, len(xy))[:, None] * (start - xy[-1])
    rest = np.tile(before[-1, 2:], (len(xy), 1))
    rest[:, 3] = 5.0
    rest[:, 4] = 0.0
    return np.column_stack([xy, rest])


def _wander(points: Array, draws: Draws) -> None:
    """Shift the line sideways as a driver does, decimetres over a hundred metres, but not near a mark."""
    wander = gaussian_filter1d(draws.correlated(len(points), SPACING_M, 80.0), 20.0 / SPACING_M) * 0.2
    near = np.min([np.abs(points[:, 3] - m) for m in mark_positions()], axis=0)
    wander *= 1.0 - np.exp(-((near / 25.0) ** 2))
    wander *= points[:, 6]
    heading = np.arctan2(np.gradient(points[:, 1]), np.gradient(points[:, 0]))
    points[:, 0] -= wander * np.sin(heading)
    points[:, 1] += wander * np.cos(heading)


def _geometry(points: Array) -> Path:
    """Smooth the points and lay the curve through them."""
    smooth = np.column_stack([gaussian_filter1d(points[:, k], 2.0 / SPACING_M, mode="nearest") for k in range(3)])
    along = np.r_[0.0, np.cumsum(np.hypot(*np.diff(smooth[:, :2], axis=0).T))]
    return Path(
        along_m=along, lap_m=points[:, 3], direction=points[:, 4], limit_mps=points[:, 5],
        curve=CubicSpline(along, smooth),
    )
