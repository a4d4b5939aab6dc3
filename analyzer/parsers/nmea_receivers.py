"""Two receivers in one stream: refused with a reason, since a blend of both would look like one that jumps."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyzer.errors import InputError
from analyzer.parsers.sentences import TALKERS, Sentences
from analyzer.settings import thresholds

_LIMITS = thresholds("analyzer.parsers", "thresholds_sources.toml")
_M_PER_DEG = 111_195.0
#: Step of a position by the decimals of its minutes [m]; a minute of latitude is one nautical mile.
_STEP_M = 1852.0 * 10.0 ** -np.arange(10.0)
_KINDS = ("GGA", "GNS", "RMC", "GLL")


@dataclass(frozen=True)
class _Places:
    """Positions of sentences of one kind in stream order."""

    kind: str
    start: NDArray[np.int64]
    talker: NDArray[np.uint8]
    time_s: NDArray[np.float64]
    latitude_deg: NDArray[np.float64]
    longitude_deg: NDArray[np.float64]
    decimals: NDArray[np.int8]


def refuse_two_receivers(sentences: Mapping[str, Sentences], name: str) -> None:
    """Raise where sentences of one time give different positions, or two talkers take turns with different ones.

    A difference counts from the resolution of the written numbers on, so that one receiver writing a position twice,
    with more or fewer digits, is one receiver.

    Raises
    ------
    InputError
        Says where, how far apart, and what to do.
    """
    found = {kind: places for kind in _KINDS if (places := _places(sentences, kind)) is not None}
    for places in found.values():
        _same_kind(places, name)
    if "GGA" in found and "RMC" in found:
        _across(found["GGA"], found["RMC"], name)


def _places(sentences: Mapping[str, Sentences], kind: str) -> _Places | None:
    """Return the sentences of `kind` that hold a time and a position."""
    if kind not in sentences or len(sentences[kind]) < 2:
        return None
    one = sentences[kind]
    time_s, latitude, longitude = (np.asarray(one.columns[c], dtype=np.float64)
                                   for c in ("time_of_day_s", "latitude_deg", "longitude_deg"))
    good = np.isfinite(time_s) & np.isfinite(latitude) & np.isfinite(longitude)
    decimals = np.full(len(one), 4, dtype=np.int8) if one.decimals is None else one.decimals
    parts = one.start, one.talker, time_s, latitude, longitude, decimals
    if not good.all():
        parts = tuple(part[good] for part in parts)  # type: ignore[assignment]
    return _Places(kind, *parts)


def _apart_m(a: _Places, i: NDArray[np.int64], b: _Places, j: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return how far positions are apart beyond the resolution in which they are written [m]."""
    north = (a.latitude_deg[i] - b.latitude_deg[j]) * _M_PER_DEG
    turn = (a.longitude_deg[i] - b.longitude_deg[j] + 180.0) % 360.0 - 180.0
    east = turn * _M_PER_DEG * np.cos(np.radians(a.latitude_deg[i]))
    step_m = _STEP_M[np.clip(np.minimum(a.decimals[i], b.decimals[j]), 0, 9)]
    return np.asarray(np.maximum(np.hypot(north, east) - 2.0 * step_m, 0.0), dtype=np.float64)


def _same_kind(places: _Places, name: str) -> None:
    """Look at neighbours of one kind: equal times with different places, or talkers that alternate."""
    count = len(places.time_s)
    if count < 2:
        return
    same_time = places.time_s[1:] == places.time_s[:-1]
    i = np.flatnonzero(same_time)
    apart = _apart_m(places, i, places, i + 1)
    if _many(apart > 0.0, count):
        _refuse(places, places, int(i[apart > 0.0][0]), apart[apart > 0.0], name=name)
    other = places.talker[1:] != places.talker[:-1]
    if not other.any():
        return
    same = other & same_time
    doubled = np.r_[same, False] | np.r_[False, same]  # one position written under two talkers
    turns = other & ~doubled[:-1] & ~doubled[1:]
    if turns.sum() > _LIMITS["receivers.talker_turns"] * count and count > 10:
        names = sorted({TALKERS[t] for t in np.unique(places.talker)})
        raise InputError(f"{name} holds {places.kind} sentences of two receivers that take turns (talkers "
                         f"{' and '.join(names)}, {int(turns.sum())} changes in {count} sentences): log each receiver "
                         "into a file of its own, or split this one by talker.")


def _across(gga: _Places, rmc: _Places, name: str) -> None:
    """Compare each RMC with the nearest GGA in the stream that has its time."""
    if not len(gga.start) or not len(rmc.start):
        return
    pairs = ((gga.time_s, rmc.time_s), (gga.latitude_deg, rmc.latitude_deg), (gga.longitude_deg, rmc.longitude_deg))
    if all(np.array_equal(a, b) for a, b in pairs):
        return
    right = np.clip(np.searchsorted(gga.start, rmc.start), 0, len(gga.start) - 1)
    left = np.maximum(right - 1, 0)
    at = np.where(gga.time_s[left] == rmc.time_s, left, right)
    same = np.flatnonzero(gga.time_s[at] == rmc.time_s)
    if not len(same):
        return
    apart = _apart_m(rmc, same, gga, at[same])
    differ = apart > _LIMITS["receivers.across_kinds_m"]
    if differ.mean() > _LIMITS["receivers.across_share"] and differ.sum() > 2:
        first = int(same[np.flatnonzero(differ)[0]])
        _refuse(rmc, gga, first, apart[differ], name=name)


def _many(flags: NDArray[np.bool_], count: int) -> bool:
    """Whether more than single accidents are flagged."""
    return bool(flags.sum() > max(2, _LIMITS["receivers.same_time_share"] * count))


def _refuse(places: _Places, other: _Places, first: int, apart_m: NDArray[np.float64], *, name: str) -> None:
    hours, rest = divmod(float(places.time_s[first]), 3600.0)
    minutes, seconds = divmod(rest, 60.0)
    kinds = places.kind if places.kind == other.kind else f"{places.kind} and {other.kind}"
    raise InputError(
        f"{name} holds two receivers: {kinds} sentences of one time give different positions {len(apart_m)} "
        f"times (first at {int(hours):02d}:{int(minutes):02d}:{seconds:06.3f}, byte {places.start[first]}; "
        f"median distance {np.median(apart_m):.2f} m): log each receiver into a file of its own."
    )
