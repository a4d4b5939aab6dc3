"""A judged run as compact HTML, the way a notebook shows an object: no script, no outer style."""

from __future__ import annotations

import numpy as np
import pandas as pd
from markupsafe import Markup

from analyzer import wording
from analyzer.assessment import Assessment
from analyzer.html_table import items, table
from analyzer.report import losses, summary
from analyzer.report.palette import DASH, colour
from analyzer.verdict.headline import headline_of
from analyzer.wording import Clock

#: Dropouts that are listed; the rest is counted.
MOST_ROWS = 8
_TRUST_OF_LEVEL = {"fit": "trusted", "fit_with_exclusions": "doubtful", "not_fit": "rejected"}


def assessment_html(assessment: Assessment) -> str:
    """Return run, verdict, what to drive again, how good the positions are and the dropouts."""
    trust = _TRUST_OF_LEVEL.get(assessment.verdict.level, "not_evaluated")
    edge = "dashed" if DASH[trust] else "solid"
    parts = [
        Markup('<div style="border-left:6px {} {};padding-left:12px;max-width:60rem">').format(edge, colour(f"trust-{trust}")),
        Markup("<div>{}</div>").format(summary.run_line(assessment, Clock())),
        Markup('<div style="font-size:1.25em;font-weight:600;margin:4px 0">{}. {}</div>').format(
            summary.LEVELS[assessment.verdict.level], summary.headline(assessment)
        ),
        _again(assessment),
        items((*summary.quality_lines(assessment), _share(assessment), *losses.corrections_lines(assessment))),
        _dropouts(assessment),
        items([f"Cannot be shown: {words}" for words in assessment.cannot_show]),
        Markup("</div>"),
    ]
    return str(Markup("\n").join(part for part in parts if part))


def _share(assessment: Assessment) -> str:
    """Return the trusted share of time, "" without an epoch."""
    share = headline_of(assessment).share_trusted
    return "" if not np.isfinite(share) else f"Trusted for {wording.share(share)} of the recorded time."


def _again(assessment: Assessment) -> Markup:
    """Return what lies beside the recording and what to drive again, one line each."""
    return items([*summary.elsewhere_lines(assessment), *(f"{name}: {reason}" for name, reason in summary.again_lines(assessment))])


def _dropouts(assessment: Assessment) -> Markup:
    """Return the first dropouts as a table and the number of the others."""
    frame, clock = assessment.dropouts, Clock()
    if not len(frame):
        return Markup("")
    rows = [_dropout(row, clock) for _, row in frame.head(MOST_ROWS).iterrows()]
    left = len(frame) - len(rows)
    note = f"{wording.count(left, 'further dropout')} in .dropouts" if left > 0 else ""
    listed = table(("dropout", "from, UTC", "length", "place", "what", "cause"), rows, right=(2,))
    return listed + (Markup("<div>{}</div>").format(note) if note else Markup(""))


def _dropout(row: pd.Series, clock: Clock) -> tuple[str, ...]:
    """Return the cells of one dropout."""
    return (
        f"D{row['dropout_id']}",
        clock.time(row["start_utc"]),
        wording.duration(float(row["duration_s"])),
        wording.reach(row.get("start_distance_m"), row.get("end_distance_m")),
        wording.words(row["kind"]),
        wording.words(row["cause"]),
    )
