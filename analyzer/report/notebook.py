"""A judged run and its figures as compact HTML, the way a notebook shows an object: no script, no outer style."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from markupsafe import Markup

from analyzer.assessment import Assessment
from analyzer.metrics.metric import Metric
from analyzer.metrics.result import Metrics
from analyzer.report import summary, wording
from analyzer.report.palette import DASH, colour
from analyzer.report.wording import Clock
from analyzer.verdict.headline import headline_of

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
        _items((*summary.quality_lines(assessment), _share(assessment), *summary.corrections_lines(assessment))),
        _dropouts(assessment),
        _items([f"Cannot be shown: {words}" for words in assessment.cannot_show]),
        Markup("</div>"),
    ]
    return str(Markup("\n").join(part for part in parts if part))


def metrics_html(metrics: Metrics) -> str:
    """Return every figure with its unit, and for those not evaluated the reason why."""
    rows = [
        (metric.key, _value(metric), metric.unit if metric.unit != "-" else "", wording.size(metric.n), metric.method)
        for metric in metrics.values
        if metric.evaluated
    ]
    missing = [f"{metric.key}: {metric.not_evaluated}" for metric in metrics.values if not metric.evaluated]
    table = _table(("figure", "value", "unit", "samples", "how"), rows, right=(1, 3))
    if not missing:
        return str(table)
    summary_line = wording.count(len(missing), "figure", "figures")
    return str(table + Markup("<details><summary>{} not evaluated</summary>{}</details>").format(summary_line, _items(missing)))


def _share(assessment: Assessment) -> str:
    """Return the trusted share of time, "" without an epoch."""
    share = headline_of(assessment).share_trusted
    return "" if not np.isfinite(share) else f"Trusted for {wording.share(share)} of the recorded time."


def _again(assessment: Assessment) -> Markup:
    """Return what to drive again, one line each."""
    return _items([f"{name}: {reason}" for name, reason in summary.again_lines(assessment)])


def _items(texts: tuple[str, ...] | list[str]) -> Markup:
    """Return a list, nothing for no text."""
    items = Markup("").join(Markup("<li>{}</li>").format(text) for text in texts if text)
    return Markup('<ul style="margin:2px 0">{}</ul>').format(items) if items else items


def _dropouts(assessment: Assessment) -> Markup:
    """Return the first dropouts as a table and the number of the others."""
    frame, clock = assessment.dropouts, Clock()
    if not len(frame):
        return Markup("")
    rows = [_dropout(row, clock) for _, row in frame.head(MOST_ROWS).iterrows()]
    left = len(frame) - len(rows)
    note = f"{wording.count(left, 'further dropout')} in .dropouts" if left > 0 else ""
    table = _table(("dropout", "from, UTC", "length", "place", "what", "cause"), rows, right=(2,))
    return table + (Markup("<div>{}</div>").format(note) if note else Markup(""))


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


def _value(metric: Metric) -> str:
    """Return a value as text: counts whole, other numbers with four digits."""
    value = metric.value
    if isinstance(value, float):
        return wording.faithful(value, digits=4) if np.isfinite(value) else wording.ABSENT
    return wording.size(value) if isinstance(value, int) and not isinstance(value, bool) else str(value)


def _table(head: tuple[str, ...], rows: Sequence[tuple[str, ...]], *, right: tuple[int, ...]) -> Markup:
    """Return a table; the columns `right` hold numbers."""
    side = [Markup('style="text-align:{}"').format("right" if i in right else "left") for i in range(len(head))]
    lines = [
        Markup("<tr>{}</tr>").format(
            Markup("").join(Markup("<{0} {1}>{2}</{0}>").format(tag, side[i], cell) for i, cell in enumerate(row))
        )
        for tag, row in (("th", head), *(("td", row) for row in rows))
    ]
    return Markup("<table><thead>{}</thead><tbody>{}</tbody></table>").format(lines[0], Markup("").join(lines[1:]))
