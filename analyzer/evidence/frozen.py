"""Frozen output: the same position again and again while speed says motion."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analyzer import intervals
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds


def frozen_distance(track: Track, fixes: pd.DataFrame, *, fused: bool = False) -> Floats:
    """Return how far the vehicle went by its own speed since the position last changed [m]; 0 where it did change.

    Distances below `frozen.least` are rounding of the coordinates, not freezing. In a `fused` solution the speed of a car
    that drives off with a frozen output may freeze too for a moment: distances count from `frozen.lead` earlier.
    """
    places = fixes[["latitude_deg", "longitude_deg"]].to_numpy(np.float64)
    same = np.r_[False, (places[1:] == places[:-1]).all(axis=1)] & track.placed
    doppler = track.learnt.of("doppler", bool(np.isfinite(fixes["speed_mps"].to_numpy(np.float64)).any()), "any")
    speed = np.nan_to_num(np.hypot(*track.velocity.T))
    travelled = np.r_[0.0, np.cumsum((speed[1:] + speed[:-1]) / 2 * np.diff(track.t))]
    out = np.zeros(len(track))
    least = thresholds("analyzer.evidence")["frozen.least"]
    for start, end in intervals.runs(same):
        gone = travelled[start:end] - travelled[start - 1]
        if (
            not doppler
            and end < len(track)
            and np.hypot(*(track.places[end, :2] - track.places[start - 1, :2])) > least
        ):
            # without speed the jump at the end says how far it went meanwhile
            way = float(np.hypot(*(track.places[end, :2] - track.places[start - 1, :2])))
            gone = way * (track.t[start:end] - track.t[start - 1]) / (track.t[end] - track.t[start - 1])
        if end - start >= 2 and gone[-1] >= least:
            lead = thresholds("analyzer.evidence")["frozen.lead"] if fused else 0.0
            out[start:end] = np.interp(track.t[start:end] + lead, track.t[start:end], gone)
    return out


def frozen_velocity(track: Track, frozen_m: Floats) -> Flags:
    """Return the epochs (n,) of frozen positions (`frozen_m` above 0) whose logged velocity stood still with them.

    A measured velocity hardly ever repeats to the last digit in motion; where it mostly does, it is as old as the position and
    leads nowhere. Where velocity comes at a lower rate than positions, each is held against the one before it.
    """
    known = np.flatnonzero(np.isfinite(track.own_velocity).all(axis=1))
    told = track.own_velocity[known]
    same = np.r_[False, (told[1:] == told[:-1]).all(axis=1)][:len(known)]
    out = np.zeros(len(track), dtype=bool)
    for start, end in intervals.runs(frozen_m > 0):
        here = same[np.searchsorted(known, start):np.searchsorted(known, end)]
        out[start:end] = len(here) > 0 and here.mean() >= thresholds("analyzer.evidence")["frozen.velocity"]
    return out
