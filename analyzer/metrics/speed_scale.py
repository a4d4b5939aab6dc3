"""Logged speed against the speed of the positions: a wrong unit, or a field that is not filled in, is no evidence of anything."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from analyzer import intervals, wording
from analyzer.geodesy import to_enu
from analyzer.recording import Finding, Recording
from analyzer.settings import thresholds

#: Logged over true speed, where a unit was taken for another: exact by definition of the knot (1852 m/h) and of km/h.
_UNITS = {1852 / 3600: "m/s in a field of knots", 3600 / 1852: "knots in a field of m/s", 1.852: "km/h in a field of knots",
          1 / 1.852: "knots in a field of km/h", 3.6: "km/h in a field of m/s", 1 / 3.6: "m/s in a field of km/h"}
#: States whose positions are smooth enough for the way of one second; others jump by metres at rest.
_SMOOTH = ("fixed", "float", "precise")


def speed_scale(fixes: pd.DataFrame) -> float:
    """Return logged speed over the speed of the positions, median over steps of about a second in motion; NaN where too few tell.

    Parameters
    ----------
    fixes : layout of `tables.FIXES`.
    """
    limits = thresholds("analyzer.metrics")
    at = np.flatnonzero(fixes["fix_state"].isin(_SMOOTH) & np.isfinite(fixes["speed_mps"]) & np.isfinite(fixes["latitude_deg"]) & np.isfinite(fixes["longitude_deg"]))
    if len(at) < limits["speed.least_steps"]:
        return float("nan")
    first = intervals.seconds(pd.DatetimeIndex(fixes.index[at[:1000]]))
    # one row a second: a drive of days must not be copied for a look at it
    at = at[::max(round(1.0 / max(float(np.median(np.diff(first))), 1e-3)), 1)]
    t = intervals.seconds(pd.DatetimeIndex(fixes.index[at]))
    latitude, longitude, speed = (fixes[c].to_numpy(np.float64)[at] for c in ("latitude_deg", "longitude_deg", "speed_mps"))
    middle = float(np.median(latitude)), float(np.median(longitude)), 0.0
    east, north = to_enu(latitude, longitude, np.zeros_like(latitude), origin=middle)[:2]
    apart_s = np.diff(t)
    whole = (apart_s > 0) & (apart_s < 2.0)
    way = np.hypot(np.diff(east), np.diff(north))
    told = (speed[1:] + speed[:-1]) / 2 * apart_s
    moved = whole & (way > limits["speed.least_way"])
    if moved.sum() < limits["speed.least_steps"]:
        return float("nan")
    return float(np.median(told[moved] / way[moved]))


def without_wrong_speed(recording: Recording) -> Recording:
    """Return the recording without speed and course, and with a finding, where speed is grossly unlike that of the positions."""
    scale, most = speed_scale(recording.fixes), thresholds("analyzer.metrics")["speed.most_scale"]
    if not np.isfinite(scale) or 1 / most <= scale <= most:
        return recording
    unit = next((words for factor, words in _UNITS.items() if abs(scale / factor - 1) < 0.02), "")
    what = f"looks like {unit}" if unit else "is wrong, or of something else"
    text = (f"The logged speed is {wording.faithful(scale, digits=3)} times the speed of the positions: it {what}. Speed and course are not used; "
            "correct the unit, or log RMC or VTG as the receiver writes them.")
    fixes = recording.fixes.assign(**{name: recording.fixes[name] * np.nan for name in ("speed_mps", "course_deg")})
    return replace(recording, fixes=fixes, findings=(*recording.findings, Finding("speed_scale", "problem", text, {"scale": scale})))
