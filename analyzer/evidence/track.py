"""The track as arrays: what every kind of evidence works on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import intervals
from analyzer.evidence.claim import has_position
from analyzer.settings import thresholds

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Track:
    """One row per epoch.

    Attributes
    ----------
    t : seconds since the first epoch.
    places : (n, 3) east, north, up [m]; NaN without a position.
    velocity : (n, 2) east, north [m/s] from speed and course; NaN where not logged.
    fixed, placed, standing : state fixed; a position the receiver stands by; at rest by speed alone.
    age : correction age [s], NaN where absent.
    nominal_s : usual interval between epochs.
    """

    t: Floats
    places: Floats
    velocity: Floats
    fixed: Flags
    placed: Flags
    standing: Flags
    age: Floats
    nominal_s: float

    def __len__(self) -> int:
        return len(self.t)


def build_track(fixes: pd.DataFrame, local: pd.DataFrame, nominal_s: float) -> Track:
    """Return the track of `fixes`; `local` holds ``east_m north_m up_m`` of the same epochs."""
    placed = has_position(fixes)
    places = local[["east_m", "north_m", "up_m"]].to_numpy(np.float64).copy()
    places[~placed] = np.nan
    t = intervals.seconds(fixes.index)
    speed = fixes["speed_mps"].to_numpy(np.float64)
    standing = standing_by_speed(t, speed, nominal_s)
    return Track(
        t=t, places=places, velocity=_velocity(speed, fixes["course_deg"].to_numpy(np.float64), standing),
        fixed=placed & (fixes["fix_state"].astype(object) == "fixed").to_numpy(), placed=placed, standing=standing,
        age=fixes["correction_age_s"].to_numpy(np.float64), nominal_s=nominal_s,
    )


def standing_by_speed(t: Floats, speed: Floats, nominal_s: float) -> Flags:
    """Return whether the vehicle stands by its Doppler speed alone, so that positions may be tested against it."""
    limits = thresholds("analyzer.evidence")
    slow = np.nan_to_num(speed, nan=np.inf) < limits["standstill.speed"]
    margin = limits["standstill.margin"]
    standing = np.zeros(len(t), dtype=bool)
    for start, end in intervals.runs(slow):
        if t[end - 1] - t[start] >= limits["standstill.shortest"] + 2 * margin:
            # the first and last moments are still, or already, motion below the limit
            first = start + int(np.searchsorted(t[start:end], t[start] + margin)) if start else start
            last = start + int(np.searchsorted(t[start:end], t[end - 1] - margin)) if end < len(t) else end
            standing[first:last] = True
    return standing


def _velocity(speed: Floats, course_deg: Floats, standing: Flags) -> Floats:
    """Return east and north velocity [m/s]; zero at rest, where course is noise or absent."""
    angle = np.radians(course_deg)
    velocity = np.column_stack([speed * np.sin(angle), speed * np.cos(angle)])
    creeping = ~np.isfinite(angle) & (speed < thresholds("analyzer.evidence")["standstill.speed"])
    velocity[standing | creeping] = 0.0
    return velocity
