"""Change over time and the runs themselves, as parts of the page of a comparison."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from analyzer import wording
from analyzer.comparing.changes import direction
from analyzer.comparing.result import Comparison
from analyzer.comparing.rows import records
from analyzer.report.model import Section, Table

#: Comparisons of two days that the table shows where nothing was found; a change that was found always stands in it.
MOST_CHANGES = 12


def over_time_part(comparison: Comparison) -> Section:
    """Return the part on change between days and over many runs."""
    # what many runs show together outweighs what two days do
    lines = [wording.sentence(str(w)) for w in (*_found(comparison.trends), *_found(comparison.changes))]
    if not lines:
        lines = [
            "No change between days beyond chance was found."
            if len(comparison.changes)
            else f"{_why_none(comparison)}; nothing is compared over days."
        ]
    # surest first: what was found is in it
    shown = comparison.changes.head(max(MOST_CHANGES, len(_found(comparison.changes))))
    left = len(comparison.changes) - len(shown)
    rows = tuple(map(_change_row, records(shown)))
    table = Table(
        "Change between days: rank test with effective sample sizes, adjusted for the number of tests (Holm)",
        ("figure", "from", "to", "before", "after", "direction", "p", "independent samples"),
        rows,
        frozenset({3, 4, 6, 7}),
        note=f"{wording.count(left, 'further comparison')} of two days without a change beyond chance in changes.csv." if left else "",
    )
    return Section("over-time", "Over time", items=tuple(lines), tables=(table,) if rows else ())


def _why_none(comparison: Comparison) -> str:
    """Say why no two days were held against each other."""
    if len(set(comparison.runs["day"])) == 1:
        return "The runs are of one day"
    return "No two days have runs of one route with figures in motion"


def _found(tested: pd.DataFrame) -> pd.Series:
    """Return in words what was found beyond chance."""
    return tested["words"][tested["found"].astype(bool)] if len(tested) else tested["words"]


def _change_row(row: Any) -> tuple[str, ...]:
    """Return the row of one quantity between two days."""
    return (
        str(row.label),
        str(row.from_day),
        str(row.to_day),
        _figure(row.from_value, row.unit),
        _figure(row.to_value, row.unit),
        direction(bool(row.found), bool(row.worse), alike=row.from_value == row.to_value),
        f"{row.p_holm:.2g}",
        f"{row.n_eff_from:.0f}, {row.n_eff_to:.0f}",
    )


def _figure(value: float, unit: str) -> str:
    if pd.isna(value):
        return wording.ABSENT
    if unit == "m":
        return wording.length(float(value))
    return wording.duration(float(value)) if unit == "s" else f"{value:.3g}"


def runs_part(comparison: Comparison) -> Section:
    """Return the part with one row per run."""
    table = Table(
        "Runs, in motion, with 95 % intervals",
        (
            "run",
            "day",
            "verdict",
            "frame",
            "trusted",
            "fixed",
            "bound (95 %)",
            "age (95 %)",
            "dropouts",
            "on the common path",
            "base known from",
        ),
        tuple(map(_run_row, records(comparison.runs))),
        frozenset(range(4, 10)),
    )
    return Section("runs", "The runs", tables=(table,))


def _run_row(row: Any) -> tuple[str, ...]:
    """Return the row of one run."""
    return (
        str(row.run),
        str(row.day),
        wording.words(row.verdict),
        wording.words(row.frames),
        _ranged(row.share_trusted, row.share_trusted_low, row.share_trusted_high),
        _ranged(row.share_fixed, row.share_fixed_low, row.share_fixed_high),
        _figure(row.bound_p95_m, "m"),
        _figure(row.age_p95_s, "s"),
        str(row.dropouts),
        f"{100 * row.share_common_cells:.0f} %",
        str(row.base_source),
    )


def _ranged(value: float, low: float, high: float) -> str:
    if not np.isfinite(value):
        return wording.ABSENT
    return f"{wording.share(float(value))} ({100 * low:.0f}–{100 * high:.0f})"
