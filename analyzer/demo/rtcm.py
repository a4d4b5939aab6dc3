"""RTCM 3 frames: reference position, descriptors, multiple-signal messages, GLONASS biases.

Layouts and scales after RTCM 10403.x as published in open message tables (data fields DF002 to DF420); the check is
CRC-24Q, polynomial 0x1864CFB.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_POLYNOMIAL = 0x1864CFB
LIGHT_MPMS = 299_792.458
#: First number of the MSM block of GPS, GLONASS, Galileo, BeiDou; signal identifiers sent of each.
MSM_BASE = (1070, 1080, 1090, 1120)
MSM_SIGNALS = ((2, 16), (2, 8), (2, 15), (2, 14))


def _table() -> tuple[int, ...]:
    """Return the CRC of every byte."""
    out = []
    for byte in range(256):
        value = byte << 16
        for _ in range(8):
            value = (value << 1) ^ (_POLYNOMIAL if value & 0x800000 else 0)
        out.append(value & 0xFFFFFF)
    return tuple(out)


_CRC = _table()


def crc24q(data: bytes) -> int:
    """Return the CRC-24Q of `data`."""
    value = 0
    for byte in data:
        value = ((value << 8) & 0xFFFFFF) ^ _CRC[(value >> 16) ^ byte]
    return value


def frame(payload: bytes) -> bytes:
    """Return the whole frame of a payload of at most 1023 bytes: preamble, length, payload, CRC."""
    head = bytes((0xD3, len(payload) >> 8, len(payload) & 0xFF)) + payload
    return head + crc24q(head).to_bytes(3, "big")


def pack(fields: list[tuple[int, int]]) -> bytes:
    """Return (value, bits) fields one after the other, padded with zero bits; negative is two's complement."""
    value, bits = 0, 0
    for number, width in fields:
        value = (value << width) | (number & ((1 << width) - 1))
        bits += width
    pad = -bits % 8
    return (value << pad).to_bytes((bits + pad) // 8, "big")


def reference_position(
    station: int, ecef_m: Array, *, antenna_height_m: float | None = None, glonass: bool = True, galileo: bool = True
) -> bytes:
    """Return the frame of message 1005, or 1006 where an antenna height is given."""
    x, y, z = (round(float(v) * 1e4) for v in ecef_m)
    fields = [
        (1005 if antenna_height_m is None else 1006, 12), (station, 12), (0, 6), (1, 1), (int(glonass), 1),
        (int(galileo), 1), (0, 1), (x, 38), (0, 1), (0, 1), (y, 38), (0, 2), (z, 38),
    ]
    if antenna_height_m is not None:
        fields.append((round(antenna_height_m * 1e4), 16))
    return frame(pack(fields))


def descriptors(station: int, *, antenna: str, receiver: str, firmware: str) -> bytes:
    """Return the frame of message 1033 with the given plain texts; serial numbers are left empty."""
    fields = [(1033, 12), (station, 12), *_text(antenna), (0, 8), *_text("")]
    for text in (receiver, firmware, ""):
        fields += _text(text)
    return frame(pack(fields))


def _text(text: str) -> list[tuple[int, int]]:
    """Return the length and characters of a text field."""
    octets = text.encode("ascii")
    return [(len(octets), 8), *((octet, 8) for octet in octets)]


def glonass_biases(station: int) -> bytes:
    """Return the frame of message 1230 with aligned phases and four zero biases."""
    return frame(pack([(1230, 12), (station, 12), (1, 1), (0, 3), (15, 4), *[(0, 16)] * 4]))


@dataclass(frozen=True)
class Observed:
    """What one system's message holds; arrays over satellites (sorted by number), or (satellite, signal)."""

    numbers: list[int]
    range_m: Array
    fine_range_m: Array
    fine_phase_m: Array
    rate_mps: Array
    lock_s: Array
    cn0_dbhz: Array


def msm(
    system: int, variant: int, station: int, *, epoch_field: int, more_follows: bool, observed: Observed,
    signals: tuple[int, ...] = (),
) -> bytes:
    """Return the frame of MSM4 or MSM7 of one system.

    Parameters
    ----------
    system : 0 GPS, 1 GLONASS, 2 Galileo, 3 BeiDou.
    variant : 4 or 7.
    epoch_field : the 30 bits of the epoch as the system writes them.
    more_follows : whether further messages of the same epoch follow.
    observed : at least one satellite.
    signals : signal identifiers, default those of `MSM_SIGNALS`.
    """
    names = signals or MSM_SIGNALS[system]
    satellite_mask = sum(1 << (64 - n) for n in observed.numbers)
    signal_mask = sum(1 << (32 - n) for n in names)
    cells = len(observed.numbers) * len(names)
    fields = [
        (MSM_BASE[system] + variant, 12), (station, 12), (epoch_field, 30), (int(more_follows), 1), (0, 3), (0, 7),
        (1, 2), (0, 2), (0, 1), (0, 3), (satellite_mask, 64), (signal_mask, 32), ((1 << cells) - 1, cells),
    ]
    fields += _satellite_fields(variant, observed) + _cell_fields(variant, observed, len(names))
    return frame(pack(fields))


def _satellite_fields(variant: int, observed: Observed) -> list[tuple[int, int]]:
    """Return the satellite part: whole and rough milliseconds, and for MSM7 the rough rate."""
    thousandths = np.floor(observed.range_m / LIGHT_MPMS * 1024.0).astype(np.int64)
    fields = [(int(v) >> 10, 8) for v in thousandths]
    if variant == 7:
        fields += [(0, 4)] * len(thousandths)
    fields += [(int(v) & 1023, 10) for v in thousandths]
    if variant == 7:
        fields += [(round(float(v)), 14) for v in observed.rate_mps]
    return fields


def _cell_fields(variant: int, observed: Observed, signals: int) -> list[tuple[int, int]]:
    """Return the signal part, field by field over all cells."""
    rough = np.floor(observed.range_m / LIGHT_MPMS * 1024.0) / 1024.0
    rest_ms = observed.range_m / LIGHT_MPMS - rough
    code = (rest_ms[:, None] + observed.fine_range_m / LIGHT_MPMS).ravel()
    phase = (rest_ms[:, None] + observed.fine_phase_m / LIGHT_MPMS).ravel()
    code_exp, code_bits, phase_exp, phase_bits = (24, 15, 29, 22) if variant == 4 else (29, 20, 31, 24)
    code_top, phase_top = (1 << (code_bits - 1)) - 1, (1 << (phase_bits - 1)) - 1
    codes = np.clip(np.rint(code * 2.0**code_exp), -code_top, code_top).astype(np.int64).tolist()
    phases = np.clip(np.rint(phase * 2.0**phase_exp), -phase_top, phase_top).astype(np.int64).tolist()
    fields = [(v, code_bits) for v in codes] + [(v, phase_bits) for v in phases]
    lock_ms = np.repeat(observed.lock_s * 1000.0, signals)
    if variant == 4:
        steps = np.clip(np.floor(np.log2(np.maximum(lock_ms, 1.0) / 16.0)), 0, 15).astype(np.int64)
        fields += [(int(v), 4) for v in steps] + [(0, 1)] * len(codes)
        fields += [(round(float(v)), 6) for v in observed.cn0_dbhz.ravel()]
        return fields
    fields += [(_long_lock(float(v)), 10) for v in lock_ms] + [(0, 1)] * len(codes)
    fields += [(round(float(v) * 16.0), 10) for v in observed.cn0_dbhz.ravel()]
    fine = (observed.rate_mps - np.rint(observed.rate_mps)).repeat(signals)
    return fields + [(round(float(v) * 1e4), 15) for v in fine]


def _long_lock(lock_ms: float) -> int:
    """Return the extended lock indicator (DF407): 64 whole milliseconds, then doubling steps of 32 each."""
    if lock_ms < 64.0:
        return int(lock_ms)
    step = min(int(np.floor(np.log2(lock_ms / 32.0))), 21)
    return min(int(32 * step + lock_ms / 2.0**step), 704)
