"""Which point of the car stood over the marks: a file of known marks can mean the antenna or the reference point."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.evidence import check_point_words as words
from analyzer.evidence.check_point_offsets import car_to_earth, separate
from analyzer.evidence.check_point_stands import limits
from analyzer.evidence.check_point_words import Height
from analyzer.recording import Finding
from analyzer.userfiles.setup_sheet import Setup

Floats = NDArray[np.float64]
PLAN = ["offset_e_m", "offset_n_m"]


def point_over_mark(table: pd.DataFrame, setup: Setup) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the stands with offsets to the point of the car that stood over the mark, and what had to be assumed.

    Where the stated antenna offset explains the stands clearly better than none (half the size or less, or all of it but for one sign),
    the other point is taken to have stood over the mark; likewise the height, where nothing beyond its uncertainty is left: a height that
    fits no known point is an error to be named, not one to be explained away. Stands whose heading is not known cannot say so: their
    offsets in plan are then not known, and neither are they where no heading is known and all are as long as the antenna offset.
    """
    arm = np.array([setup.antenna_forward_m, setup.antenna_left_m, setup.antenna_up_m], dtype=np.float64)
    sign = -1.0 if setup.output_point == "reference_point" else 1.0
    if not len(table):
        return table, []
    table, findings = table.copy(), []
    if np.isfinite(arm[:2]).all() and np.hypot(*arm[:2]) >= limits()["separate.arm"]:
        findings += _plan(table, sign * arm[:2], setup.output_point)
    up = table["offset_u_m"].to_numpy(np.float64)
    if np.isfinite(up).any() and np.isfinite(arm[2]) and abs(arm[2]) >= limits()["separate.arm"]:
        other = up - sign * arm[2]
        left = height_error(used_of(table.assign(offset_u_m=other)))
        fits = left is not None and not left.significant
        if fits and np.nanmax(np.abs(other)) <= 0.5 * np.nanmax(np.abs(up)):
            table["offset_u_m"] = other
            findings.append(words.assumed_height(setup.output_point, float(arm[2])))
    return table, findings


def _plan(table: pd.DataFrame, arm_m: Floats, output_point: str | None) -> list[Finding]:
    """Move the offsets in plan of `table` to the other point where that fits better; `arm_m` leads from it to the logged one."""
    heading, plan = table["heading_deg"].to_numpy(np.float64), table[PLAN].to_numpy(np.float64)
    used, known = table["used"].to_numpy(bool), np.isfinite(heading)
    said = used & known
    if not said.any():
        half = np.hypot(*table[["half_e_m", "half_n_m"]].to_numpy(np.float64).T)
        as_long = np.abs(np.hypot(*plan.T) - np.hypot(*arm_m)) <= np.maximum(half, limits()["size.tolerance"])
        if used.any() and as_long[used].all():
            table[PLAN] = np.nan
        return []
    other, but_for = _other_point(plan[said], heading[said], arm_m, reach=_reach(table[said]))
    if not other:
        return []
    table.loc[known, PLAN] = plan[known] - car_to_earth(heading[known]) @ arm_m
    table.loc[~known, PLAN] = np.nan
    left = separate(used_of(table))
    fits = left is None or not any(o.significant for o in (left.earth, left.car) if o is not None)
    return [words.assumed_plan(output_point, float(np.hypot(*arm_m)), fits=fits, but_for=but_for)]


def _reach(stands: pd.DataFrame) -> float:
    return float(max(limits()["size.tolerance"], stands[["half_e_m", "half_n_m"]].to_numpy(np.float64).max()))


def _other_point(plan_m: Floats, heading_deg: Floats, arm_m: Floats, *, reach: float) -> tuple[bool, str]:
    """Return whether the other point stood over the marks, and the axis of `arm_m` whose sign must be turned for that."""
    turn = car_to_earth(heading_deg)
    size = float(np.hypot(*plan_m.T).max())
    if float(np.hypot(*(plan_m - turn @ arm_m).T).max()) <= 0.5 * size:
        return True, ""
    if np.abs(arm_m).min() < limits()["size.least"]:
        return False, ""
    for axis, flip in (("forward", (-1.0, 1.0)), ("left", (1.0, -1.0))):
        if np.abs(plan_m - turn @ (arm_m * flip)).max() <= reach:
            return True, axis
    return False, ""


def used_of(table: pd.DataFrame) -> pd.DataFrame:
    """Return the stands that say something of centimetres."""
    return table[table["used"].astype(bool)] if len(table) else table


def height_error(stands: pd.DataFrame) -> Height | None:
    """Return the mean height error of `stands` weighted by their sigmas, None where no height difference is known.

    The survey of one mark and the antenna height are common to its stands: the mean is never taken as better than one
    stand's known part, so its sigma is the smallest single one.
    """
    known = stands[np.isfinite(stands["offset_u_m"].to_numpy(np.float64))] if len(stands) else stands
    if not len(known):
        return None
    value, sigma = known["offset_u_m"].to_numpy(np.float64), known["sigma_u_m"].to_numpy(np.float64)
    weight = sigma**-2.0
    mean = float(np.sum(weight * value) / weight.sum())
    scatter = float(np.sqrt(np.sum(weight * (value - mean) ** 2) / max(len(value) - 1, 1) / weight.sum()))
    return Height(mean, float(1.959963984540054 * max(sigma.min(), scatter)), len(value))
