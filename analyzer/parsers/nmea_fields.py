"""Values of each epoch from the sentences that stand for it, by precedence; one column at a time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TypeVar, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.parsers.sentences import TALKERS, Sentences
from analyzer.scratch import Keeper
from analyzer.tables import FIX_STATES, HEADING_MODES

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Scalar = TypeVar("Scalar", bound=np.generic)

@dataclass(frozen=True)
class Pick:
    """The row of one kind that stands for each epoch, -1 where none."""

    rows: Ints

    @cached_property
    def missing(self) -> NDArray[np.bool_] | None:
        """Which epochs have none; None where all have one."""
        out = self.rows < 0
        return out if out.any() else None

    @cached_property
    def in_step(self) -> bool:
        """Whether the rows are 0, 1, 2 … , one for each epoch."""
        return bool((self.rows == np.arange(len(self.rows))).all())

    def of(self, values: NDArray[Scalar], missing: float) -> NDArray[Scalar]:
        """Return a copy of values of rows as values of epochs, `missing` where none."""
        if self.in_step:
            return values[: len(self.rows)].copy()
        if self.missing is None:
            return values[self.rows]
        out = values[np.maximum(self.rows, 0)]
        out[self.missing] = missing
        return out


Picks = Mapping[str, Pick]

NO_STATE = np.int8(-1)
#: Quality of GGA and mode letters (NMEA 0183); quality 9 is in no edition and states nothing.
_QUALITIES = (
    "no_fix", "autonomous", "differential", "precise", "fixed", "float", "estimated", "manual", "simulated",
)
_LETTERS = "NADPRFEMS"
_STATE_OF_QUALITY = np.array([FIX_STATES.index(name) for name in _QUALITIES], dtype=np.int8)
_STATE_OF_LETTER = np.full(256, NO_STATE, dtype=np.int8)
for _letter, _name in zip(_LETTERS, _QUALITIES, strict=True):
    _STATE_OF_LETTER[ord(_letter)] = FIX_STATES.index(_name)
_MODE_OF_LETTER = np.full(256, -1, dtype=np.int8)
for _letter, _code in zip("AEMSV", range(len(HEADING_MODES)), strict=True):
    _MODE_OF_LETTER[ord(_letter)] = _code
_STATE_OF_STATUS = np.full(256, NO_STATE, dtype=np.int8)
_STATE_OF_STATUS[ord("A")] = FIX_STATES.index("autonomous")
_STATE_OF_STATUS[ord("V")] = FIX_STATES.index("no_fix")
_AUTONOMOUS, _NO_FIX = FIX_STATES.index("autonomous"), FIX_STATES.index("no_fix")
_GN = TALKERS.index("GN")


def pick_rows(epoch: Ints, epochs: int, rows: Ints | None = None) -> Ints:
    """Return for each epoch the first row that belongs to it, -1 where none; `rows` limits the choice."""
    if rows is None and len(epoch) == epochs and bool((epoch == np.arange(epochs)).all()):
        return epoch
    pick = np.full(epochs, -1, dtype=np.int64)
    chosen = np.arange(len(epoch)) if rows is None else rows
    chosen = chosen[epoch[chosen] >= 0][::-1]
    pick[epoch[chosen]] = chosen
    return pick


def take(part: Sentences, name: str, pick: Pick) -> Floats:
    """Return a number column at the picked rows, NaN where none; float32 where it was read so."""
    return pick.of(cast(Floats, part.columns[name]), np.nan)


def codes(part: Sentences, name: str, pick: Pick) -> NDArray[np.uint8]:
    """Return a character column at the picked rows, 0 where none."""
    return pick.of(part.columns[name].astype(np.uint8, copy=False), 0)


def gns_picks(gns: Sentences, epoch: Ints, epochs: int) -> tuple[Ints, Ints]:
    """Return the GNS row with the position and the companion row with the correction age of each epoch.

    One system alone, or the combined talker, carries the position; the companions of single systems leave it empty
    and give correction age and station.
    """
    with_position = np.isfinite(np.asarray(gns.columns["latitude_deg"], dtype=np.float64))
    combined = gns.talker == _GN
    main = pick_rows(epoch, epochs)
    for rows in (np.flatnonzero(combined), np.flatnonzero(with_position)):
        better = pick_rows(epoch, epochs, rows)
        main = np.where(better >= 0, better, main)
    is_main = np.zeros(len(gns), dtype=bool)
    is_main[main[main >= 0]] = True
    aged = np.isfinite(np.asarray(gns.columns["correction_age_s"], dtype=np.float64))
    return main, pick_rows(epoch, epochs, np.flatnonzero(aged & ~is_main))


def first_known(
    parts: Mapping[str, Sentences], picks: Picks, name: str, kinds: Sequence[str], *, epochs: int
) -> Floats:
    """Return a number from the first of `kinds` that has it."""
    out: Floats | None = None
    for kind in kinds:
        part = parts.get(kind.partition(" ")[0])
        if part is None or kind not in picks:
            continue
        if out is None:
            out = take(part, name, picks[kind])
        elif np.isnan(out).any():
            out = np.where(np.isnan(out), take(part, name, picks[kind]), out)
    return np.full(epochs, np.nan) if out is None else out


def positions(parts: Mapping[str, Sentences], picks: Picks, epochs: int) -> tuple[Floats, Floats]:
    """Return latitude and longitude [deg], both from the first of GGA, GNS, RMC and GLL that has a position."""
    return _pair(parts, picks, epochs, names=("latitude_deg", "longitude_deg"), kinds=("GGA", "GNS", "RMC", "GLL"))


def heights(parts: Mapping[str, Sentences], picks: Picks, epochs: int) -> tuple[Floats, Floats]:
    """Return height above the geoid and geoid separation [m], both from one sentence, GGA before GNS."""
    return _pair(parts, picks, epochs, names=("height_msl_m", "geoid_separation_m"), kinds=("GGA", "GNS"))


def fix_states(
    parts: Mapping[str, Sentences], picks: Picks, has_position: NDArray[np.bool_]
) -> tuple[NDArray[np.int8], NDArray[np.bool_], int]:
    """Return fix state codes (index into `FIX_STATES`), whether reported, and how many qualities are in no edition.

    GGA quality; else the best letter of GNS; else the mode of RMC, GLL, VTG; else their status. An unlisted quality
    states nothing, so the next source decides. Where nothing states it, a position counts as autonomous.
    """
    state = np.full(len(has_position), NO_STATE, dtype=np.int8)
    unlisted = 0
    if "GGA" in picks:
        quality = take(parts["GGA"], "quality", picks["GGA"])
        known = np.isin(quality, np.arange(len(_QUALITIES)))
        unlisted = int(np.count_nonzero(np.isfinite(quality) & ~known))
        state[known] = _STATE_OF_QUALITY[quality[known].astype(np.int64)]
    state = _fill_state(state, parts, picks, (("GNS", "mode", _STATE_OF_LETTER),))
    reported = state != NO_STATE
    state = _fill_state(state, parts, picks, (
        ("RMC", "mode", _STATE_OF_LETTER), ("GLL", "mode", _STATE_OF_LETTER), ("VTG", "mode", _STATE_OF_LETTER),
        ("RMC", "status", _STATE_OF_STATUS), ("GLL", "status", _STATE_OF_STATUS),
    ))
    state = np.where(state == NO_STATE, np.where(has_position, _AUTONOMOUS, _NO_FIX), state).astype(np.int8)
    return state, reported, unlisted


def headings(parts: Mapping[str, Sentences], picks: Picks, epochs: int) -> Floats:
    """Return true heading [deg] from HDT, else from THS unless that calls itself invalid."""
    out = first_known(parts, picks, "heading_deg", ("HDT",), epochs=epochs)
    if "THS" in picks:
        other = take(parts["THS"], "heading_deg", picks["THS"])
        other[codes(parts["THS"], "mode", picks["THS"]) == ord("V")] = np.nan
        out = np.where(np.isnan(out), other, out)
    return out


def heading_modes(parts: Mapping[str, Sentences], picks: Picks) -> pd.Categorical[str] | None:
    """Return the mode of the true heading from THS, missing where an epoch has none or a letter is not known; None without THS."""
    if "THS" not in picks:
        return None
    return categorical(_MODE_OF_LETTER[codes(parts["THS"], "mode", picks["THS"])], HEADING_MODES)


def yaw_rates(parts: Mapping[str, Sentences], picks: Picks, epochs: int) -> Floats:
    """Return yaw rate [rad/s], positive to the left; ROT is in degrees per minute, positive to starboard."""
    if "ROT" not in picks:
        return np.full(epochs, np.nan)
    rate = take(parts["ROT"], "rate_degpmin", picks["ROT"]).astype(np.float64)
    rate[codes(parts["ROT"], "status", picks["ROT"]) == ord("V")] = np.nan
    return np.asarray(-np.deg2rad(rate) / 60.0)


def station_ids(values: Floats, keep: Keeper) -> pd.api.extensions.ExtensionArray:
    """Return station ids as nullable integers, held where `keep` puts them."""
    known = np.isfinite(values)
    return pd.arrays.IntegerArray(keep(np.where(known, values, 0).astype(np.int32)), keep(~known))


def categorical(values: NDArray[np.integer], names: Sequence[str]) -> pd.Categorical[str]:
    """Return codes as a categorical of `names`."""
    return pd.Categorical.from_codes(values, categories=pd.Index(list(names), dtype="str"))


def _pair(
    parts: Mapping[str, Sentences], picks: Picks, epochs: int, *, names: tuple[str, str], kinds: Sequence[str]
) -> tuple[Floats, Floats]:
    """Return two numbers that belong together, both from the first of `kinds` that has the first of them."""
    out: tuple[Floats, Floats] | None = None
    for kind in kinds:
        if kind not in picks:
            continue
        lacking = np.ones(epochs, dtype=bool) if out is None else np.isnan(out[0])
        if not lacking.any():
            break
        found = take(parts[kind], names[0], picks[kind]), take(parts[kind], names[1], picks[kind])
        out = found if out is None else (
            np.where(lacking, found[0], out[0]), np.where(lacking, found[1], out[1]))
    return out or (np.full(epochs, np.nan), np.full(epochs, np.nan))


def _fill_state(
    state: NDArray[np.int8], parts: Mapping[str, Sentences], picks: Picks,
    sources: Sequence[tuple[str, str, NDArray[np.int8]]],
) -> NDArray[np.int8]:
    """Fill states that are open from character columns, best source first."""
    for kind, column, table in sources:
        if kind not in picks:
            continue
        open_ = state == NO_STATE
        if not open_.any():
            break
        state = np.where(open_, table[codes(parts[kind], column, picks[kind])], state)
    return state
