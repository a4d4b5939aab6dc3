"""Satellites of each epoch from GSV and GSA: the tidy table, and the counts and dilutions that belong to the epoch."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import tables
from analyzer.parsers.nmea_fields import categorical
from analyzer.parsers.nmea_groups import first_of_runs
from analyzer.parsers.sentences import TALKERS, Sentences
from analyzer.timebase import utc_index

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

#: Codes 1 to 6 are the system ids of NMEA 0183 version 4.1x.
SYSTEMS = ("unknown", "GPS", "GLONASS", "Galileo", "BeiDou", "QZSS", "NavIC", "SBAS")
_SBAS = 7
#: Dilutions from here on mean that there is none (common practice: 99.9, 99.99).
_NO_DILUTION = 99.0
_MIXED = len(SYSTEMS)
_TALKER_SYSTEM = {"GP": 1, "GL": 2, "GA": 3, "GB": 4, "BD": 4, "GQ": 5, "QZ": 5, "GI": 6}
_SYSTEM_OF_TALKER = np.array([_TALKER_SYSTEM.get(talker, 0) for talker in TALKERS], dtype=np.int8)
#: Satellite numbers of NMEA 0183 where neither talker nor system id says more: first, last, system.
_NUMBER_RANGES = ((1, 32, 1), (33, 64, _SBAS), (65, 99, 2), (120, 158, _SBAS), (193, 202, 5))
_SYSTEM_OF_NUMBER = np.zeros(1000, dtype=np.int8)
for _first, _last, _system in _NUMBER_RANGES:
    _SYSTEM_OF_NUMBER[_first: _last + 1] = _system


@dataclass
class Seen:
    """What GSV gives: per listed satellite the epoch and its facts (`table`), per epoch the counts."""

    epoch: Ints
    system: NDArray[np.int8]
    satellite_id: Ints
    signal: NDArray[np.uint8]
    elevation_deg: NDArray[np.float32]
    azimuth_deg: NDArray[np.float32]
    cn0_dbhz: NDArray[np.float32]
    satellites_in_view: NDArray[np.float32]
    cn0_median_dbhz: NDArray[np.float32]


@dataclass
class Used:
    """What GSA gives: the satellites listed as used, per epoch their count and the dilutions."""

    epoch: Ints
    system: NDArray[np.int8]
    satellite_id: Ints
    count: NDArray[np.float32]
    pdop: NDArray[np.float32]
    hdop: NDArray[np.float32]
    vdop: NDArray[np.float32]


def read_seen(gsv: Sentences, epoch: Ints, epochs: int) -> Seen:
    """Explode GSV sentences that belong to `epoch` (-1: none) of `epochs`."""
    keep = np.flatnonzero(epoch >= 0)
    satellites = np.asarray(gsv.columns["satellites"])[keep]
    listed = np.isfinite(satellites[:, :, 0])
    row, slot = np.nonzero(listed)
    number = satellites[row, slot, 0].astype(np.int64)
    talker_system = _SYSTEM_OF_TALKER[gsv.talker[keep]]
    values = satellites[row, slot, 1:4].astype(np.float32)
    values[values[:, 2] <= 0, 2] = np.nan  # receivers write 00 for a satellite that is not tracked
    own_epoch = epoch[keep][row]
    return Seen(
        epoch=own_epoch, system=_systems(talker_system[row], number), satellite_id=number,
        signal=_codes(gsv, "signal_id")[keep][row], elevation_deg=values[:, 0], azimuth_deg=values[:, 1],
        cn0_dbhz=values[:, 2], satellites_in_view=_in_view(gsv, keep, epoch[keep], epochs),
        cn0_median_dbhz=_median_by_epoch(own_epoch, values[:, 2], epochs),
    )


def read_used(gsa: Sentences, epoch: Ints, epochs: int) -> Used:
    """Read the used satellites and the dilutions of GSA sentences that belong to `epoch` (-1: none)."""
    keep = np.flatnonzero(epoch >= 0)
    ids = np.asarray(gsa.columns["satellite_ids"])[keep]
    row, slot = np.nonzero(np.nan_to_num(ids, nan=0.0) > 0)
    number = ids[row, slot].astype(np.int64)
    system_id = np.nan_to_num(np.asarray(gsa.columns["system_id"], dtype=np.float64)[keep], nan=0.0)
    system_id = np.where((system_id >= 1) & (system_id <= 6), system_id, 0).astype(np.int8)
    said = np.where(system_id > 0, system_id, _SYSTEM_OF_TALKER[gsa.talker[keep]])
    count = np.full(epochs, np.nan, dtype=np.float32)
    at = epoch[keep]
    count[at] = 0
    np.add.at(count, at[row], np.float32(1))
    dilution = [_first_by_epoch(at, np.asarray(gsa.columns[name])[keep], epochs) for name in ("pdop", "hdop", "vdop")]
    return Used(at[row], _systems(said[row], number), number, count, *dilution)


def satellites_table(seen: Seen, used: Used | None, instant_us: Ints, source_id: int) -> pd.DataFrame:
    """Return the table `SATELLITES`, one row per listed satellite and signal, in the order of epochs."""
    key = (seen.epoch * len(SYSTEMS) + seen.system) * 1024 + seen.satellite_id
    wanted = np.empty(0, dtype=np.int64) if used is None else (
        (used.epoch * len(SYSTEMS) + used.system) * 1024 + used.satellite_id
    )
    order = np.argsort(seen.epoch, kind="stable")
    signals, names = pd.factorize(seen.signal[order], sort=True)
    frame = pd.DataFrame(
        {
            "source_id": np.full(len(order), source_id, dtype=np.int16),
            "system": categorical(seen.system[order], SYSTEMS),
            "signal_id": categorical(signals, [chr(n) if n else "" for n in names]),
            "satellite_id": seen.satellite_id[order].astype(np.int16),
            "elevation_deg": seen.elevation_deg[order],
            "azimuth_deg": seen.azimuth_deg[order],
            "cn0_dbhz": seen.cn0_dbhz[order],
            "used": np.isin(key, wanted)[order],
        },
        index=utc_index(instant_us[seen.epoch[order]]),
    )
    return tables.SATELLITES.conform(frame)


def known_dilution(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return dilutions with the stand-ins for "unknown" (zero, or 99 and more) as NaN."""
    return np.where((values > 0) & (values < _NO_DILUTION), values, np.float32(np.nan))


def _systems(said: NDArray[np.int8], number: Ints) -> NDArray[np.int8]:
    """Return the system of satellite numbers: as said, else by range; 33 to 64 of GPS and GLONASS are SBAS."""
    by_number = _SYSTEM_OF_NUMBER[np.clip(number, 0, len(_SYSTEM_OF_NUMBER) - 1)]
    # one sentence form of older receivers lists every system under the talker of GPS
    by_range = (said == 0) | (said == 1) & (by_number > 0) | (said == 2) & (by_number == _SBAS)
    return np.where(by_range, by_number, said).astype(np.int8)


def _codes(part: Sentences, name: str) -> NDArray[np.uint8]:
    if name not in part.columns:
        return np.zeros(len(part), dtype=np.uint8)
    return np.asarray(part.columns[name]).astype(np.uint8)


def _in_view(gsv: Sentences, keep: Ints, epoch: Ints, epochs: int) -> NDArray[np.float32]:
    """Return satellites in view: per system the larger of its signals, summed over systems.

    A group may run through several talkers under one numbering; its count is then that of all of them.
    """
    out = np.full(epochs, np.nan, dtype=np.float32)
    if not len(keep):
        return out
    number = np.nan_to_num(np.asarray(gsv.columns["number"], dtype=np.float64)[keep], nan=1.0)
    total = np.nan_to_num(np.asarray(gsv.columns["total"], dtype=np.float64)[keep], nan=1.0)
    same = (np.diff(number) == 1) & (np.diff(total) == 0) & (np.diff(epoch) == 0)
    group = np.cumsum(np.concatenate([[True], ~same])) - 1
    first = first_of_runs(group)
    talker = gsv.talker[keep]
    mixed = np.zeros(len(first), dtype=bool)
    mixed[group[1:][same & (talker[1:] != talker[:-1])]] = True
    system = np.where(mixed, _MIXED, _SYSTEM_OF_TALKER[talker[first]])
    count = np.asarray(gsv.columns["in_view"], dtype=np.float64)[keep][first]
    key = epoch[first] * (_MIXED + 1) + system
    order = np.lexsort((np.nan_to_num(count, nan=-1.0), key))
    last = np.flatnonzero(np.concatenate([key[order][1:] != key[order][:-1], [True]]))
    at, most = epoch[first][order][last], count[order][last]
    known = np.isfinite(most)
    out[at[known]] = 0
    np.add.at(out, at[known], most[known].astype(np.float32))
    return out


def _median_by_epoch(epoch: Ints, values: NDArray[np.float32], epochs: int) -> NDArray[np.float32]:
    """Return the median of the finite values of each epoch."""
    out = np.full(epochs, np.nan, dtype=np.float32)
    finite = np.isfinite(values)
    at, value = epoch[finite], values[finite]
    order = np.lexsort((value, at))
    at, value = at[order], value[order]
    if not len(at):
        return out
    first = np.flatnonzero(np.concatenate([[True], at[1:] != at[:-1]]))
    count = np.diff(np.concatenate([first, [len(at)]]))
    out[at[first]] = (value[first + (count - 1) // 2] + value[first + count // 2]) / 2
    return out


def _first_by_epoch(epoch: Ints, values: NDArray[np.generic], epochs: int) -> NDArray[np.float32]:
    """Return the first finite value of each epoch."""
    out = np.full(epochs, np.nan, dtype=np.float32)
    number = known_dilution(np.asarray(values, dtype=np.float32))
    finite = np.flatnonzero(np.isfinite(number))[::-1]
    out[epoch[finite]] = number[finite]
    return out
