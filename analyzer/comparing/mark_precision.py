"""Repeat precision on marks and accuracy at known marks, in the manner of the standards."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.comparing.frames import Frames
from analyzer.metrics.base_site_shift import limits
from analyzer.metrics.repeatability import point_accuracy, precision, within_stated

if TYPE_CHECKING:
    pass

Array = NDArray[np.float64]


def repeat_precision(stands: pd.DataFrame, found: Frames) -> dict[str, Any]:
    """Return repeat precision on marks, and accuracy at known marks, in the manner of the standards."""
    marks = stands[stands["kind"] == "mark"] if len(stands) else stands
    limit = limits()
    if not len(marks) or marks["place"].duplicated().sum() < 1 or found.mark_fit is None:
        return {"not_evaluated": "no mark was visited twice"}
    shifts = found.mark_fit.shift_m
    group = found.group[marks["run"].to_numpy(np.int64)]
    linked = (group < len(shifts)) & np.isfinite(shifts[np.minimum(group, len(shifts) - 1)]).all(axis=1)
    marks, group = marks[linked], group[linked]
    if not marks["place"].duplicated().any():
        return {"not_evaluated": "no mark was visited twice in linked set-ups"}
    points = marks[["east_m", "north_m", "up_m"]].to_numpy(np.float64) - shifts[group]
    result = precision(points, marks["place"].to_numpy())
    stated = limit["repeat.horizontal"] * float(np.sqrt(2.0))
    tests = [
        within_stated(result.s_horizontal_m, stated, result.horizontal_degrees, key="s_horizontal"),
        within_stated(result.s_height_m, found.mark_fit.repeat_m[1], result.height_degrees, key="s_height"),
    ]
    out: dict[str, Any] = {
        "method": "in the manner of ISO 17123-8: each stand on a mark is one reading, shifts of the base taken "
        "off; precision, not accuracy",
        "readings": len(marks),
        "s_horizontal_m": result.s_horizontal_m,
        "s_height_m": result.s_height_m,
        "degrees": [result.horizontal_degrees, result.height_degrees],
        "tests": [{"key": t.key, "passed": t.passed, "words": t.words} for t in tests],
    }
    known = marks[marks["mark_up_m"].notna().to_numpy() & (group == found.reference)]
    if len(known):
        off = known[["east_m", "north_m", "up_m"]].to_numpy(np.float64) - known[
            ["mark_east_m", "mark_north_m", "mark_up_m"]
        ].to_numpy(np.float64)
        means = pd.DataFrame(off).groupby(known["place"].to_numpy()).mean().to_numpy()
        accuracy = point_accuracy(means)
        out["check_points"] = {
            "n": accuracy.n,
            "horizontal_95_m": accuracy.horizontal_95_m,
            "vertical_95_m": accuracy.vertical_95_m,
            "enough": accuracy.enough,
            "reason": accuracy.horizontal_reason
            or ("" if accuracy.enough else "fewer than the 20 check points that the NSSDA asks for"),
            "set_up": "reference",
            "method": "in the manner of the NSSDA (FGDC-STD-007.3-1998)",
        }
    return out
