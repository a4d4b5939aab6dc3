"""What a base log is held against, and what would show a moved antenna."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import geodesy
from analyzer.comparing.given_bases import load_base
from analyzer.errors import UsageError
from analyzer.metrics.base_site import SiteMean, class_sigma
from analyzer.metrics.base_site_shift import (
    Shift,
    Suspect,
    antenna_suspects,
    detectable,
    geoid_suspects,
    judge_shift,
    limits,
    name_sizes,
    place_suspects,
)

Array = NDArray[np.float64]
Place = tuple[float, float, float]


@dataclass(frozen=True)
class Stated:
    """What is stated about a site beside its log.

    Attributes
    ----------
    expected : where the antenna should stand; None where an earlier log or nothing is given.
    previous : the content of an earlier base.json, or its folder.
    antenna_height_m : of the antenna above its mark [m].
    neighbours : other marks and bases by name.
    """

    expected: Place | None
    previous: Mapping[str, Any] | str | Path | None
    antenna_height_m: float | None
    neighbours: Mapping[str, Place]


@dataclass(frozen=True)
class Held:
    """How far a log stands from what it is held against, and the common mistakes of that size; no shift without it."""

    shift: Shift | None
    against: str
    named: tuple[Suspect, ...] = ()


def hold_against(stated: Stated, place: Place, mean: SiteMean, *, grade: str, fixes: pd.DataFrame) -> Held:
    """Return how far the mean of a log stands from the expected place or the log before."""
    if stated.expected is not None:
        _refuse_mistyped(stated.expected, place)
    there, against = other_place(stated.expected, stated.previous)
    if there is None:
        return Held(None, against)
    shift = log_shift(place, there, mean, grade, both_logs=stated.previous is not None)
    named = named_shift(
        shift,
        there["place"],
        fixes,
        antenna_height_m=stated.antenna_height_m,
        neighbours=stated.neighbours,
    )
    return Held(shift, against, named)


def _refuse_mistyped(expected: Place, place: Place) -> None:
    """Refuse expected coordinates that fit the log only where two are swapped, or the height is taken in another unit."""
    latitude, longitude, height = expected
    if not (abs(latitude) <= 90 and abs(longitude) <= 180):
        return
    near = limits()["expected.near_m"]
    stands = f"the log stands at {place[0]:.6f},{place[1]:.6f},{place[2]:.2f}"
    if abs(longitude) <= 90 and _apart(expected, place) > near > _apart((longitude, latitude, height), place):
        raise UsageError(
            f"expected coordinates {latitude:g},{longitude:g},{height:g}: latitude {latitude:g} and longitude {longitude:g} "
            f"are swapped, since {stands}; give {longitude:g},{latitude:g},{height:g}."
        )
    for unit, size in (("centimetres", 100.0), ("millimetres", 1000.0)):
        off, other = abs(height - place[2]), abs(height / size - place[2])
        if _apart(expected, place) <= near and off > limits()["expected.far_up_m"] and other < limits()["expected.near_up_m"]:
            raise UsageError(
                f"expected coordinates {latitude:g},{longitude:g},{height:g}: the height {height:g} fits in {unit} only, "
                f"since {stands}; give metres, {height / size:g}."
            )


def _apart(one: Place, other: Place) -> float:
    """Return the horizontal distance of two places [m]."""
    east, north, _ = (float(v) for v in geodesy.to_enu(*one, origin=other))
    return float(np.hypot(east, north))


def other_place(
    expected: Place | None, previous: Mapping[str, Any] | str | Path | None
) -> tuple[Mapping[str, Any] | None, str]:
    """Return the place to hold the log against with its sigma and grade, and what it is called."""
    if expected is not None:
        if not (abs(expected[0]) <= 90 and abs(expected[1]) <= 180 and np.isfinite(expected[2])):
            number = f"longitude {expected[1]:g}" if abs(expected[0]) <= 90 else f"latitude {expected[0]:g}"
            raise UsageError(
                f"expected coordinates {expected}: the {number} is out of range; give degrees and metres."
                if np.isfinite(expected[2])
                else f"expected coordinates {expected}: the height is missing; give degrees and metres."
            )
        return {"place": expected, "sigma": (0.0, 0.0, 0.0), "grade": None}, "the expected coordinates"
    if previous is None:
        return None, ""
    content = previous if isinstance(previous, Mapping) else load_base(previous)
    place = content["coordinates"]
    told = {
        "place": (place["latitude_deg"], place["longitude_deg"], place["height_m"]),
        "sigma": content["sigma_m"],
        "grade": content["grade"],
    }
    return told, f"the log of {str(content['start_utc'])[:10]}"


def log_shift(place: Place, other: Mapping[str, Any], mean: SiteMean, grade: str, *, both_logs: bool) -> Shift:
    """Return how far the log stands from another place, with what each repeats to from day to day."""
    vector = np.array([float(v) for v in geodesy.to_enu(*place, origin=other["place"])])
    spread = np.asarray(mean.covariance_m2) + _day_to_day(grade)
    if both_logs:
        spread = spread + np.diag(np.asarray(other["sigma"], dtype=np.float64) ** 2) + _day_to_day(str(other["grade"]))
    return judge_shift(vector, spread)


def _day_to_day(grade: str) -> Array:
    horizontal, vertical = class_sigma(grade)
    return np.diag([horizontal**2, horizontal**2, vertical**2])


def named_shift(
    shift: Shift, there: Place, fixes: pd.DataFrame, *, antenna_height_m: float | None, neighbours: Mapping[str, Place]
) -> tuple[Suspect, ...]:
    """Return the common mistakes whose size fits: the vector is where the antenna stands less where it should."""
    separation = fixes["geoid_separation_m"].median()
    sized = [*antenna_suspects(antenna_height_m), *geoid_suspects(float(separation) if pd.notna(separation) else None)]
    turned = [Suspect(s.key, (-s.vector_m[0], -s.vector_m[1], -s.vector_m[2]), s.words) for s in sized]
    others = [(n, [float(v) for v in geodesy.to_enu(*p, origin=there)]) for n, p in neighbours.items()]
    swapped = {"coordinates_of_neighbour": "antenna_at_neighbour", "antenna_at_neighbour": "coordinates_of_neighbour"}
    places = [Suspect(s.key, s.vector_m, s.words) for s in place_suspects(np.zeros(3), others) if s.key in swapped]
    turned += [Suspect(swapped[s.key], s.vector_m, _swap(s.words)) for s in places]
    return name_sizes(shift, turned)


def _swap(words: str) -> str:
    """Return the words of a place for a vector that is a move of the antenna, not of positions."""
    name = (
        words.removeprefix("the coordinates of ").split(" were entered")[0]
        if words.startswith("the coordinates of ")
        else words.removeprefix("the antenna stands at ").split(" while")[0]
    )
    return (
        f"the antenna stands at {name}"
        if words.startswith("the coordinates of ")
        else f"the expected coordinates are those of {name}"
    )


def sky_figures(fixes: pd.DataFrame) -> dict[str, float]:
    """Return satellites and dilution of the log; NaN where not logged."""
    least = limits()["sky.least_satellites"]
    used = fixes["satellites_used"].to_numpy(np.float64)
    used = used[np.isfinite(used)]
    out = (
        {
            "used_p50": float(np.median(used)),
            "used_p5": float(np.quantile(used, 0.05)),
            "share_ge_12": float((used >= least).mean()),
            "largest": float(used.max()),
        }
        if len(used)
        else dict.fromkeys(("used_p50", "used_p5", "share_ge_12", "largest"), float("nan"))
    )
    for name in ("hdop", "vdop", "pdop"):
        values = fixes[name].to_numpy(np.float64)
        values = values[np.isfinite(values)]
        out[f"{name}_p95"] = float(np.quantile(values, 0.95)) if len(values) else float("nan")
    return out


def detectable_sizes(mean: SiteMean, grade: str) -> dict[str, float | None]:
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
