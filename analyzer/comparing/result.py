"""A comparison of runs: what `compare` returns, the report shows and the folder holds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from html import escape
from typing import Any

import pandas as pd

from analyzer.comparing.frame_verdict import Answer
from analyzer.comparing.rows import records
from analyzer.comparing.setups import Frames
from analyzer.recording import Finding

LEVEL_WORDS = {
    "comparable": "comparable",
    "comparable_after_shift": "comparable after a shift",
    "not_evaluated": "not evaluated",
    "not_comparable": "not comparable",
}


@dataclass(frozen=True)
class Comparison:
    """Runs held against each other.

    Attributes
    ----------
    level : ``comparable``, ``comparable_after_shift``, ``not_evaluated`` or ``not_comparable``, of the base frames.
    sentences : the answer in words, most important first.
    reference : name of the run that the others are held against.
    aligned_to : name of the run that all positions were shifted to for the comparison, or None.
    runs : one row per run: ``run day setup start_utc end_utc verdict base_* station_id shift_* headline figures``.
    offsets : one row per set-up of the base and kind of evidence (layout of offsets.csv).
    cells : the reference path; `passes` the quality per cell and pass (layout of cells.parquet).
    spots, spot_passes : trouble spots and each pass of them (recurrence.csv).
    disagreements : stretches where fixed passes disagree.
    changes, trends : over time.
    """

    level: str
    sentences: tuple[str, ...]
    reference: str
    aligned_to: str | None
    runs: pd.DataFrame
    offsets: pd.DataFrame
    cells: pd.DataFrame
    passes: pd.DataFrame
    spots: pd.DataFrame
    spot_passes: pd.DataFrame
    disagreements: pd.DataFrame
    changes: pd.DataFrame
    trends: pd.DataFrame
    frames: Frames
    answers: tuple[Answer, ...]
    route: str
    precision: Mapping[str, Any] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the content of comparison.json."""
        from analyzer.results.summary import json_safe

        content: dict[str, Any] = json_safe(
            {
                "schema_version": 1,
                "level": self.level,
                "sentences": self.sentences,
                "antenna_offset_differs_m": self.frames.offset_differs_m() if self.frames.offset_looked_for() else None,
                "reference": self.reference,
                "aligned_to": self.aligned_to,
                "runs": _rows(self.runs),
                "setups": [_answer(a, self) for a in self.answers],
                "offsets": _rows(self.offsets),
                "route": self.route,
                "spots": _rows(self.spots),
                "disagreements": _rows(self.disagreements),
                "changes": _rows(self.changes),
                "trends": _rows(self.trends),
                "repeat_precision": self.precision,
                "findings": [
                    {"code": f.code, "level": f.level, "text": f.text, "evidence": f.evidence} for f in self.findings
                ],
            }
        )
        return content

    def _repr_html_(self) -> str:
        """Show the answer and the set-ups compactly, as notebooks do."""
        head = f"<p><b>Base frames: {escape(LEVEL_WORDS[self.level])}</b></p>"
        words = "".join(f"<li>{escape(s)}</li>" for s in self.sentences[:6])
        return f"<div>{head}<ul>{words}</ul>{_small_table(self.spots)}</div>"


def _small_table(spots: pd.DataFrame) -> str:
    if not len(spots):
        return ""
    rows = "".join(
        f"<tr><td>S{r.spot}</td><td>km {r.along_m / 1000:.2f}</td><td>{escape(str(r.kind).replace('_', ' '))}</td>"
        f"<td>{escape(str(r.words))}</td></tr>"
        for r in records(spots)
    )
    head = "".join(f"<th>{name}</th>" for name in ("spot", "place", "kind", "passes"))
    return f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"


def _rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [dict(zip(map(str, frame.columns), row, strict=True)) for row in frame.itertuples(index=False, name=None)]


def _answer(answer: Answer, comparison: Comparison) -> dict[str, Any]:
    setup = comparison.frames.setups[answer.setup]
    names = comparison.runs["run"].tolist()
    return {
        "setup": answer.setup,
        "day": setup.day,
        "runs": [names[i] for i in setup.runs],
        "level": answer.level,
        "shift_m": answer.shift_m,
        "half_width_95_m": answer.half_width_m,
        "evidence": answer.evidence,
        "smallest_detectable_shift_m": answer.detectable_m,
        "sentences": answer.sentences,
        "named": answer.named,
        "facing_both_ways": setup.both_ways,
        "lever_change_m": setup.lever.vector_m if setup.lever else None,
        "lever_change_found": setup.lever.found if setup.lever else None,
    }
