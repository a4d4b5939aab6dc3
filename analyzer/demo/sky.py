"""Satellites over the route: an invented constellation, what hides it, and the dilution that remains.

Orbits are circular with the published radius, inclination and number of planes of each system, evenly filled; no
satellite is a real one. Everything is computed on a tick of 0.2 s.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyzer.demo.draws import Draws
from analyzer.demo.motion import Motion
from analyzer.demo.plan import Event, Plan
from analyzer.demo.route import lap, stretch
from analyzer.demo.scenario import ORIGIN_LATITUDE_DEG, ORIGIN_LONGITUDE_DEG
from analyzer.demo.spec import DriveSpec

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

TICK_S = 0.2
_EARTH_RATE_RADPS, _GM_M3PS2 = 7.292115e-5, 3.986004418e14
#: system, talker, satellites, planes, radius [m], inclination [deg], first satellite number
SYSTEMS = (
    ("GPS", "GP", 30, 6, 26_560e3, 55.0, 1),
    ("GLONASS", "GL", 24, 3, 25_508e3, 64.8, 65),
    ("Galileo", "GA", 24, 3, 29_600e3, 56.0, 1),
    ("BeiDou", "GB", 24, 3, 27_906e3, 55.0, 11),
)
MASK_DEG, TRACKED_DBHZ, USED_DBHZ = 10.0, 27.0, 33.0
_BLOCK_S = 30.0


@dataclass(frozen=True, eq=False)
class Constellation:
    """Satellites of the whole drive. Arrays over satellites, directions over (block, satellite); one is equal to itself alone."""

    system: NDArray[np.int64]
    number: NDArray[np.int64]
    elevation_deg: Array
    azimuth_deg: Array
    block_s: float = _BLOCK_S

    def block(self, times_s: Array) -> NDArray[np.int64]:
        """Return the block of each time."""
        found = (np.asarray(times_s) / self.block_s).astype(np.int64)
        return np.asarray(np.clip(found, 0, len(self.elevation_deg) - 1))


@dataclass(frozen=True)
class Sky:
    """What the rover's antenna sees on each tick; arrays over ticks, or (tick, satellite)."""

    time_s: Array
    constellation: Constellation
    cn0_dbhz: Array
    tracked: Flags
    used: Flags
    count: NDArray[np.int64]
    hdop: Array
    vdop: Array
    obstruction: NDArray[np.int64]


#: Codes of `Sky.obstruction`.
OPEN, UNDER, TREES, HALLS, GANTRY = range(5)


def constellation(start_unix_s: float, duration_s: float) -> Constellation:
    """Return the satellites over the ground from `start_unix_s` [s since 1970] on."""
    middle = start_unix_s + _BLOCK_S * (np.arange(max(1, int(np.ceil(duration_s / _BLOCK_S)))) + 0.5)
    system, number, elevation, azimuth = [], [], [], []
    for code, (_, _, count, planes, radius, inclination, first) in enumerate(SYSTEMS):
        index = np.arange(count)
        plane, slot = index % planes, index // planes
        rate = np.sqrt(_GM_M3PS2 / radius**3)
        phase = 2 * np.pi * (slot * planes / count + plane / count + 0.13 * code)
        node = 2 * np.pi * plane / planes + 0.7 * code
        angle = phase + rate * middle[:, None]
        east_of_node = node - _EARTH_RATE_RADPS * middle[:, None]
        el, az = _look(angle, east_of_node, np.deg2rad(inclination), radius)
        elevation.append(el)
        azimuth.append(az)
        system.append(np.full(count, code))
        number.append(first + index)
    return Constellation(np.concatenate(system), np.concatenate(number), np.hstack(elevation), np.hstack(azimuth))


def _look(angle: Array, node: Array, inclination: float, radius: float) -> tuple[Array, Array]:
    """Return elevation and azimuth [deg] of satellites at `angle` along their orbit."""
    x = radius * (np.cos(angle) * np.cos(node) - np.sin(angle) * np.cos(inclination) * np.sin(node))
    y = radius * (np.cos(angle) * np.sin(node) + np.sin(angle) * np.cos(inclination) * np.cos(node))
    z = radius * np.sin(angle) * np.sin(inclination)
    lat, lon = np.deg2rad(ORIGIN_LATITUDE_DEG), np.deg2rad(ORIGIN_LONGITUDE_DEG)
    ground = 6.3715e6 * np.array([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])
    x, y, z = x - ground[0], y - ground[1], z - ground[2]
    east = -np.sin(lon) * x + np.cos(lon) * y
    north = -np.sin(lat) * (np.cos(lon) * x + np.sin(lon) * y) + np.cos(lat) * z
    up = np.cos(lat) * (np.cos(lon) * x + np.sin(lon) * y) + np.sin(lat) * z
    azimuth = np.mod(np.rad2deg(np.arctan2(east, north)), 360.0)
    return np.rad2deg(np.arctan2(up, np.hypot(east, north))), azimuth


def drive_sky(spec: DriveSpec, plan: Plan, motion: Motion, start_unix_s: float) -> Sky:
    """Return what the antenna sees along the drive."""
    time = np.asarray(np.arange(int(spec.duration_s / TICK_S) + 1) * TICK_S, dtype=np.float64)
    here = motion.at(time)
    stars = constellation(start_unix_s, spec.duration_s)
    draws = Draws(spec.seed, "sky")
    block = stars.block(time)
    elevation, azimuth = stars.elevation_deg[block], stars.azimuth_deg[block]
    obstruction = _obstruction(here, plan)
    cn0 = 34.0 + 16.0 * np.sqrt(np.clip(np.sin(np.deg2rad(elevation)), 0.0, 1.0))
    count = elevation.shape[1]
    slow = np.column_stack([draws.correlated(len(time), TICK_S, 40.0) for _ in range(count)])
    quick = np.column_stack([draws.correlated(len(time), TICK_S, 1.2) for _ in range(count)])
    cn0 += 1.1 * slow + 0.4 * quick - _attenuation(obstruction, here, elevation, azimuth, quick=quick)
    tracked = (elevation > 4.0) & (cn0 > TRACKED_DBHZ)
    ready = _held_for(tracked & (cn0 > USED_DBHZ) & (elevation > MASK_DEG), round(1.2 / TICK_S))
    hdop, vdop = dilution(stars, block, ready)
    return Sky(time, stars, np.where(tracked, cn0, np.nan), tracked, ready, ready.sum(axis=1), hdop, vdop, obstruction)


def _obstruction(here: Motion, plan: Plan) -> NDArray[np.int64]:
    """Return what hides the sky on each tick."""
    code = np.zeros(len(here.time_s), dtype=np.int64)
    for kind, value in (("trees", TREES), ("halls", HALLS), ("underpass", UNDER)):
        if plan.one(kind) is not None:
            start, end = stretch(kind)
            code[(here.lap_m % lap().length_m >= start) & (here.lap_m % lap().length_m < end)] = value
    for event in plan.of("wrong_fix"):
        for moment in gantries(event):
            code[(here.time_s >= moment) & (here.time_s < moment + 1.6)] = GANTRY
    return code


def gantries(event: Event) -> list[float]:
    """Return when a gantry over the road breaks the fix for a wrong integer fix: at entry, and at some of the exits."""
    entry = event.start_s - (2.5 + 4.0 * event.detail["a"])
    return [entry, event.end_s] if event.detail["b"] > 0.66 else [entry]


def _attenuation(code: NDArray[np.int64], here: Motion, elevation: Array, azimuth: Array, *, quick: Array) -> Array:
    """Return the loss [dB] of each satellite on each tick."""
    high = np.sin(np.deg2rad(np.clip(elevation, 0.0, 90.0)))
    loss = np.zeros_like(elevation)
    trees, halls = code == TREES, code == HALLS
    loss[trees] = np.clip(14.0 + 7.0 * quick[trees], 0.0, None) * (1.35 - 0.75 * high[trees])
    road = 90.0 - np.rad2deg(here.heading_rad[halls])
    across = np.abs(np.sin(np.deg2rad(azimuth[halls] - road[:, None])))
    tall = np.where(np.mod(here.lap_m[halls], 100.0) < 78.0, 2.5, 1.3)[:, None]
    mask = np.rad2deg(np.arctan(tall * across))
    loss[halls] = np.where(elevation[halls] < mask, 26.0 + 3.0 * quick[halls], 1.0)
    loss[code == UNDER] = 45.0
    gantry = code == GANTRY
    loss[gantry] = np.clip(15.0 + 4.0 * quick[gantry], 0.0, None) * (1.25 - 0.55 * high[gantry])
    return loss


def _held_for(flags: Flags, ticks: int) -> Flags:
    """Return where `flags` has held on this tick and the `ticks` before it (lock has to come back first)."""
    misses = np.cumsum(~flags, axis=0)
    before = np.vstack([np.zeros((ticks + 1, flags.shape[1]), dtype=misses.dtype), misses])[: len(misses)]
    return np.asarray(flags & (misses == before))


def dilution(stars: Constellation, block: NDArray[np.int64], used: Flags) -> tuple[Array, Array]:
    """Return HDOP and VDOP of each tick; NaN below four satellites."""
    el, az = np.deg2rad(stars.elevation_deg), np.deg2rad(stars.azimuth_deg)
    unit = np.stack([np.cos(el) * np.sin(az), np.cos(el) * np.cos(az), np.sin(el), np.ones_like(el)], axis=-1)
    products = np.einsum("bsi,bsj->bsij", unit, unit).reshape(*el.shape, 16)
    normal = np.zeros((len(block), 16))
    for number in range(len(el)):
        at = block == number
        normal[at] = used[at].astype(np.float64) @ products[number]
    enough = used.sum(axis=1) >= 4
    matrix = normal.reshape(-1, 4, 4) + np.eye(4) * np.where(enough, 1e-6, 1.0)[:, None, None]
    inverse = np.linalg.inv(matrix)
    hdop = np.sqrt(np.abs(inverse[:, 0, 0] + inverse[:, 1, 1]))
    vdop = np.sqrt(np.abs(inverse[:, 2, 2]))
    return np.where(enough, np.minimum(hdop, 50.0), np.nan), np.where(enough, np.minimum(vdop, 50.0), np.nan)
