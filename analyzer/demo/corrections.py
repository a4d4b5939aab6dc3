"""The correction streams of a drive: what the base sent, and what reached the rover."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analyzer.demo.draws import Draws
from analyzer.demo.drive import Drive
from analyzer.demo.link import captured, outage_end
from analyzer.demo.rtcm import MSM_SIGNALS, Observed, descriptors, glonass_biases, msm, reference_position
from analyzer.demo.scenario import BASE_STATION_ID, OTHER_STATION_ID, to_ecef
from analyzer.demo.sheets import BASE_ANTENNA_HEIGHT_M, entered_base
from analyzer.demo.sky import MASK_DEG, SYSTEMS, Constellation, constellation

Array = NDArray[np.float64]

#: Largest satellite number of a system's mask, and what is taken off the NMEA number to reach it.
_NUMBER_SHIFT = (0, 64, 0, 0)
_GPS_EPOCH_UNIX_S, _LEAP_S, _BEIDOU_LEAP_S = 315_964_800, 18, 4
POSITION_EVERY_S, TEXT_EVERY_S = 5, 10


@dataclass(frozen=True)
class Station:
    """A base as the stream shows it. `signals` per system, all systems by default."""

    number: int
    ecef_m: Array
    variant: int = 4
    systems: tuple[int, ...] = (0, 1, 2, 3)
    signals: int = 2
    with_position: bool = True
    antenna: str = "CHOKE RING, NO COVER"
    receiver: str = "FOUR-SYSTEM BASE"


def write_corrections(drive: Drive, folder: Path) -> None:
    """Write corrections_base.rtcm3 (all that the base sent) and corrections_rover.rtcm3 (what came through)."""
    stars = constellation(drive.start.timestamp() - 30.0, drive.spec.duration_s + 60.0)
    draws = Draws(drive.spec.seed, "corrections")
    link = drive.link
    base_parts: list[bytes] = []
    rover_parts: list[bytes] = []
    for k, epoch in enumerate(link.epoch_s.tolist()):
        if link.sent[k]:
            moment = drive.start.timestamp() + epoch
            frames = epoch_frames(_own_station(drive, epoch), stars, moment, since_start_s=epoch + 30.0, draws=draws)
            base_parts += frames
        rover_parts += _received(drive, k, frames if link.sent[k] else [], stars=stars, draws=draws)
    (folder / "corrections_base.rtcm3").write_bytes(b"".join(base_parts))
    (folder / "corrections_rover.rtcm3").write_bytes(b"".join(rover_parts))


def _own_station(drive: Drive, epoch_s: float) -> Station:
    """Return the drive's base as it is at a moment: a re-survey changes its coordinates."""
    place = entered_base(drive)
    for event in drive.plan.of("base_resurveyed"):
        if epoch_s >= outage_end(event.kind, event.start_s, event.end_s, event.detail["a"]) - 1.0:
            place = place + np.array(event.vector_m)
    variant = 7 if drive.spec.seed % 2 else 4
    never = drive.plan.one("never_fixed")
    ecef = to_ecef(place)[0]
    if never is None or epoch_s >= never.end_s:
        return Station(BASE_STATION_ID, ecef, variant)
    if never.detail["a"] < 0.5:
        return Station(BASE_STATION_ID, ecef, variant, systems=(0,), signals=1)
    return Station(BASE_STATION_ID, ecef, variant, with_position=False)


def _received(drive: Drive, k: int, frames: list[bytes], *, stars: Constellation, draws: Draws) -> list[bytes]:
    """Return what reaches the rover of one epoch of the base, another base's frames and collisions included."""
    epoch, arrival = float(drive.link.epoch_s[k]), float(drive.link.arrival_s[k])
    if arrival < 0.0:
        return []
    event = next((e for e in drive.plan.of("second_base") if e.start_s <= arrival < e.end_s), None)
    own = list(frames) if drive.link.received[k] else []
    if event is None:
        return own
    place = drive.base_enu_m + np.array([740.0, -410.0, 1.3]) + np.array(event.vector_m)
    other = Station(OTHER_STATION_ID, to_ecef(place)[0], 4, antenna="PLATE, COVER", receiver="THREE-SYSTEM BASE",
                    systems=(0, 1, 2))
    foreign = epoch_frames(other, stars, drive.start.timestamp() + epoch, since_start_s=epoch + 30.0, draws=draws)
    if captured(event.detail["a"]):
        own = [_collided(f, draws) if draws.chance(0.8) else f for f in own]
    else:
        foreign = [_collided(f, draws) if draws.chance(0.25) else f for f in foreign]
        own = [_collided(f, draws) if draws.chance(0.25) else f for f in own]
    mixed: list[bytes] = []
    for number in range(max(len(own), len(foreign))):
        mixed += own[number : number + 1] + foreign[number : number + 1]
    return mixed


def _collided(octets: bytes, draws: Draws) -> bytes:
    """Return a frame that a collision on the channel damaged: two bytes changed behind its header."""
    out = bytearray(octets)
    for _ in range(2):
        at = draws.whole(3, len(out) - 1)
        out[at] ^= draws.whole(1, 255)
    return bytes(out)


def epoch_frames(
    station: Station, stars: Constellation, unix_s: float, *, since_start_s: float, draws: Draws
) -> list[bytes]:
    """Return the frames of one epoch: now and then position, texts and biases, then one MSM per system.

    Parameters
    ----------
    unix_s : UTC of the epoch [s since 1970].
    since_start_s : time in the block count of `stars` [s].
    """
    whole = round(unix_s)
    frames: list[bytes] = []
    if whole % POSITION_EVERY_S == 0 and station.with_position:
        frames.append(reference_position(station.number, station.ecef_m, antenna_height_m=BASE_ANTENNA_HEIGHT_M))
    if whole % TEXT_EVERY_S == 2:
        frames.append(descriptors(station.number, antenna=station.antenna, receiver=station.receiver, firmware="1.0"))
    if whole % TEXT_EVERY_S == 7 and 1 in station.systems:
        frames.append(glonass_biases(station.number))
    signals = station.signals
    seen = {code: _observed(stars, code, since_start_s, signals=signals, draws=draws) for code in station.systems}
    last = max((code for code, one in seen.items() if one.numbers), default=None)
    for code, one in seen.items():
        if one.numbers:
            frames.append(msm(
                code, station.variant, station.number, epoch_field=_epoch_field(code, unix_s),
                more_follows=code != last, observed=one, signals=MSM_SIGNALS[code][: station.signals],
            ))
    return frames


def _epoch_field(system: int, unix_s: float) -> int:
    """Return the 30 bits of the epoch: week milliseconds, or for GLONASS day and milliseconds of it (UTC + 3 h)."""
    if system == 1:
        local = unix_s + 10_800.0
        day = (int(local // 86_400) + 4) % 7
        return (day << 27) | round((local % 86_400) * 1000.0)
    ahead = _BEIDOU_LEAP_S if system == 3 else _LEAP_S
    return round(((unix_s + ahead - _GPS_EPOCH_UNIX_S) % 604_800) * 1000.0)


@lru_cache(maxsize=8)
def _above(stars: Constellation, code: int, low: int) -> tuple[NDArray[np.int64], Array, Array, Array]:
    """Return of one system in block `low`: the satellites above the mask, their distances [m], rates [m/s] and C/N0 [dB-Hz]."""
    mine = np.flatnonzero((stars.system == code) & (stars.elevation_deg[low] > MASK_DEG))
    radius = SYSTEMS[code][4]
    now = _slant_m(stars.elevation_deg[low][mine], radius)
    then = _slant_m(stars.elevation_deg[min(low + 1, len(stars.elevation_deg) - 1)][mine], radius)
    level = 36.0 + 14.0 * np.sqrt(np.sin(np.deg2rad(stars.elevation_deg[low][mine])))
    return mine, now, (then - now) / stars.block_s, level


def _observed(stars: Constellation, code: int, since_s: float, *, signals: int, draws: Draws) -> Observed:
    """Return what the base observes of one system: open sky above the mask."""
    at = float(np.clip(since_s / stars.block_s - 0.5, 0.0, len(stars.elevation_deg) - 1.0))
    low = int(min(at, len(stars.elevation_deg) - 2)) if len(stars.elevation_deg) > 1 else 0
    mine, now, rate, level = _above(stars, code, low)
    count = len(mine)
    spread = draws.normal(count * signals * 2).reshape(2, count, signals)
    return Observed(
        numbers=[int(n) - _NUMBER_SHIFT[code] for n in stars.number[mine]],
        range_m=now + rate * (at - low) * stars.block_s, fine_range_m=0.3 * spread[0] + 4.0 * np.arange(signals),
        fine_phase_m=0.003 * spread[1] - 2.0 * np.arange(signals),
        rate_mps=rate, lock_s=np.full(count, since_s + 600.0),
        cn0_dbhz=np.clip(level[:, None] - 3.0 * np.arange(signals), 20.0, 55.0),
    )


def _slant_m(elevation_deg: Array, radius_m: float) -> Array:
    """Return the distance [m] of a satellite on a circular orbit at an elevation."""
    ground, sine = 6.3715e6, np.sin(np.deg2rad(elevation_deg))
    return np.asarray(-ground * sine + np.sqrt((ground * sine) ** 2 + radius_m**2 - ground**2))
