"""Repeat precision on marks and accuracy at known marks, in the manner of the standards."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.comparing.setups import Frames
from analyzer.metrics.base_site_shift import limits
from analyzer.metrics.repeatability import point_accuracy, precision, within_stated

Array = NDArray[np.float64]
Codes = NDArray[np.int64]


def repeat_precision(stands: pd.DataFrame, found: Frames) -> dict[str, Any]:
    """Return repeat precision on marks, and accuracy at known marks, in the manner of the standards."""
    marks = stands[stands["kind"] == "mark"] if len(stands) else stands
    fit = found.mark_fit
    if not len(marks) or marks["place"].duplicated().sum() < 1 or fit is None:
        return {"not_evaluated": "no mark was visited twice"}
    marks, group = _linked(marks, found.group, fit.shift_m)
    if not marks["place"].duplicated().any():
        return {"not_evaluated": "no mark was visited twice in linked set-ups"}
    out = _precision(marks, fit.shift_m[group], fit.repeat_m[1])
    known = marks[marks["mark_up_m"].notna().to_numpy() & (group == found.reference)]
    if len(known):
        out["check_points"] = _accuracy(known)
    return out


def _linked(marks: pd.DataFrame, group: Codes, shifts: Array) -> tuple[pd.DataFrame, Codes]:
    """Return the stands whose set-ups common marks link to the reference, and the set-up of each."""
    own = np.asarray(group[marks["run"].to_numpy(np.int64)], dtype=np.int64)
    linked = (own < len(shifts)) & np.isfinite(shifts[np.minimum(own, len(shifts) - 1)]).all(axis=1)
    return marks[linked], own[linked]


def _precision(marks: pd.DataFrame, shift_m: Array, stated_height_m: float) -> dict[str, Any]:
    """Return the repeat precision of stands, shifts of the base (n, 3) taken off, with its tests."""
    points = marks[["east_m", "north_m", "up_m"]].to_numpy(np.float64) - shift_m
    result = precision(points, marks["place"].to_numpy())
    stated = limits()["repeat.horizontal"] * float(np.sqrt(2.0))
    tests = [
        within_stated(result.s_horizontal_m, stated, result.horizontal_degrees, key="s_horizontal"),
        within_stated(result.s_height_m, stated_height_m, result.height_degrees, key="s_height"),
    ]
    return {
        "method": "in the manner of ISO 17123-8: each stand on a mark is one reading, shifts of the base taken "
        "off; precision, not accuracy",
        "readings": len(marks),
        "s_horizontal_m": result.s_horizontal_m,
        "s_height_m": result.s_height_m,
        "degrees": [result.horizontal_degrees, result.height_degrees],
        "tests": [{"key": t.key, "passed": t.passed, "words": t.words} for t in tests],
    }


def _accuracy(known: pd.DataFrame) -> dict[str, Any]:
    """Return the accuracy at known marks: the mean of each mark's stands against its coordinates."""
    off = known[["east_m", "north_m", "up_m"]].to_numpy(np.float64) - known[
        ["mark_east_m", "mark_north_m", "mark_up_m"]
    ].to_numpy(np.float64)
    accuracy = point_accuracy(pd.DataFrame(off).groupby(known["place"].to_numpy()).mean().to_numpy())
    few = "" if accuracy.enough else "fewer than the 20 check points that the NSSDA asks for"
    return {
        "n": accuracy.n,
        "horizontal_95_m": accuracy.horizontal_95_m,
        "vertical_95_m": accuracy.vertical_95_m,
        "enough": accuracy.enough,
        "reason": accuracy.horizontal_reason or few,
        "set_up": "reference",
        "method": "in the manner of the NSSDA (FGDC-STD-007.3-1998)",
    }
