"""Whose corrections were used: another station's frame is not the base's frame until something shows that it is."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analyzer.evidence.learnt import Learnt
from analyzer.evidence.track import Flags
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


def reference_moves(corrections: pd.DataFrame, start: pd.Timestamp) -> tuple[np.ndarray, np.ndarray]:
    """Return when reference positions (RTCM 1005, 1006) arrived [s from `start`], and where each differs from the one before.

    More than `station.moved` apart counts as another place; empty without recorded positions or their times.
    """
    none = np.zeros(0), np.zeros(0, dtype=bool)
    if not len(corrections) or "x_m" not in corrections:
        return none
    known = corrections[corrections["x_m"].notna()]
    times = pd.DatetimeIndex(known.index)
    known = known[times.notna()]
    if not len(known):
        return none
    at = (pd.DatetimeIndex(known.index) - start).total_seconds().to_numpy(np.float64)
    places = known[["x_m", "y_m", "z_m"]].to_numpy(np.float64)
    order = np.argsort(at, kind="stable")
    at, places = at[order], places[order]
    apart = np.sqrt((np.diff(places, axis=0) ** 2).sum(axis=1))
    return at, np.r_[False, apart > thresholds("analyzer.evidence")["station.moved"]]
