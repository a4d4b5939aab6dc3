"""Whose corrections were used: another station's frame is not the base's frame until something shows that it is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analyzer import intervals
from analyzer.evidence.learnt import Learnt
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.metrics.corrections_clock import time_messages
from analyzer.metrics.corrections_reference import main_station
from analyzer.settings import thresholds


def station_of(fixes: pd.DataFrame) -> np.ndarray:
    """Return the station id per epoch as integers, carried over epochs that name none; -1 before the first."""
    return fixes["station_id"].ffill().fillna(-1).to_numpy(np.int64)


def foreign(fixes: pd.DataFrame, fixed: Flags, stated: int | None = None, *, learnt: Learnt | None = None) -> Flags:
    """Return the epochs that used another station than the base's.

    The base is the station of the set-up sheet where the log names it at all, else the first one that a fixed epoch used.
    """
    station = station_of(fixes)
    seen = station[fixed & (station >= 0)]
    named = stated if stated is not None and (seen == stated).any() else None
    own = (learnt or Learnt()).of("station", named if named is not None else int(seen[0]) if len(seen) else None, "first")
    if own is None:
        return np.zeros(len(fixes), dtype=bool)
    return np.asarray((station >= 0) & (station != own))


def station_breaks(fixes: pd.DataFrame) -> Flags:
    """Return whether the reference station changed at each epoch."""
    station = station_of(fixes)
    return np.asarray(np.r_[False, (station[1:] != station[:-1]) & (station[:-1] >= 0)])


@dataclass(frozen=True)
class Told:
    """What a base said of its own place, one entry per message (RTCM 1005, 1006).

    Attributes
    ----------
    at_s : when it arrived [s].
    moved : whether it is another place than the one the same station told before.
    shift_m : how far it is from the place that station told when positions were first fixed.
    """

    at_s: Floats
    moved: Flags
    shift_m: Floats

    def shift_by(self, time_s: Floats) -> Floats:
        """Return how far [m] the last place told by each time is from the one at first, 0 where that is no other place."""
        last = np.searchsorted(self.at_s, time_s, side="right")
        shift = np.r_[0.0, self.shift_m][last]
        return np.where(shift > thresholds("analyzer.evidence")["station.moved"], shift, 0.0)

    def elsewhere_at(self, time_s: float) -> bool:
        """Return whether the last place told by then is another one than at first."""
        return bool(self.shift_by(np.array([time_s]))[0] > 0)


def told_places(corrections: pd.DataFrame, fixes: pd.DataFrame, track: Track) -> Told:
    """Return what the base said of its place, by its own clock: the main station, others are foreign anyway.

    What came in at the rover counts where it was recorded, else what the base sent. More than `station.moved` apart is another
    place. The place in force when positions were first fixed is the one that all others are held against. Empty without
    recorded positions, or where nothing tells their time.
    """
    none: Flags = np.zeros(0, dtype=bool)
    known = _positions_told(corrections, fixes)
    if not len(known):
        return Told(np.zeros(0), none, np.zeros(0))
    at = intervals.seconds(pd.DatetimeIndex(known.index), pd.DatetimeIndex(fixes.index)[0])
    places = known[["x_m", "y_m", "z_m"]].to_numpy(np.float64)
    own = max(int(np.searchsorted(at, track.first_fixed_s, side="right")) - 1, 0)
    limit = thresholds("analyzer.evidence")["station.moved"]
    moved = np.r_[False, np.sqrt((np.diff(places, axis=0) ** 2).sum(axis=1)) > limit]
    return Told(at, moved, np.sqrt(((places - places[own]) ** 2).sum(axis=1)))


def _positions_told(corrections: pd.DataFrame, fixes: pd.DataFrame) -> pd.DataFrame:
    """Return the rows with a place of the main station of one stream, in order of their times."""
    nothing = corrections.iloc[:0]
    if not len(corrections) or corrections["x_m"].isna().all():
        return nothing
    streams = corrections["place"].astype(str)
    messages = time_messages(corrections[streams == ("rover" if (streams == "rover").any() else streams.iloc[0])], fixes=fixes).messages
    own = (messages["station_id"] == main_station(messages)).fillna(False).to_numpy(dtype=bool)
    kept: pd.DataFrame = messages[own & messages["x_m"].notna().to_numpy() & pd.DatetimeIndex(messages.index).notna()]
    return kept.sort_index(kind="stable")
