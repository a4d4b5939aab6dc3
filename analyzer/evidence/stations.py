"""Whose corrections were used: another station's frame is not the base's frame until something shows that it is."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analyzer.evidence.track import Flags


def station_of(fixes: pd.DataFrame) -> np.ndarray:
    """Return the station id per epoch as integers, carried over epochs that name none; -1 before the first."""
    return fixes["station_id"].ffill().fillna(-1).to_numpy(np.int64)


def foreign(fixes: pd.DataFrame, fixed: Flags, stated: int | None = None) -> Flags:
    """Return the epochs that used another station than the base's.

    The base is the station of the set-up sheet where the log names it at all, else the first one that a fixed epoch used.
    """
    station = station_of(fixes)
    seen = station[fixed & (station >= 0)]
    if not len(seen):
        return np.zeros(len(fixes), dtype=bool)
    own = stated if stated is not None and (seen == stated).any() else int(seen[0])
    return np.asarray((station >= 0) & (station != own))


def station_breaks(fixes: pd.DataFrame) -> Flags:
    """Return whether the reference station changed at each epoch."""
    station = station_of(fixes)
    return np.asarray(np.r_[False, (station[1:] != station[:-1]) & (station[:-1] >= 0)])
