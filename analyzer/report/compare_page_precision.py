"""Repeat precision on marks, as a part of the page of a comparison."""

from __future__ import annotations

from analyzer import wording
from analyzer.comparing.result import Comparison
from analyzer.report.model import Section


def precision_part(comparison: Comparison) -> Section:
    """Return the part on repeat precision and on accuracy at known marks."""
    told = comparison.precision
    if "not_evaluated" in told:
        return Section("precision", "Repeat precision on marks", (f"Not evaluated: {told['not_evaluated']}.",))
    lines = [
        wording.sentence(str(told["method"])),
        f"{told['readings']} readings: {wording.length(told['s_horizontal_m'])} horizontally, "
        f"{wording.length(told['s_height_m'])} in height (1 sigma).",
    ]
    items = [f"{wording.words(t['key'])}: {t['words']}" for t in told["tests"]]
    marks = told.get("check_points")
    if marks:
        horizontal = "not given" if marks["horizontal_95_m"] is None else wording.length(marks["horizontal_95_m"])
        items.append(
            f"Accuracy at {wording.count(marks['n'], 'known mark')} at 95 %, {marks['method']}: horizontal "
            f"{horizontal}, vertical "
            f"{wording.length(marks['vertical_95_m'])}" + (f"; {marks['reason']}" if marks["reason"] else "")
        )
    return Section("precision", "Repeat precision on marks", tuple(lines), tuple(items))
