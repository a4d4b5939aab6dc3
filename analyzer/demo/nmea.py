"""The drive as NMEA 0183 text: GGA, GST, RMC, HDT, ZDA per epoch, GSA and GSV once a second."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analyzer.demo.draws import Draws
from analyzer.demo.drive import Drive
from analyzer.demo.nmea_sky import sky_bodies
from analyzer.demo.scenario import GEOID_SEPARATION_M, convergence_deg, to_geodetic
from analyzer.demo.states import AUTONOMOUS, DIFFERENTIAL, NO_FIX

Array = NDArray[np.float64]
KNOT_MPS = 1852.0 / 3600.0
#: GGA quality and mode letter of each state code.
QUALITY = (0, 6, 1, 2, 5, 4)
MODE = "NEADFR"
_HEX = tuple(f"*{n:02X}\r\n" for n in range(256))
_CHUNK = 20_000


def with_checksum(bodies: list[str]) -> list[str]:
    """Return whole sentences for `bodies` (what stands between ``$`` and ``*``); the checksum is their XOR."""
    if not bodies:
        return []
    octets = np.frombuffer("".join(bodies).encode("ascii"), dtype=np.uint8)
    starts = np.r_[0, np.cumsum([len(b) for b in bodies])[:-1]]
    sums = np.bitwise_xor.reduceat(octets, starts).tolist()
    return [f"${body}{_HEX[value]}" for body, value in zip(bodies, sums, strict=True)]


def minutes_text(degrees: Array, *, width: int, positive: str, negative: str) -> list[str]:
    """Return ``dddmm.mmmmmmm,H`` for each angle [deg]; `width` is the number of digits of the degrees."""
    units = np.rint(np.abs(degrees) * 6e8).astype(np.int64)
    whole, rest = np.divmod(units, 600_000_000)
    minute, part = np.divmod(rest, 10_000_000)
    letter = np.where(degrees < 0, negative, positive)
    form = f"%0{width}d%02d.%07d,%s"
    rows = zip(whole.tolist(), minute.tolist(), part.tolist(), letter.tolist(), strict=True)
    return [form % row for row in rows]


def clock_text(drive: Drive, index: NDArray[np.int64]) -> tuple[list[str], list[str]]:
    """Return ``hhmmss.ss`` and ``ddmmyy`` of the epochs."""
    hundredths = np.rint(drive.time_s[index] * 100).astype(np.int64) + round(drive.start.timestamp()) * 100
    day, within = np.divmod(hundredths, 8_640_000)
    second, part = np.divmod(within, 100)
    clock = ["%02d%02d%02d.%02d" % row for row in zip(  # noqa: UP031
        (second // 3600).tolist(), (second // 60 % 60).tolist(), (second % 60).tolist(), part.tolist(), strict=True
    )]
    names = {d: np.datetime64(int(d), "D").item().strftime("%d%m%y") for d in np.unique(day)}
    return clock, [names[d] for d in day.tolist()]


@dataclass(frozen=True)
class _Columns:
    """Text columns of a chunk of epochs."""

    clock: list[str]
    date: list[str]
    place: list[str]
    state: list[int]
    rows: NDArray[np.int64]


def _columns(drive: Drive, index: NDArray[np.int64]) -> _Columns:
    """Return the columns that several sentences share."""
    latitude, longitude, _ = to_geodetic(drive.logged_enu_m[index])
    lat = minutes_text(latitude, width=2, positive="N", negative="S")
    lon = minutes_text(longitude, width=3, positive="E", negative="W")
    clock, date = clock_text(drive, index)
    place = [f"{a},{b}" for a, b in zip(lat, lon, strict=True)]
    return _Columns(clock, date, place, drive.state[index].tolist(), index)


def _gga(drive: Drive, columns: _Columns) -> list[str]:
    """Return GGA bodies."""
    rows = columns.rows
    height = to_geodetic(drive.logged_enu_m[rows])[2] - GEOID_SEPARATION_M
    count = drive.sky.count[drive.tick[rows]]
    cap = drive.spec.satellites_cap
    used = (np.minimum(count, cap) if cap else count).tolist()
    hdop = np.minimum(np.nan_to_num(drive.sky.hdop[drive.tick[rows]], nan=99.99), 99.99).tolist()
    age, station = drive.age_s[rows].tolist(), drive.station[rows].tolist()
    out = []
    for k, state in enumerate(columns.state):
        if state == NO_FIX:
            out.append(f"GNGGA,{columns.clock[k]},,,,,0,00,99.99,,M,,M,,")
            continue
        tail = f"{age[k]:.1f},{station[k]:04d}" if state >= DIFFERENTIAL else ","
        out.append(
            f"GNGGA,{columns.clock[k]},{columns.place[k]},{QUALITY[state]},{used[k]:02d},{hdop[k]:.2f},"
            f"{height[k]:.4f},M,{GEOID_SEPARATION_M:.3f},M,{tail}"
        )
    return out


def _rmc(drive: Drive, columns: _Columns) -> list[str]:
    """Return RMC bodies; the course is left out where the car is too slow to have one."""
    velocity = drive.velocity_mps[columns.rows]
    speed = np.hypot(velocity[:, 0], velocity[:, 1])
    north = convergence_deg(drive.logged_enu_m[columns.rows])
    course = np.mod(np.rad2deg(np.arctan2(velocity[:, 0], velocity[:, 1])) + north, 360.0)
    course = np.where(np.round(course, 3) >= 360.0, 0.0, course)
    knots, slow = (speed / KNOT_MPS).tolist(), (speed < 0.15).tolist()
    out = []
    for k, state in enumerate(columns.state):
        mode = MODE[state]
        if state == NO_FIX:
            out.append(f"GNRMC,{columns.clock[k]},V,,,,,,,{columns.date[k]},,,N,V")
            continue
        way = "" if slow[k] else f"{course[k]:.3f}"
        status = "A" if state >= AUTONOMOUS else "V"
        out.append(
            f"GNRMC,{columns.clock[k]},{status},{columns.place[k]},{knots[k]:.4f},{way},{columns.date[k]},,,{mode},V"
        )
    return out


def _gst(drive: Drive, columns: _Columns) -> list[str]:
    """Return GST bodies. East and north are claimed uncorrelated, so the ellipse lies along the axes."""
    sigma = drive.claimed_m[columns.rows]
    out = []
    for k, state in enumerate(columns.state):
        if state == NO_FIX:
            out.append(f"GNGST,{columns.clock[k]},,,,,,,")
            continue
        east, north, up = (float(x) for x in sigma[k])
        major, minor, angle = (north, east, 0.0) if north >= east else (east, north, 90.0)
        rms = min(max(0.6 * major, 0.002), 99.0)
        out.append(
            f"GNGST,{columns.clock[k]},{rms:.3f},{major:.3f},{minor:.3f},{angle:.1f},{north:.3f},{east:.3f},{up:.3f}"
        )
    return out


def _hdt(drive: Drive, columns: _Columns) -> list[str]:
    """Return HDT bodies of a fused solution; THS where its alignment is at stake, with E while it is not aligned."""
    event = drive.plan.one("not_aligned")
    north = convergence_deg(drive.logged_enu_m[columns.rows])
    heading = np.mod(np.round(90.0 - np.rad2deg(drive.heading_rad[columns.rows]) + north, 3), 360.0).tolist()
    if event is not None:
        early = (drive.time_s[columns.rows] < event.end_s).tolist()
        return [f"GNTHS,{h:.3f},{'E' if e else 'A'}" if s != NO_FIX else "GNTHS,,V"
                for h, e, s in zip(heading, early, columns.state, strict=True)]
    return [
        f"GNHDT,{h:.3f},T" if s != NO_FIX else "GNHDT,,T" for h, s in zip(heading, columns.state, strict=True)
    ]


def _zda(columns: _Columns, at: list[int]) -> list[str]:
    """Return ZDA bodies for rows `at`."""
    out = []
    for k in at:
        day = columns.date[k]
        out.append(f"GNZDA,{columns.clock[k]},{day[:2]},{day[2:4]},20{day[4:]},00,00")
    return out


def _epoch_texts(drive: Drive, index: NDArray[np.int64]) -> list[list[str]]:
    """Return the sentences of each epoch of a chunk."""
    columns = _columns(drive, index)
    kinds = [_gga(drive, columns)]
    if drive.spec.gst:
        kinds.append(_gst(drive, columns))
    if drive.spec.rmc:
        kinds.append(_rmc(drive, columns))
    if drive.spec.solution_kind == "fused":
        kinds.append(_hdt(drive, columns))
    texts = [list(row) for row in zip(*(with_checksum(kind) for kind in kinds), strict=True)]
    whole = np.flatnonzero(np.abs(drive.time_s[index] - np.rint(drive.time_s[index])) < 1e-6).tolist()
    if not drive.spec.rmc:
        for k, line in zip(whole, with_checksum(_zda(columns, whole)), strict=True):
            texts[k].append(line)
    if drive.spec.sky_sentences:
        bodies = sky_bodies(drive, index[whole])
        lines = iter(with_checksum([body for some in bodies for body in some]))
        for k, some in zip(whole, bodies, strict=True):
            texts[k].extend(islice(lines, len(some)))
    return texts


def _notes(drive: Drive) -> dict[int, str]:
    """Return free-text lines that a logger leaves when it is stopped and started, by the epoch they stand before."""
    out: dict[int, str] = {}
    for event in drive.plan.of("logger_gap"):
        if event.detail["a"] < 0.5:
            after = int(np.searchsorted(drive.time_s, event.end_s))
            out[after] = "# logging stopped\r\n# logging started\r\n"
    return out


def _damaged(drive: Drive) -> tuple[NDArray[np.float64], Draws]:
    """Return, per epoch, the probability that a sentence is damaged on the wire, and the stream of the damage."""
    share = np.zeros(len(drive.time_s))
    for event in drive.plan.of("damaged_bytes"):
        share[event.holds(drive.time_s)] = event.size
        core = max(2.2, 0.5 * (event.end_s - event.start_s))
        start = event.start_s + 0.3 * (event.end_s - event.start_s)
        share[(drive.time_s >= start) & (drive.time_s < start + core)] = 1.0
    return share, Draws(drive.spec.seed, "damage")


def _hit(line: str, draws: Draws) -> bytes:
    """Return the sentence with one byte changed: its checksum no longer holds."""
    octets = bytearray(line.encode("ascii"))
    at = draws.whole(1, len(octets) - 6)
    forbidden = {10, 13, 36, 42, 33}
    value = octets[at]
    while value == octets[at] or value in forbidden:
        value = draws.whole(1, 255)
    octets[at] = value
    return bytes(octets)


def stream(drive: Drive) -> Iterator[tuple[NDArray[np.int64], list[bytes], NDArray[np.bool_]]]:
    """Yield chunks: epoch rows, bytes of each epoch, and whether a position sentence of it survived."""
    rows = np.flatnonzero(drive.recorded)
    share, draws = _damaged(drive)
    notes = _notes(drive)
    positions = ("GGA", "RMC")
    for first in range(0, len(rows), _CHUNK):
        index = rows[first : first + _CHUNK]
        texts = _epoch_texts(drive, index)
        intact = np.ones(len(index), dtype=bool)
        out: list[bytes] = []
        for k, lines in enumerate(texts):
            row = int(index[k])
            head = notes.get(row, "").encode()
            if share[row] == 0.0:
                out.append(head + "".join(lines).encode("ascii"))
                continue
            struck = [draws.chance(float(share[row])) for _ in lines]
            intact[k] = any(not s and x[3:6] in positions for s, x in zip(struck, lines, strict=True))
            out.append(head + b"".join(_hit(x, draws) if s else x.encode() for s, x in zip(struck, lines, strict=True)))
        yield index, out, intact


def write_nmea(drive: Drive, path: Path) -> NDArray[np.bool_]:
    """Write the log and return, per epoch of the drive, whether it is logged with a position sentence intact."""
    logged = np.zeros(len(drive.time_s), dtype=bool)
    with path.open("wb") as file:
        for index, texts, intact in stream(drive):
            file.write(b"".join(texts))
            logged[index] = intact
    return logged
