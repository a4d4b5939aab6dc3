"""Stands on marks with known coordinates: which stand is on which mark, facing where, and how far off."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from analyzer import geodesy
from analyzer.recording import Recording
from analyzer.settings import thresholds

Array = NDArray[np.float64]
#: One row of a table by column name.
Row = Mapping[Any, Any]
#: One row per stand on a mark. Offsets are logged minus known; halves are half widths of 95 % intervals.
COLUMNS = (
    "standstill_id", "name", "start_utc", "end_utc", "fix_state", "n_eff", "heading_deg", "heading_from", "used",
    "offset_e_m", "offset_n_m", "offset_u_m", "sigma_e_m", "sigma_n_m", "sigma_u_m", "half_e_m", "half_n_m", "half_u_m",
    "mark", "mark_sigma_h_m",
)
#: Where a heading is from that rests on the course: the car is taken to roll forward.
BY_COURSE = ("course before and after", "course on one side, driven at speed")


def limits() -> Mapping[str, float]:
    """Return the limits of this part."""
    return thresholds("analyzer.evidence", "thresholds_check_points.toml")


def stands_on_marks(standstills: pd.DataFrame, points: pd.DataFrame, recording: Recording) -> pd.DataFrame:
    """Return the stands on marks, layout `COLUMNS`.

    Parameters
    ----------
    standstills : layout of standstills.csv.
    points : see `analyzer.userfiles.tabular.read_check_points`; rows that are moments of passing are left out.
    recording : course and heading are taken from it where `points` state none.

    The known point is the mark raised by ``antenna_above_mark_m`` (0 where not stated: then ``offset_u_m`` is NaN).
    Only stands that are mostly fixed are ``used``. Rows of one ``mark`` share its survey error, of which ``sigma_e_m`` and
    ``sigma_n_m`` hold ``mark_sigma_h_m`` each.
    """
    marks = points.assign(mark=numbered(points))[~is_pass(points)].reset_index(drop=True)
    rows = []
    for stand in standstills.to_dict("records"):
        mark = _mark_of(stand, marks)
        if mark is not None:
            rows.append(_row(stand, mark, recording))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def is_pass(points: pd.DataFrame) -> NDArray[np.bool_]:
    """Return which rows of the check points file are moments of passing instead of stands."""
    span = (pd.to_datetime(points["end_utc"], utc=True) - pd.to_datetime(points["start_utc"], utc=True))
    return np.asarray((span / pd.Timedelta(seconds=1)).to_numpy(np.float64) <= limits()["pass.longest"])


def numbered(points: pd.DataFrame) -> NDArray[np.int64]:
    """Return a number for each row of the check points file that is the same for rows of one mark: one name, or one place to a millimetre."""
    places = points[["latitude_deg", "longitude_deg"]].to_numpy(np.float64)
    names = points["name"].astype(str).to_numpy()
    out = np.arange(len(points), dtype=np.int64)
    for row in range(len(points)):
        same = (names[:row] == names[row]) | (np.abs(places[:row] - places[row]) < 1e-8).all(axis=1)
        for other in np.unique(out[:row][same]):
            out[:row + 1][out[:row + 1] == other] = out[row]
    return out


def surveyed(mark: Row) -> float:
    """Return the sigma of the place of a mark per axis [m], as stated or as it stands in for one that is not."""
    stated = number(mark, "sigma_h_m")
    return stated if np.isfinite(stated) else limits()["mark.sigma_h"]


def _mark_of(stand: Row, marks: pd.DataFrame) -> Row | None:
    """Return the nearest mark that fits a stand: by its stated time and roughly by place, else by place."""
    if not len(marks):
        return None
    away = geodesy.distances(marks["latitude_deg"].to_numpy(np.float64), marks["longitude_deg"].to_numpy(np.float64),
                             float(str(stand["latitude_deg"])), float(str(stand["longitude_deg"])))
    start, end = pd.to_datetime(marks["start_utc"], utc=True), pd.to_datetime(marks["end_utc"], utc=True)
    timed = (start.notna() & end.notna()).to_numpy()
    meets = ((start <= stand["end_utc"]) & (end >= stand["start_utc"])).to_numpy()
    fits = np.where(timed, meets & (away < limits()["match.timed_radius"]), away < limits()["match.radius"])
    if not fits.any():
        return None
    found: Row = marks.iloc[int(np.argmin(np.where(fits, away, np.inf)))].to_dict()
    return found


def _row(stand: Row, mark: Row, recording: Recording) -> dict[str, object]:
    """Return the row of one stand on its mark."""
    limit = limits()
    above, height = number(mark, "antenna_above_mark_m"), number(mark, "height_m")
    level = height + above
    origin = (number(mark, "latitude_deg"), number(mark, "longitude_deg"), level if np.isfinite(level) else 0.0)
    logged = number(stand, "height_m")
    place = (number(stand, "latitude_deg"), number(stand, "longitude_deg"))
    east, north, up = geodesy.to_enu(*place, logged if np.isfinite(logged) else origin[2], origin=origin)
    vertical = float(up) if np.isfinite(logged) and np.isfinite(level) else float("nan")
    heading, how = heading_of(stand, mark, recording)
    out: dict[str, object] = {
        "standstill_id": stand["standstill_id"], "name": mark["name"], "start_utc": stand["start_utc"],
        "end_utc": stand["end_utc"], "fix_state": stand["fix_state"], "n_eff": stand["n_eff"], "heading_deg": heading,
        "heading_from": how, "used": stand["fix_state"] == "fixed",
        "offset_e_m": float(east), "offset_n_m": float(north), "offset_u_m": vertical,
        "mark": mark["mark"], "mark_sigma_h_m": surveyed(mark),
    }
    for axis, name, kind in (("e", "var_ee_m2", "h"), ("n", "var_nn_m2", "h"), ("u", "var_uu_m2", "v")):
        stated = number(mark, f"sigma_{kind}_m")
        known = [stated if np.isfinite(stated) else limit[f"mark.sigma_{kind}"], limit[f"stand.sigma_{kind}"]]
        known += [limit["stand.plumb"]] if kind == "h" else []
        sigma, half = mean_interval(number(stand, name), number(stand, "n_eff"), float(np.hypot.reduce(known)))
        out[f"sigma_{axis}_m"], out[f"half_{axis}_m"] = sigma, half
    return out


def number(row: Row, key: str) -> float:
    """Return a number of a row, NaN where it is missing."""
    value = row.get(key)
    return float(value) if isinstance(value, (int, float, np.number)) else float("nan")


def mean_interval(variance_m2: float, n_eff: float, known_sigma_m: float) -> tuple[float, float]:
    """Return sigma and half width of the 95 % interval of a mean [m].

    `variance_m2` of the sample behind the mean counts by its `n_eff` independent values and has ``n_eff - 1`` degrees
    of freedom; `known_sigma_m` has infinitely many. They join by the Welch-Satterthwaite formula (GUM, JCGM 100:2008,
    G.4). With fewer than two independent values the sample says nothing of itself and its whole variance counts once.
    """
    worth = n_eff if np.isfinite(n_eff) else 1.0
    own = variance_m2 / worth if worth >= 2.0 else variance_m2
    own = own if np.isfinite(own) else 0.0
    total = own + known_sigma_m**2
    freedom = max(worth - 1.0, 1.0) * (total / own) ** 2 if own > 0 else np.inf
    return float(np.sqrt(total)), float(stats.t.ppf(0.975, min(freedom, 1e9)) * np.sqrt(total))


def heading_of(stand: Row, mark: Row, recording: Recording) -> tuple[float, str]:
    """Return the true heading of the car at a stand [deg] and where it is from; NaN and empty where unknown.

    Order: the check points file, the logged heading at the stand, the attitude table, the course just before and after
    (the car is taken to roll forward), the course on one side where the car was too fast there to have reversed.
    """
    stated = number(mark, "heading_deg")
    if np.isfinite(stated):
        return stated % 360.0, "check points file"
    logged = number(stand, "heading_deg")
    if np.isfinite(logged):
        return logged % 360.0, "logged heading"
    start, end = pd.Timestamp(str(stand["start_utc"])), pd.Timestamp(str(stand["end_utc"]))
    held = mean_heading(recording.attitude.loc[start:end, "heading_deg"].to_numpy(np.float64))
    if np.isfinite(held):
        return held, "attitude"
    return _course(recording.fixes, start, end)


def mean_heading(angles_deg: Array) -> float:
    """Return the mean direction [deg, 0 to 360), NaN where none is known."""
    known = angles_deg[np.isfinite(angles_deg)]
    return float(np.degrees(np.angle(np.exp(1j * np.radians(known)).mean())) % 360.0) if len(known) else float("nan")


def turn(first_deg: float, second_deg: float) -> float:
    """Return the size of the turn between two directions [deg, 0 to 180]."""
    return float(abs((first_deg - second_deg + 180.0) % 360.0 - 180.0))


def _course(fixes: pd.DataFrame, start: pd.Timestamp, end: pd.Timestamp) -> tuple[float, str]:
    """Return the course at which the car rolled in and off [deg] and on what it rests.

    NaN and empty where both courses are known and differ, and where only one is and the car was slow: it may have reversed onto the mark.
    """
    span = pd.Timedelta(seconds=limits()["heading.span"])
    found = []
    for low, high in ((start - span, start), (end, end + span)):
        part = fixes.loc[low:high]
        rolling = part["speed_mps"].to_numpy(np.float64) > limits()["heading.speed"]
        found.append(mean_heading(part["course_deg"].to_numpy(np.float64)[rolling]))
    before, after = found
    if np.isfinite(before) and np.isfinite(after):
        agree = turn(before, after) <= limits()["heading.agree"]
        return (mean_heading(np.array(found)), BY_COURSE[0]) if agree else (float("nan"), "")
    if np.isfinite(before) and _leg_speed(fixes.loc[:start].iloc[::-1]) >= limits()["heading.forward"]:
        return before, BY_COURSE[1]
    if np.isfinite(after) and _leg_speed(fixes.loc[end:]) >= limits()["heading.forward"]:
        return after, BY_COURSE[1]
    return float("nan"), ""


def _leg_speed(fixes: pd.DataFrame) -> float:
    """Return the largest speed [m/s] on the way from a stand to the next stop or turn on the spot; `fixes` lead away from the stand."""
    speed, course = (fixes[c].to_numpy(np.float64) for c in ("speed_mps", "course_deg"))
    rolling = speed > limits()["heading.speed"]
    if not rolling.any():
        return 0.0
    first = int(np.argmax(rolling))
    flips = np.abs((np.diff(course[first:], prepend=course[first]) + 180.0) % 360.0 - 180.0) > 90.0
    ends = np.flatnonzero((speed[first:] <= limits()["heading.speed"]) | flips)
    leg = speed[first:first + int(ends[0])] if len(ends) else speed[first:]
    return float(np.nanmax(leg, initial=0.0))
