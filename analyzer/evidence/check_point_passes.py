"""Passes over known points at known moments: where the position stood along the track at that moment."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import geodesy, intervals
from analyzer.evidence.check_point_stands import Row, is_pass, limits, mean_heading, numbered, surveyed

Array = NDArray[np.float64]
#: One row per pass; along and across are logged minus known, ahead and to the left of the direction of travel.
PASS_COLUMNS = ("name", "time_utc", "course_deg", "speed_mps", "along_m", "across_m", "sigma_m", "mark", "mark_sigma_h_m")


def passes_over_marks(points: pd.DataFrame, fixes: pd.DataFrame) -> pd.DataFrame:
    """Return the passes, layout `PASS_COLUMNS`.

    A pass is a row of the check points file whose start and end are one moment (`pass.longest`), as a light barrier or a marker
    on the common clock gives it; the middle counts. Positions are interpolated between neighbouring fixed epochs; moments outside are left out.
    """
    rows = []
    for point in points.assign(mark=numbered(points))[is_pass(points)].to_dict("records"):
        start, end = pd.Timestamp(point["start_utc"]), pd.Timestamp(point["end_utc"])
        row = _pass(point, (start + (end - start) / 2).round("us"), fixes)
        if row is not None:
            rows.append(row)
    return pd.DataFrame(rows, columns=list(PASS_COLUMNS))


def plausible(passes: pd.DataFrame, *, framed: bool) -> pd.DataFrame:
    """Return the passes whose position lay no further from the mark than `pass.latest` of driving and `match.radius`.

    What lies further is a wrong moment or a wrong mark, unless frames differ (`framed` False).
    """
    limit = limits()
    reach = limit["pass.latest"] * passes["speed_mps"].astype(float) + limit["match.radius"] + (0.0 if framed else limit["pass.untold_frame"])
    return passes[np.hypot(passes["along_m"].astype(float), passes["across_m"].astype(float)) <= reach].reset_index(drop=True)


def _pass(point: Row, moment: pd.Timestamp, fixes: pd.DataFrame) -> dict[str, object] | None:
    """Return one pass, or None where no two neighbouring fixed epochs hold the moment or the car crept."""
    limit = limits()
    after = int(fixes.index.searchsorted(moment))
    if not 0 < after < len(fixes):
        return None
    pair = fixes.iloc[after - 1:after + 1]
    times = intervals.seconds(pd.DatetimeIndex(pair.index))
    if times[1] > limit["pass.hole"] or not (pair["fix_state"].astype(object) == "fixed").all():
        return None
    origin = (float(str(point["latitude_deg"])), float(str(point["longitude_deg"])), 0.0)
    latitude, longitude = (pair[c].to_numpy(np.float64) for c in ("latitude_deg", "longitude_deg"))
    east, north, _ = geodesy.to_enu(latitude, longitude, np.zeros(2), origin=origin)
    share = float((moment - pair.index[0]) / pd.Timedelta(seconds=1)) / times[1]
    way = np.array([np.diff(east)[0], np.diff(north)[0]])
    here = np.array([east[0], north[0]]) + share * way
    course = mean_heading(pair["course_deg"].to_numpy(np.float64))
    if not np.isfinite(course):
        course = float(np.degrees(np.arctan2(*way)) % 360.0)
    logged = pair["speed_mps"].to_numpy(np.float64)
    speed = float(np.nanmean(logged)) if np.isfinite(logged).any() else float(np.hypot(*way)) / times[1]
    if speed < limit["pass.speed"]:
        return None
    ahead = np.array([np.sin(np.radians(course)), np.cos(np.radians(course))])
    return {
        "name": point["name"], "time_utc": moment, "course_deg": course, "speed_mps": speed,
        "along_m": float(here @ ahead), "across_m": float(here @ np.array([-ahead[1], ahead[0]])),
        "sigma_m": limit["pass.sigma"], "mark": point["mark"], "mark_sigma_h_m": surveyed(point),
    }
