"""Stands of different points of the car brought to one point: a run may log the antenna, another its reference point.

Which point a run logs, and where its antenna is, stand in the set-up sheet that a result folder keeps. What these and
the heights above the marks do not settle is left out of the comparison and said.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.recording import Finding
from analyzer.settings import thresholds

if TYPE_CHECKING:
    from analyzer.comparing.runs import Run

Array = NDArray[np.float64]
ANTENNA, REFERENCE = "antenna", "reference point"


@dataclass(frozen=True)
class Logged:
    """The point of the car that a run logs; None or NaN where the set-up sheet does not say.

    Attributes
    ----------
    point : ``antenna`` or ``reference point``.
    name : what the reference point is.
    vehicle : which car it was.
    arm_m : from the reference point to the antenna, forward, left, up [m].
    """

    point: str | None = None
    name: str = ""
    vehicle: str = ""
    arm_m: tuple[float, float, float] = (np.nan, np.nan, np.nan)

    def same(self, other: Logged) -> bool:
        """Whether both are one point of a car; a reference point without a name may be any."""
        if self.point != other.point:
            return False
        return self.point != REFERENCE or not (self.name and other.name) or self.name == other.name


@dataclass(frozen=True)
class OnePoint:
    """Stands of one point of the car, the runs `apart` whose stands on marks could not be brought to it, and both in words."""

    stands: pd.DataFrame
    apart: frozenset[int] = frozenset()
    findings: tuple[Finding, ...] = ()


def logged_point(setup: Mapping[str, Any]) -> Logged:
    """Return which point of the car a run logs, from the set-up sheet kept in its summary."""
    point = {"antenna": ANTENNA, "reference_point": REFERENCE}.get(str(setup.get("output_point")))
    stated = [setup.get(f"antenna_{axis}_m") for axis in ("forward", "left", "up")]
    forward, left, up = (float("nan") if v is None else float(v) for v in stated)
    name, vehicle = (str(setup.get(key) or "").strip().casefold() for key in ("reference_point", "vehicle"))
    return Logged(point, name, vehicle, (forward, left, up))


def to_one_point(
    stands: pd.DataFrame, runs: Sequence[Run], *, reference: int, shifts: Sequence[Array]
) -> OnePoint:
    """Return the stands of all runs brought to one point of the car.

    Parameters
    ----------
    stands : layout of `analyzer.comparing.stands.COLUMNS`, stands on marks named.
    runs : all runs by index.
    reference : index of the run whose point is kept where nothing else decides.
    shifts : (3,) per run, the entered base difference [m].

    The point is the one to which the most runs come; among these, that which stood on the marks, whose stands at one
    mark lie together however the car faced; among these, that which the fewest have to be moved to.
    """
    own = {int(i): runs[int(i)].logged for i in pd.unique(stands["run"])}
    if not own:
        return OnePoint(stands)
    stated = [p for p in (runs[reference].logged, *own.values()) if p.point is not None]
    targets = [*stated, replace(stated[0], point=ANTENNA)] if stated else [Logged()]
    tried = [_brought(stands, own, target, runs, shifts) for target in targets]
    best = min(tried, key=lambda one: (len(one.apart), _apart_on_marks(one.stands, shifts), len(one.findings)))
    return replace(best, stands=_over_marks(best.stands, own))


def _brought(
    stands: pd.DataFrame, own: Mapping[int, Logged], target: Logged, runs: Sequence[Run], shifts: Sequence[Array]
) -> OnePoint:
    """Return the stands brought to the point `target`."""
    parts, findings, apart = [], [], set[int]()
    at_target = stands[[own[int(i)].same(target) and one_car(own[int(i)], target) for i in stands["run"]]]
    above_m = float(at_target["above_m"].median()) if at_target["above_m"].notna().any() else float("nan")
    for index, logged in own.items():
        rows = stands[stands["run"] == index]
        moved, why = _moved(rows, logged, target, above_m)
        if not why and not logged.same(target):
            why = _nearer_as_logged(rows, moved, at_target, shifts)
        if why:
            on_mark = bool((rows["kind"] == "mark").any())
            apart |= {index} if on_mark else set()
            findings.append(_left_out(runs[index], why, on_mark=on_mark))
            continue
        parts.append(moved)
        if logged.point is not None and not logged.same(target):
            findings.append(_taken_over(runs[index], logged, target))
    table = pd.concat(parts, ignore_index=True) if parts else stands.iloc[:0]
    return OnePoint(table, frozenset(apart), tuple(findings))


def _apart_on_marks(stands: pd.DataFrame, shifts: Sequence[Array]) -> int:
    """Return how far the stands on one mark lie from their mean at most, in steps of the shortest arm that tells."""
    marks = _as_entered_at_reference(stands[stands["kind"] == "mark"], shifts)
    if not len(marks):
        return 0
    away = marks[["east_m", "north_m"]] - marks.groupby("place")[["east_m", "north_m"]].transform("mean")
    return int(np.hypot(away["east_m"], away["north_m"]).max() / thresholds("analyzer.comparing")["point.least_arm_m"])


def _as_entered_at_reference(rows: pd.DataFrame, shifts: Sequence[Array]) -> pd.DataFrame:
    """Return stands less the entered base difference of their run."""
    return rows.assign(
        east_m=rows["east_m"] - [shifts[int(i)][0] for i in rows["run"]],
        north_m=rows["north_m"] - [shifts[int(i)][1] for i in rows["run"]],
    )


def one_car(one: Logged, other: Logged) -> bool:
    """Whether the sheets do not name two cars."""
    return not (one.vehicle and other.vehicle) or one.vehicle == other.vehicle


def _moved(rows: pd.DataFrame, logged: Logged, target: Logged, above_m: float) -> tuple[pd.DataFrame, str]:
    """Return the stands of one run at the point `target`, or in words why they cannot be brought there.

    `above_m` is the stated height above a mark at which `target` stands, NaN where none is.
    """
    own_m = rows["above_m"].to_numpy(np.float64)
    agree_m = thresholds("analyzer.comparing")["point.agree_m"]
    arm = np.zeros(3)
    if logged.point is None and target.point is not None:
        if not (np.abs(own_m[np.isfinite(own_m)] - above_m) <= agree_m).any():
            return rows, "its set-up sheet does not say which point of the car it logs (output_point)"
    elif not logged.same(target):
        arm, why = _arm(rows, logged, target, above_m)
        if why:
            return rows, why
    left = own_m + arm[2] - above_m
    means_target = np.abs(own_m - above_m) <= agree_m
    left = np.where(means_target, own_m - above_m, left)
    lift = np.where(means_target, 0.0, arm[2])
    out = _shifted(rows, arm, lift)
    if not one_car(logged, target):
        if not np.isfinite(left).all():
            return rows, "it was driven with another car, and the heights above the marks are not stated for both cars"
        return out.assign(up_m=out["up_m"] - left, mark_up_m=out["mark_up_m"] - left), ""
    if not logged.same(target) and (np.abs(left[np.isfinite(left)]) > agree_m).any():
        return rows, (
            f"the heights above the marks and the antenna offset of its set-up sheet contradict each other by "
            f"{np.nanmax(np.abs(left)):.2f} m"
        )
    return out, ""


def _arm(rows: pd.DataFrame, logged: Logged, target: Logged, above_m: float) -> tuple[Array, str]:
    """Return the way from the logged point to `target` (forward, left, up) [m], or in words why it is not known."""
    if logged.point == target.point:
        return np.zeros(3), f"its reference point is {logged.name}, that of the others {target.name}"
    if target.point == REFERENCE and logged.name and target.name and logged.name != target.name:
        return np.zeros(3), f"its antenna offset is from {logged.name}, the others log {target.name}"
    arm = np.asarray(logged.arm_m) * (1.0 if target.point == ANTENNA else -1.0)
    if not np.isfinite(arm[2]):
        arm[2] = above_m - float(rows["above_m"].median())
    if not np.isfinite(arm).all():
        return arm, "its set-up sheet does not state the antenna offset (antenna_forward_m, antenna_left_m, antenna_up_m)"
    if np.hypot(*arm[:2]) > 0 and rows["heading_deg"].isna().any():
        return arm, "the direction of the car on its stands is not known (heading_deg)"
    return arm, ""


def _turned(heading_deg: Array, arm: Array) -> tuple[Array, Array]:
    """Return a way (forward, left) in east and north [m] for each heading, clockwise from north."""
    psi = np.radians(heading_deg)
    return np.sin(psi) * arm[0] - np.cos(psi) * arm[1], np.cos(psi) * arm[0] + np.sin(psi) * arm[1]


def _shifted(rows: pd.DataFrame, arm: Array, lift: Array) -> pd.DataFrame:
    """Return stands moved by `arm` on the car; `lift` is what their known heights are raised by."""
    if not arm.any():
        return rows
    east, north = _turned(np.nan_to_num(rows["heading_deg"].to_numpy(np.float64)), arm)
    return rows.assign(
        east_m=rows["east_m"] + east,
        north_m=rows["north_m"] + north,
        up_m=rows["up_m"] + arm[2],
        mark_up_m=rows["mark_up_m"] + lift,
    )


def _nearer_as_logged(rows: pd.DataFrame, moved: pd.DataFrame, others: pd.DataFrame, shifts: Sequence[Array]) -> str:
    """Say where stands on marks lie nearer to those of the other runs as logged than brought to the one point.

    Then the logged point may have stood over the marks each time, and not one point of the car.
    """
    step = np.hypot(rows["east_m"] - moved["east_m"], rows["north_m"] - moved["north_m"])
    if not step.max() >= thresholds("analyzer.comparing")["point.least_arm_m"]:
        return ""
    places = _as_entered_at_reference(others[others["kind"] == "mark"], shifts)
    mean = places.groupby("place")[["east_m", "north_m"]].mean()
    off = [_distance(one, mean, shifts[int(rows["run"].iloc[0])]) for one in (rows, moved)]
    if off[0] < off[1]:
        return (
            f"its stands on the marks lie nearer to those of the others as logged ({off[0]:.2f} m) than brought to one "
            f"point by the set-up sheet ({off[1]:.2f} m), so which point of the car stood on the marks is not known"
        )
    return ""


def _distance(rows: pd.DataFrame, mean: pd.DataFrame, shift: Array) -> float:
    """Return how far stands lie from the places `mean` (root mean square) [m]; NaN without a common one."""
    own = rows[rows["place"].isin(mean.index) & (rows["kind"] == "mark")]
    there = mean.reindex(own["place"])
    away = np.hypot(
        own["east_m"].to_numpy() - shift[0] - there["east_m"].to_numpy(),
        own["north_m"].to_numpy() - shift[1] - there["north_m"].to_numpy(),
    )
    return float(np.sqrt(np.mean(away**2))) if len(away) else float("nan")


def _over_marks(stands: pd.DataFrame, own: Mapping[int, Logged]) -> pd.DataFrame:
    """Return the stands with known places of the point that is compared, where the other point stood over the marks.

    As for one run: the other point is taken where it leaves half of the offsets or less.
    """
    for index, logged in own.items():
        arm = np.asarray(logged.arm_m)
        at = (stands["run"] == index) & stands["mark_east_m"].notna() & stands["heading_deg"].notna()
        if not at.any() or not np.hypot(*arm[:2]) >= thresholds("analyzer.comparing")["point.least_arm_m"]:
            continue
        rows = stands[at]
        east, north = _turned(rows["heading_deg"].to_numpy(np.float64), arm)
        off_e, off_n = rows["east_m"] - rows["mark_east_m"], rows["north_m"] - rows["mark_north_m"]
        size = np.hypot(off_e, off_n).max()
        sign = min((1.0, -1.0), key=lambda s: np.hypot(off_e - s * east, off_n - s * north).max())
        if np.hypot(off_e - sign * east, off_n - sign * north).max() <= 0.5 * size:
            stands = stands.copy()
            stands.loc[at, "mark_east_m"] += sign * east
            stands.loc[at, "mark_north_m"] += sign * north
    return stands


def _taken_over(run: Run, logged: Logged, target: Logged) -> Finding:
    """Say that the stands of a run are brought to another point of the car than it logs."""
    forward, left, up = logged.arm_m
    text = (
        f"The stands of {run.name} are of the {logged.point} of the car and are brought to the {target.point} by its "
        f"set-up sheet (antenna {forward:+z.3f} m forward, {left:+z.3f} m left, {up:+z.3f} m up) to be held against others; "
        "this takes one point of the car to have stood on the marks each time"
    )
    return Finding("stands_brought_to_one_point", "note", text, {"run": run.name})


def _left_out(run: Run, why: str, *, on_mark: bool) -> Finding:
    """Say that the stands of a run are not compared; without one on a mark little is lost."""
    text = (
        f"The stands of {run.name} are not held against those of the other runs: {why}. Whether its base was moved is "
        "not evaluated from them"
    )
    return Finding("stands_not_compared", "problem" if on_mark else "note", text, {"run": run.name})
