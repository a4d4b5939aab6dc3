"""What the first screen says of corrections and fixes that were lost."""

from __future__ import annotations

import numpy as np

from analyzer import wording
from analyzer.assessment import Assessment
from analyzer.report import view
from analyzer.report.summary import corrected, stateless
from analyzer.verdict.headline import Lost, ages_untold_s, headline_of


def corrections_lines(assessment: Assessment) -> tuple[str, ...]:
    """Say how often, how long and where corrections dropped out, then the other interruptions."""
    figures, untold_s = headline_of(assessment), ages_untold_s(assessment)
    lines = [_outages(assessment, figures.lost_by("correction_outage"), untold_s)]
    known = "" if age_unknown(assessment) else " while corrections arrived" if untold_s < 1.0 else \
        f" (for {wording.duration(untold_s)} of it no age of corrections was logged)"
    for kind, text in (
        ("fix_loss", f"Fixed was lost {{}}{known}"),
        ("no_fix_despite_corrections", "Corrections arrived without bringing fixed {}"),
        ("missing_epochs", "Epochs are missing {}"),
    ):
        lost = figures.lost_by(kind)
        if lost is not None and kind == "no_fix_despite_corrections" and lost.n > 1 and not _ever_fixed(assessment):
            # one thing to say, however many gaps of the log cut it
            lines.append(f"Nothing was fixed in the {wording.duration(figures.recorded_s)} recorded, though fresh corrections arrived for {wording.duration(lost.total_s)} of them.")
        elif lost is not None:
            lines.append(_lost(text, lost))
    return tuple(lines)


def _ever_fixed(assessment: Assessment) -> bool:
    """Return whether any position is fixed."""
    return bool((view.column(assessment.epochs, "fix_state") == "fixed").any())


def _outages(assessment: Assessment, lost: Lost | None, untold_s: float) -> str:
    """Return the sentence about correction outages; for `untold_s` [s] of losses of fixed no age was logged."""
    if lost is not None:
        return _lost("Corrections lost {}", lost)
    if stateless(assessment):
        return "Whether corrections were lost cannot be said: the fix state is not recorded."
    if not corrected(assessment):
        return "No position used corrections, so there was nothing to lose."
    unknown = age_unknown(assessment)
    if unknown:
        return f"Whether corrections were lost cannot be said: {unknown}."
    if not _ever_fixed(assessment):
        return "Outages of corrections are counted from the first fixed position on, and there was none."
    meanwhile = "" if untold_s < 1.0 else f" while their age was logged; what became of them in {wording.duration(untold_s)} without fixed is not in the log"
    return f"Corrections were never lost for a second or longer{meanwhile}."


def age_unknown(assessment: Assessment) -> str | None:
    """Return why the age of corrections says nothing in this run, or None where it does."""
    metric = next((m for m in assessment.metrics.values if m.key == "age_p50_s"), None)
    if metric is not None:
        return metric.not_evaluated
    known = np.isfinite(view.number(assessment.epochs, "correction_age_s")).any()
    return None if known else "their age is not in the recording"


def _lost(text: str, lost: Lost) -> str:
    """Return "Corrections lost 3 times, 71 s in all; longest at km 3.42"."""
    often = {1: "once", 2: "twice"}.get(lost.n, f"{lost.n} times")
    total = f"{wording.duration(lost.total_s)}{' in all' if lost.n > 1 else ''}"
    said = f"{text.format(often)}, {total}"
    place = wording.kilometre(lost.longest_start_m)
    if place == wording.ABSENT:
        return f"{said}."
    return f"{said}; {'longest ' if lost.n > 1 else ''}at {place}."
