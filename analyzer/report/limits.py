"""The limits of a purpose as a picture and a sentence need them: 95 % figures by axis."""

from __future__ import annotations

from analyzer.assessment import Purpose
from analyzer.verdict.purposes import limit_95

#: Axes in the order in which a picture chooses what to show, with the column of the bound.
BOUND_COLUMNS = {
    "horizontal": "horizontal_bound_m",
    "across": "across_bound_m",
    "along": "along_bound_m",
    "vertical": "vertical_bound_m",
}


def axis_limits(purpose: Purpose) -> dict[str, float]:
    """Return the position limits of `purpose` as 95 % figures [m] by axis."""
    return {x.axis: limit_95(x) for x in purpose.limits if x.quantity == "position"}


def shown_axis(purpose: Purpose) -> str:
    """Return the axis whose bound is drawn: the first that `purpose` limits, else horizontal."""
    limited = axis_limits(purpose)
    return next((axis for axis in BOUND_COLUMNS if axis in limited), "horizontal")
