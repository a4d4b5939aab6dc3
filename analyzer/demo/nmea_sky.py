"""What a receiver says of the sky once a second as NMEA 0183 text: GSA of the satellites used, GSV of those in view."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyzer.demo.drive import Drive
from analyzer.demo.sky import SYSTEMS, Constellation
from analyzer.demo.states import NO_FIX

#: C/N0 as text [dB-Hz], from 0 on; not tracked is the last.
_LEVELS = (*(f"{level:02d}" for level in range(100)), "")


@dataclass(frozen=True)
class _View:
    """One GSV sentence of a block: what stands before its satellites, then number and direction of each with its place among all."""

    head: str
    stars: list[tuple[int, str]]


def sky_bodies(drive: Drive, rows: NDArray[np.int64]) -> list[list[str]]:
    """Return GSA and GSV bodies of the moments `rows`, every system, as many sentences as it takes."""
    sky, tick = drive.sky, drive.tick[rows]
    stars = sky.constellation
    block = stars.block(sky.time_s[tick])
    views = {int(b): _views(stars, int(b)) for b in np.unique(block)}
    names = [[(int(s), f"{stars.number[s]:02d}") for s in np.flatnonzero(stars.system == code)] for code in range(len(SYSTEMS))]
    level = np.rint(np.nan_to_num(sky.cn0_dbhz[tick], nan=len(_LEVELS) - 1)).astype(np.int64).tolist()
    fixed = (drive.state[rows] != NO_FIX).tolist()
    moments = zip(fixed, sky.used[tick].tolist(), _dilutions(sky.hdop[tick], sky.vdop[tick], fixed), block.tolist(), level, strict=True)
    return [_used(names, used, fix, dops) + _seen(views[at], levels) for fix, used, dops, at, levels in moments]


def _dilutions(hdop: NDArray[np.float64], vdop: NDArray[np.float64], fixed: list[bool]) -> list[str]:
    """Return PDOP, HDOP and VDOP of each moment as text."""
    pdop = np.minimum(np.hypot(hdop, vdop), 99.99)
    rows = zip(pdop.tolist(), hdop.tolist(), vdop.tolist(), fixed, strict=True)
    return [f"{p:.2f},{h:.2f},{v:.2f}" if fix and h == h else "99.99,99.99,99.99" for p, h, v, fix in rows]


def _used(names: list[list[tuple[int, str]]], used: list[bool], fixed: bool, dops: str) -> list[str]:
    """Return the GSA bodies of one moment; `names` are the satellites of each system, `used` says of each whether it is used."""
    out = []
    for code, own in enumerate(names):
        ids = [name for star, name in own if used[star]] if fixed else []
        for part in range(0, max(len(ids), 1), 12):
            some = ids[part : part + 12]
            out.append(f"GNGSA,A,{3 if fixed else 1}," + ",".join(some + [""] * (12 - len(some))) + f",{dops},{code + 1}")
    return out


def _views(stars: Constellation, block: int) -> list[_View]:
    """Return the GSV sentences of one block of the constellation, without C/N0."""
    elevation, azimuth = np.rint(stars.elevation_deg[block]).astype(int), np.rint(stars.azimuth_deg[block]).astype(int) % 360
    out = []
    for code, (_, talker, *_rest) in enumerate(SYSTEMS):
        seen = np.flatnonzero((stars.system == code) & (stars.elevation_deg[block] > 4.0)).tolist()
        total = max(1, -(-len(seen) // 4))
        for number in range(total):
            own = [(s, f"{stars.number[s]:02d},{elevation[s]:02d},{azimuth[s]:03d},") for s in seen[4 * number : 4 * number + 4]]
            out.append(_View(f"{talker}GSV,{total},{number + 1},{len(seen):02d},", own))
    return out


def _seen(views: list[_View], level: list[int]) -> list[str]:
    """Return the GSV bodies of one moment; C/N0 is empty where a satellite is not tracked."""
    return [view.head + "".join([f"{look}{_LEVELS[level[star]]}," for star, look in view.stars]) + "1" for view in views]
