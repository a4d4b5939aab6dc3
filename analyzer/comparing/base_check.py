"""Was the base fit to start from: settled, enough sky, not shifted against what is expected or was there before."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from html import escape
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import geodesy
from analyzer.comparing.base_words import Facts, judged_words
from analyzer.comparing.given_bases import load_base
from analyzer.errors import InputError, UsageError
from analyzer.evidence.claim import has_position
from analyzer.metrics.base_site import (
    Settling, SiteMean, class_sigma, grade_of, multipath_period, settling, site_mean, time_to_repeat, waiting_curve,
)
from analyzer.metrics.base_site_shift import (
    Shift, antenna_suspects, detectable, geoid_suspects, judge_shift, limits, name_sizes,
)
from analyzer.recording import Recording

Array = NDArray[np.float64]
Place = tuple[float, float, float]


@dataclass(frozen=True)
class BaseCheck:
    """What a static log at the base says.

    Attributes
    ----------
    settled : True, False, or None where the log is too short to say.
    sentences : the answer in words, most important first; the advice that matters is among them.
    coordinates : latitude, longitude [deg], ellipsoidal height [m] of the steady part: what may be entered.
    covariance_m2 : of their mean (east, north, up), autocorrelation counted; `sigma_m` its roots.
    grade : ``metre``, ``half_metre``, ``decimetre`` or ``centimetre``: what such a log repeats to from day to day.
    shift : move of the antenna against `expected` or the log before, None without one; `named` what its size fits.
    detectable_m : smallest detectable shift by kind of evidence [m]; None where that evidence cannot show a moved antenna.
    waiting : how well the mean repeats after waiting (repeatability only).
    """

    settled: bool | None
    sentences: tuple[str, ...]
    coordinates: Place
    covariance_m2: tuple[tuple[float, ...], ...]
    sigma_m: tuple[float, float, float]
    grade: str
    fix_state: str
    start_utc: pd.Timestamp
    end_utc: pd.Timestamp
    steady_from_utc: pd.Timestamp
    settling: Settling
    mean: SiteMean
    satellites: Mapping[str, float]
    multipath: Mapping[str, object]
    waiting: pd.DataFrame
    track: pd.DataFrame
    shift: Shift | None = None
    shift_against: str = ""
    named: tuple[str, ...] = ()
    detectable_m: Mapping[str, float | None] = field(default_factory=dict)
    accuracy_m: float | None = None
    wait_s: float | None = None
    entered: Place | None = None
    station_id: int | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the content of base.json."""
        from analyzer.comparing.base_json import content

        return content(self)

    def _repr_html_(self) -> str:
        """Show the answer compactly, as notebooks do."""
        word = {True: "settled", False: "not settled throughout", None: "not evaluated"}[self.settled]
        return f"<div><p><b>Base: {word}</b></p><ul>{''.join(f'<li>{escape(s)}</li>' for s in self.sentences[:7])}</ul></div>"


def check_base(
    recording: Recording | str | Path, *, expected: Place | None = None, previous: str | Path | BaseCheck | None = None,
    accuracy_m: float | None = None,
) -> BaseCheck:
    """Judge a static log at the base.

    Parameters
    ----------
    recording : from `analyzer.read`, or the log itself.
    expected : latitude, longitude [deg], ellipsoidal height [m] where the antenna should stand.
    previous : an earlier result of this check, or its folder.
    accuracy_m : horizontal repeatability (95 %) that the mean shall reach [m]; the waiting time to it is given.

    Raises
    ------
    InputError : no position, or a log in motion.
    UsageError : both `expected` and `previous`, or a value out of range.
    """
    if expected is not None and previous is not None:
        raise UsageError("base: both expected coordinates and an earlier result are given; pass one of them.")
    if accuracy_m is not None and not accuracy_m > 0:
        raise UsageError(f"base: accuracy is {accuracy_m}; expected a length above 0 m.")
    record = recording if isinstance(recording, Recording) else _read(recording)
    fixes, state = _one_state(record.fixes)
    origin, points = _local(fixes)
    seconds = np.asarray((fixes.index - fixes.index[0]) / pd.Timedelta(seconds=1), dtype=np.float64)
    _refuse_motion(points, state)
    grade = grade_of(state) or "metre"
    settled = settling(points, seconds)
    steady = slice(settled.steady_from, None)
    mean = site_mean(points[:, steady], seconds[steady])
    place = tuple(float(v) for v in geodesy.from_enu(*mean.mean_m, origin=origin))
    coordinates = (place[0], place[1], place[2])
    there, against, antenna = _other(expected, previous)
    shift = None if there is None else _shift(coordinates, there, mean, grade, both_logs=previous is not None)
    named = () if shift is None else _named(shift, antenna, fixes)
    period = multipath_period(points[:, steady], seconds[steady])
    wait = None if accuracy_m is None else time_to_repeat(points[:, steady], mean, accuracy_m)
    sky = _sky(fixes)
    entered, station = _entered(record)
    facts = Facts(settled, mean, state, grade, float(seconds[-1]), fixes.index[settled.steady_from], sky, period, shift, against,
                  tuple(s.words for s in named), accuracy_m, wait)
    return BaseCheck(
        settled.settled, judged_words(facts), coordinates, mean.covariance_m2, mean.sigma_m, grade, state, fixes.index[0], fixes.index[-1],
        fixes.index[settled.steady_from], settled, mean, sky, {"period_s": period[0], "amplitude_m": period[1], "reason": period[2]},
        waiting_curve(points[:, steady], mean, reached_s=float(seconds[-1])), _thin(points, seconds), shift, against,
        tuple(s.key for s in named), _detectable(mean, grade), accuracy_m, wait, entered, station,
    )


def _read(path: str | Path) -> Recording:
    from analyzer.parsers.reading import read

    return read(path)


def _one_state(fixes: pd.DataFrame) -> tuple[pd.DataFrame, str]:
    """Return the epochs of the fix state that most of the log has."""
    placed = fixes[has_position(fixes) & fixes["height_m"].notna().to_numpy()]
    if len(placed) < 2:
        raise InputError("the base log holds fewer than two positions with an ellipsoidal height; expected a static log with GGA or GNS.")
    state = str(placed["fix_state"].astype(object).mode().iloc[0])
    return placed[(placed["fix_state"] == state).to_numpy()], state


def _local(fixes: pd.DataFrame) -> tuple[Place, Array]:
    latitude, longitude, height = (fixes[c].to_numpy(np.float64) for c in ("latitude_deg", "longitude_deg", "height_m"))
    origin = float(np.median(latitude)), float(np.median(longitude)), float(np.median(height))
    return origin, np.stack(geodesy.to_enu(latitude, longitude, height, origin=origin))


def _refuse_motion(points: Array, state: str) -> None:
    """Refuse a log in motion: a drive is no base."""
    spread = float(np.hypot(*(np.quantile(points[:2], 0.9, axis=1) - np.quantile(points[:2], 0.1, axis=1))))
    if spread > (2.0 if state in ("fixed", "float", "precise") else 40.0):
        raise InputError(f"the base log moves: its positions spread over {spread:.0f} m while the state is {state}; "
                         "expected the log of a receiver at rest.")


def _other(expected: Place | None, previous: str | Path | BaseCheck | None) -> tuple[Mapping[str, Any] | None, str, float | None]:
    """Return the place to hold the log against with its sigma and grade, what it is called, and an antenna height."""
    if expected is not None:
        if not (abs(expected[0]) <= 90 and abs(expected[1]) <= 180):
            raise UsageError(f"expected coordinates {expected}: latitude or longitude is out of range; give degrees and metres.")
        return {"place": expected, "sigma": (0.0, 0.0, 0.0), "grade": None}, "the expected coordinates", None
    if previous is None:
        return None, "", None
    content = previous.to_dict() if isinstance(previous, BaseCheck) else load_base(previous)
    place = content["coordinates"]
    told = {"place": (place["latitude_deg"], place["longitude_deg"], place["height_m"]), "sigma": content["sigma_m"], "grade": content["grade"]}
    return told, f"the log of {str(content['start_utc'])[:10]}", content.get("antenna_height_m")


def _shift(place: Place, other: Mapping[str, Any], mean: SiteMean, grade: str, *, both_logs: bool) -> Shift:
    """Return how far the log stands from another place, with what each repeats to from day to day."""
    vector = np.array([float(v) for v in geodesy.to_enu(*place, origin=other["place"])])
    spread = np.asarray(mean.covariance_m2) + _day_to_day(grade)
    if both_logs:
        spread = spread + np.diag(np.asarray(other["sigma"], dtype=np.float64) ** 2) + _day_to_day(str(other["grade"]))
    return judge_shift(vector, spread)


def _day_to_day(grade: str) -> Array:
    horizontal, vertical = class_sigma(grade)
    return np.diag([horizontal**2, horizontal**2, vertical**2])


def _named(shift: Shift, antenna: float | None, fixes: pd.DataFrame) -> tuple[Any, ...]:
    """Return the common mistakes whose size fits."""
    separation = fixes["geoid_separation_m"].median()
    return name_sizes(shift, [*antenna_suspects(antenna), *geoid_suspects(float(separation) if pd.notna(separation) else None)])


def _sky(fixes: pd.DataFrame) -> dict[str, float]:
    """Return satellites and dilution of the log; NaN where not logged."""
    least = limits()["sky.least_satellites"]
    used = fixes["satellites_used"].to_numpy(np.float64)
    used = used[np.isfinite(used)]
    out = {"used_p50": float(np.median(used)), "used_p5": float(np.quantile(used, 0.05)), "share_ge_12": float((used >= least).mean()),
           "largest": float(used.max())} if len(used) else dict.fromkeys(("used_p50", "used_p5", "share_ge_12", "largest"), float("nan"))
    for name in ("hdop", "vdop", "pdop"):
        values = fixes[name].to_numpy(np.float64)
        values = values[np.isfinite(values)]
        out[f"{name}_p95"] = float(np.quantile(values, 0.95)) if len(values) else float("nan")
    return out


def _detectable(mean: SiteMean, grade: str) -> dict[str, float | None]:
    """Return the smallest detectable shift against another such log, by kind of evidence."""
    limit = limits()
    out: dict[str, float | None] = {}
    for kind in ("metre", "half_metre", "decimetre", "centimetre"):
        spread = 2.0 * (_day_to_day(kind) + (np.asarray(mean.covariance_m2) if kind == grade else 0.0))
        out[f"base_log_{kind}"] = detectable(spread, level=limit["shift.level"], power=limit["shift.power"])[0]
    marks = np.eye(3) * limit["repeat.horizontal"] ** 2 * 2.0 / 3.0
    out["three_marks_a_day"] = detectable(marks, level=limit["shift.level"], power=limit["shift.power"])[0]
    parking = np.diag([limit["parking.horizontal"], limit["parking.horizontal"], limit["parking.vertical"]]) ** 2 * 2.0
    out["one_common_parking_place"] = detectable(parking, level=limit["shift.level"], power=limit["shift.power"])[0]
    return out | {"entered_coordinates": None, "station_id": None}


def _entered(record: Recording) -> tuple[Place | None, int | None]:
    """Return what the base sends as its position, where corrections were recorded."""
    sent = record.corrections[record.corrections["x_m"].notna()] if len(record.corrections) else record.corrections
    if not len(sent):
        return None, None
    first = sent.iloc[0]
    place = [float(v) for v in geodesy.from_ecef(first["x_m"], first["y_m"], first["z_m"])]
    station = int(first["station_id"]) if pd.notna(first["station_id"]) else None
    return (place[0], place[1], place[2]), station


def _thin(points: Array, seconds: Array) -> pd.DataFrame:
    """Return the track for a picture: at most 600 block means."""
    from analyzer.metrics.base_site import block_means

    means, edges = block_means(points, seconds, max(float(seconds[-1]) / 600.0, 1e-3))
    return pd.DataFrame({"seconds": seconds[edges], "east_m": means[0], "north_m": means[1], "up_m": means[2]})
