"""A mark whose coordinates are likelier wrong than the positions: it alone disagrees, between stands on other marks that agree and no step between."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import geodesy, intervals, wording
from analyzer.evidence.check_point_offsets import Separation, car_to_earth, separate
from analyzer.evidence.check_point_stands import limits
from analyzer.recording import Finding

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Suspect:
    """A mark by name, and by how much its stands differ from all others [m]."""

    name: str
    away_m: float


def suspect_mark(used: pd.DataFrame, fixes: pd.DataFrame) -> Suspect | None:
    """Return the one mark whose coordinates are likeliest wrong, or None.

    Parameters
    ----------
    used : fixed stands, layout `check_point_stands.COLUMNS`.
    fixes : of the recording.

    A base that moves and comes back, or a wrong fix that comes and goes, leaves steps at both ends. So a mark is suspect where without it no
    error is left, and where each of its stands lies between two others that the velocities lead to and from, fixed without a gap, as near as
    `suspect.share` of what it is off.
    """
    stands = used[np.isfinite(used[["offset_e_m", "offset_n_m"]].to_numpy(np.float64)).all(axis=1)].sort_values("start_utc") if len(used) else used
    whole = separate(stands) if len(stands) > 2 else None
    if whole is None or whole.consistent:
        return None
    found = [suspect for name in dict.fromkeys(stands["name"].astype(str)) if (suspect := _judged(name, stands, fixes)) is not None]
    return found[0] if len(found) == 1 else None


def suspect_words(mark: Suspect, stands: int) -> Finding:
    """Return that a mark alone disagrees, at so many `stands`, and that its coordinates are the likeliest cause."""
    text = (f"Mark {mark.name} disagrees with all others by {mark.away_m:.3f} m at {wording.count(stands, 'stand')}, while stands on other marks before and "
            "behind agree and the velocities between show no step: most likely its coordinates are wrong. It is left out; check them.")
    return Finding("check_point_mark_suspect", "warning", text, {"name": mark.name, "away_m": mark.away_m})


def left_out(mark: Suspect) -> str:
    """Return that a suspect mark is left out of the absolute statement."""
    return f"{mark.name} left out, it alone disagrees, by {mark.away_m:.3f} m"


def _judged(name: str, stands: pd.DataFrame, fixes: pd.DataFrame) -> Suspect | None:
    """Return a mark as suspect where it alone disagrees and nothing moved between its stands and the others."""
    own = (stands["name"].astype(str) == name).to_numpy()
    rest = separate(stands[~own])
    if rest is None or (~own).sum() < 2 or not rest.consistent or any(o.significant for o in (rest.earth, rest.car) if o is not None):
        return None
    off = _away(stands[own], rest)
    if not np.isfinite(off).all():
        return None
    away_m, others = float(np.hypot(*off.mean(axis=0))), np.flatnonzero(~own)
    for at in np.flatnonzero(own):
        before, after = others[others < at], others[others > at]
        if not len(before) or not len(after):
            return None
        ways = (stands.iloc[before[-1]], stands.iloc[at]), (stands.iloc[at], stands.iloc[after[0]])
        if any(_moved_m(fixes, first, then) > limits()["suspect.share"] * away_m for first, then in ways):
            return None
    return Suspect(name, away_m)


def _away(stands: pd.DataFrame, rest: Separation) -> Floats:
    """Return by how much (n, 2) stands differ from what the others say [m]."""
    said = np.tile(rest.earth.value_m, (len(stands), 1))
    if rest.car is not None:
        said = said + car_to_earth(stands["heading_deg"].to_numpy(np.float64)) @ np.array(rest.car.value_m)
    return np.asarray(stands[["offset_e_m", "offset_n_m"]].to_numpy(np.float64) - said)


def _moved_m(fixes: pd.DataFrame, first: pd.Series, then: pd.Series) -> float:
    """Return how far [m] positions went from one stand to the next beyond what their velocities say; infinite where fixed was lost or epochs are missing."""
    low, high = fixes.index.searchsorted([first["start_utc"], then["end_utc"]])
    way = fixes.iloc[low:high]
    seconds = intervals.seconds(pd.DatetimeIndex(way.index))
    step = np.diff(seconds)
    if len(way) < 2 or not (way["fix_state"] == "fixed").all() or step.max() > limits()["suspect.gap"] * np.median(step):
        return float("inf")
    speed, course = way["speed_mps"].to_numpy(np.float64), np.radians(way["course_deg"].to_numpy(np.float64))
    course = np.where(speed < limits()["heading.speed"], np.nan_to_num(course), course)
    velocity = speed * np.stack([np.sin(course), np.cos(course)])
    led = (0.5 * (velocity[:, 1:] + velocity[:, :-1]) * step).sum(axis=1)
    ends = way[["latitude_deg", "longitude_deg", "height_m"]].to_numpy(np.float64)[[0, -1]]
    east, north, _ = geodesy.to_enu(*ends.T, origin=tuple(np.nan_to_num(ends[0]).tolist()))
    moved = float(np.hypot(east[1] - east[0] - led[0], north[1] - north[0] - led[1]))
    return moved if np.isfinite(moved) else float("inf")
