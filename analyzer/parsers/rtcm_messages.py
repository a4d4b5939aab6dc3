"""RTCM 3 messages as a table: headers of all frames at once, a loop only over the rare ones with text.

Field layouts: RTCM 10403.x, message tables. Not decoded: the observations themselves, orbits, state-space corrections.

Message time. ``epoch_s`` is GPS time of week wherever a message says enough (``epoch_scale`` ``week``): Galileo, QZSS,
SBAS and NavIC count the same week; BeiDou time is 14 s behind GPS; GLONASS counts the day of UTC + 3 h and follows leap
seconds, so GPS minus UTC is needed (18 s since 2017-01-01). Where a GLONASS message has no day of week (1009-1012, or
day 7) ``epoch_s`` is the GPS time of day and ``epoch_scale`` is ``day``.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import tables
from analyzer.parsers.rtcm_bits import payload_matrix, signed, unsigned
from analyzer.parsers.rtcm_frames import OVERHEAD
from analyzer.parsers.rtcm_texts import DATED, TEXTS, sent_at

WEEK_S = 604_800.0
DAY_S = 86_400.0
GPS_MINUS_UTC_S = 18
_GLONASS_MINUS_UTC_S = 10_800.0
_GPS_MINUS_BEIDOU_S = 14.0
#: MSM number without its last digit -> satellite system.
MSM_SYSTEMS = {
    107: "GPS", 108: "GLONASS", 109: "Galileo", 110: "SBAS", 111: "QZSS", 112: "BeiDou", 113: "NavIC",
}
_WITH_STATION = (*range(1001, 1014), 1029, 1032, 1033, 1034, 1035, 1230)
_HEADER_BYTES = 40
_MSM_HEADER_BITS = 169
_Rows = NDArray[np.uint8]


def msm_system(number: int) -> str | None:
    """Return the satellite system of an MSM1 to MSM7 message number, else None."""
    return MSM_SYSTEMS.get(number // 10) if 1 <= number % 10 <= 7 else None


def system_of(number: int) -> str | None:
    """Return the satellite system whose observations a message carries, else None."""
    if 1001 <= number <= 1004:
        return "GPS"
    return "GLONASS" if 1009 <= number <= 1012 else msm_system(number)


def is_known(number: int) -> bool:
    """Return whether a message number is in the range that the standard gives out."""
    return 1001 <= number <= 1305 or 4001 <= number <= 4095


def decode(
    data: bytes | memoryview | NDArray[np.uint8], start: NDArray[np.int64], end: NDArray[np.int64], *,
    source_id: int = 0, place: str = "unknown", offset: int = 0, gps_minus_utc_s: int = GPS_MINUS_UTC_S,
) -> pd.DataFrame:
    """Return the messages of valid frames as a table of schema ``CORRECTIONS``.

    Parameters
    ----------
    data : the buffer in which the frames lie.
    start, end : byte ranges of the frames in `data`, as from ``find_frames``.
    offset : where `data` starts in its stream; added to ``byte_offset``. [byte]
    gps_minus_utc_s : leap seconds for GLONASS times. [s]

    Returns
    -------
    One row per frame with a payload of two bytes or more, index ``time_utc`` not yet known (NaT). Further columns:
    ``system`` (satellite system of an observation message), ``epoch_scale`` (``week``, ``day``), ``crc`` (the frame's
    CRC, for telling equal frames) and ``sent_utc`` (the UTC moment that 1013 and 1029 carry). A field that a message
    does not have, or that its length cuts off, is missing.
    """
    array = data if isinstance(data, np.ndarray) else np.frombuffer(data, dtype=np.uint8)
    full = end - start >= OVERHEAD + 2
    start, end = start[full], end[full]
    payload, length = start + 3, end - start - OVERHEAD
    rows = payload_matrix(array, payload, length, _HEADER_BYTES)
    number = unsigned(rows, 0, 12).astype(np.int32)
    columns = _empty_columns(len(start))
    columns |= {"message_type": number, "byte_offset": start + offset, "size_byte": end - start}
    columns["crc"] = unsigned(payload_matrix(array, end - 3, np.full(len(end), 3), 9), 0, 24).astype(np.int32)
    bits = length * 8
    _station(columns, rows, number, bits)
    _observations(columns, rows, number, bits, gps_minus_utc_s=gps_minus_utc_s)
    _positions(columns, rows, number, bits)
    _rare(columns, array, number, payload, length)
    return _table(columns, source_id, place)


def _empty_columns(count: int) -> dict[str, Any]:
    """Return the columns that only some messages fill, all missing; whole numbers use -1 for missing."""
    whole = {n: np.full(count, -1, dtype=np.int64) for n in ("station_id", "satellites", "signals", "more_follows")}
    real = {n: np.full(count, np.nan) for n in ("epoch_s", "x_m", "y_m", "z_m", "antenna_height_m")}
    words = {n: np.full(count, None, dtype=object) for n in ("text", "system", "epoch_scale", "sent_utc")}
    return {**whole, **real, **words}


def _table(columns: dict[str, Any], source_id: int, place: str) -> pd.DataFrame:
    """Return the columns as a table of the schema."""
    count = len(columns["message_type"])
    whole = ("station_id", "satellites", "signals")
    frame: dict[str, Any] = dict(columns)
    for name in whole:
        frame[name] = pd.array(np.where(columns[name] < 0, 0, columns[name]), dtype="Int32")
        frame[name][columns[name] < 0] = pd.NA
    flag = columns["more_follows"]
    frame["more_follows"] = pd.arrays.BooleanArray(flag == 1, flag < 0)
    frame["place"] = pd.Categorical([place] * count, categories=["base", "rover", "unknown"])
    frame["system"] = pd.Categorical(columns["system"], categories=list(MSM_SYSTEMS.values()))
    frame["epoch_scale"] = pd.Categorical(columns["epoch_scale"], categories=["week", "day"])
    frame["sent_utc"] = pd.DatetimeIndex(columns["sent_utc"].tolist(), dtype=tables.TIME_DTYPE)
    frame["source_id"] = np.full(count, source_id, dtype=np.int16)
    index = pd.DatetimeIndex(np.full(count, np.datetime64("NaT", "us"))).tz_localize("UTC")
    return tables.CORRECTIONS.conform(pd.DataFrame(frame, index=index))


def _station(columns: dict[str, Any], rows: _Rows, number: NDArray[np.int32], bits: NDArray[np.int64]) -> None:
    """Fill the station id of the messages that have one in bits 12 to 23."""
    observing = np.isin(number // 10, list(MSM_SYSTEMS)) & (number % 10 >= 1) & (number % 10 <= 7)
    has = (np.isin(number, _WITH_STATION) | observing) & (bits >= 24)
    columns["station_id"][has] = unsigned(rows[has], 12, 12)


def _observations(
    columns: dict[str, Any], rows: _Rows, number: NDArray[np.int32], bits: NDArray[np.int64], *, gps_minus_utc_s: int,
) -> None:
    """Fill time, satellites, signals and the multiple-message bit of legacy and MSM observations."""
    for system, lowest in (("GPS", 1001), ("GLONASS", 1009)):
        width = 30 if system == "GPS" else 27
        has = (number >= lowest) & (number <= lowest + 3) & (bits >= 34 + width)
        part = rows[has]
        satellites = unsigned(part, 25 + width, 5).astype(np.int64)
        columns["satellites"][has] = satellites
        # Messages of both carriers hold two signals per satellite, whether or not the second is tracked.
        columns["signals"][has] = satellites * np.where(number[has] >= lowest + 2, 2, 1)
        columns["more_follows"][has] = unsigned(part, 24 + width, 1)
        _set_time(columns, has, unsigned(part, 24, width), system, gps_minus_utc_s=gps_minus_utc_s)
    for family, system in MSM_SYSTEMS.items():
        has = (number // 10 == family) & (number % 10 >= 1) & (number % 10 <= 7) & (bits >= _MSM_HEADER_BITS)
        part = rows[has]
        columns["satellites"][has], columns["signals"][has] = _cells(part, bits[has])
        columns["more_follows"][has] = unsigned(part, 54, 1)
        _set_time(columns, has, unsigned(part, 24, 30), system, gps_minus_utc_s=gps_minus_utc_s, day_bits=True)


def _cells(rows: _Rows, bits: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return satellites and signal cells from the three masks of MSM headers; -1 cells where the mask is too long."""
    satellites = np.bitwise_count(unsigned(rows, 73, 64)).astype(np.int64)
    kinds = np.bitwise_count(unsigned(rows, 137, 32)).astype(np.int64)
    width = satellites * kinds
    mask = unsigned(rows, _MSM_HEADER_BITS, 64)
    unused = np.clip(64 - width, 0, 63).astype(np.uint64)
    cells = np.where(width > 0, np.bitwise_count(mask >> unused), 0).astype(np.int64)
    return satellites, np.where((width <= 64) & (bits >= _MSM_HEADER_BITS + width), cells, -1)


def _set_time(
    columns: dict[str, Any], has: NDArray[np.bool_], raw: NDArray[np.uint64], system: str, *, gps_minus_utc_s: int,
    day_bits: bool = False,
) -> None:
    """Fill time and time scale of one system's messages from the `raw` field of its header."""
    if system != "GLONASS":
        moment = raw.astype(np.float64) / 1000.0
        shift = _GPS_MINUS_BEIDOU_S if system == "BeiDou" else 0.0
        value, week = np.where(moment < WEEK_S, (moment + shift) % WEEK_S, np.nan), np.ones(len(raw), dtype=bool)
    else:
        day = (raw >> np.uint64(27)).astype(np.int64) if day_bits else np.full(len(raw), 7)
        moment = (raw & np.uint64((1 << 27) - 1)).astype(np.float64) / 1000.0
        week = day < 7
        moment = np.where(moment < DAY_S + 1.0, moment + gps_minus_utc_s - _GLONASS_MINUS_UTC_S, np.nan)
        value = np.where(week, (moment + day * DAY_S) % WEEK_S, moment % DAY_S)
    columns["epoch_s"][has] = np.round(value, 3)
    scale = np.where(week, "week", "day").astype(object)
    scale[np.isnan(value)] = None
    columns["epoch_scale"][has] = scale
    columns["system"][has] = system


def _positions(columns: dict[str, Any], rows: _Rows, number: NDArray[np.int32], bits: NDArray[np.int64]) -> None:
    """Fill the position of 1005, 1006 and (of the physical station behind a virtual one) 1032; unit 0.1 mm."""
    layouts: Mapping[int, tuple[int, int, int, int]] = {
        1005: (34, 74, 114, 152), 1006: (34, 74, 114, 168), 1032: (42, 80, 118, 156),
    }
    for kind, (x, y, z, least) in layouts.items():
        has = (number == kind) & (bits >= least)
        part = rows[has]
        for name, offset in (("x_m", x), ("y_m", y), ("z_m", z)):
            columns[name][has] = signed(part, offset, 38) * 1e-4
        if kind == 1006:
            columns["antenna_height_m"][has] = unsigned(part, 152, 16).astype(np.float64) * 1e-4


def _rare(
    columns: dict[str, Any], data: NDArray[np.uint8], number: NDArray[np.int32], payload: NDArray[np.int64],
    length: NDArray[np.int64],
) -> None:
    """Fill text, UTC moment and bias count of the messages that are read one at a time."""
    for row in np.flatnonzero(np.isin(number, [*TEXTS, *DATED])).tolist():
        kind, first = int(number[row]), int(payload[row])
        body = data[first:first + int(length[row])].tobytes()
        if kind in TEXTS and len(body) >= 3:
            columns["text"][row] = TEXTS[kind](body)
        if kind in DATED:
            columns["sent_utc"][row] = sent_at(body)
        if kind == 1230 and len(body) >= 4:
            columns["signals"][row] = (body[3] & 0xF).bit_count()
