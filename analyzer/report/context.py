"""The content of a report, in words: the one source of the page and of the printed document."""

from __future__ import annotations

from analyzer import wording
from analyzer.assessment import Assessment
from analyzer.report import closing, detail, detail_rest, losses, summary, view
from analyzer.report.limits import shown_axis
from analyzer.report.model import Report, Section
from analyzer.wording import Clock

OVER_TIME = "over-time"
#: Manoeuvres to drive again that the first screen has room for; the table of manoeuvres has all.
MOST_AGAIN = 12


def build(assessment: Assessment, run: view.View, clock: Clock) -> Report:
    """Return the report of `assessment`; `run` is its view of all epochs."""
    line = summary.headline(assessment)
    return Report(
        title=summary.title(assessment),
        run_line=wording.sentence(summary.run_line(assessment, clock)),
        level=assessment.verdict.level,
        level_words=summary.LEVELS[assessment.verdict.level],
        headline=line,
        again=_first(summary.again_lines(assessment)),
        verdict_sentences=(*(f"{line}." for line in summary.elsewhere_lines(assessment)), *_beyond(assessment.verdict.sentences, line)),
        setup=summary.setup_groups(assessment),
        quality=summary.quality_lines(assessment),
        corrections=losses.corrections_lines(assessment),
        cannot_show=tuple(wording.sentence(s) for s in assessment.cannot_show),
        sections=_sections(assessment, run, clock),
        time_note=clock.note,
        alternatives=alternatives(assessment, run),
    )


def _first(again: tuple[tuple[str, str], ...]) -> tuple[tuple[str, str], ...]:
    """Return the lines for which there is room, and how many more there are."""
    if len(again) <= MOST_AGAIN:
        return again
    return *again[: MOST_AGAIN - 1], (f"{wording.size(len(again) - MOST_AGAIN + 1)} more", "see the table of manoeuvres below")


def _beyond(sentences: tuple[str, ...], line: str) -> tuple[str, ...]:
    """Return the sentences of the verdict that the headline does not say already."""
    return tuple(wording.sentence(s) for s in sentences if not line.startswith(s.strip(" .")))


def _sections(assessment: Assessment, run: view.View, clock: Clock) -> tuple[Section, ...]:
    """Return the parts after the first screen, in order."""
    return (
        detail.dropouts(assessment, clock),
        detail.manoeuvres(assessment, clock),
        Section(OVER_TIME, "State, bound, age, satellites and speed over time", figures=("time",)),
        detail.unusable(assessment, run, clock),
        detail.availability(assessment),
        detail_rest.segments(assessment, clock),
        detail_rest.standstills(assessment, clock),
        closing.findings(assessment),
        closing.ledger(assessment),
        closing.figures(assessment),
        closing.purpose(assessment),
        closing.cautions(),
        closing.versions(assessment),
    )


def alternatives(assessment: Assessment, run: view.View) -> dict[str, str]:
    """Return what each picture shows, for those who do not see it."""
    states = ", ".join(wording.words(s) for s in view.present(run.frame["fix_state"], view.STATE_ORDER)) or "none"
    axis = shown_axis(assessment.purpose)
    lost = wording.count(len(assessment.dropouts), "dropout")
    where = "; ".join(
        f"D{row['dropout_id']} {wording.kilometre(detail.real(row.get('start_distance_m')))}"
        for _, row in assessment.dropouts.iterrows()
    )
    return {
        "strip": f"Strip along the route: manoeuvres, trust, fix states ({states}) and {lost}"
        f"{': ' + where if where else ''}. "
        "The tables of dropouts and manoeuvres hold the same in figures.",
        "map": f"Map of the route in local metres with scale bar and north, drawn by trust, with {lost} marked.",
        "availability": "Shares of the recorded time and of the distance whose error bound is at most a given length: horizontal, along, "
        "across and in height, with the limit. The tables beside it hold limits and shares in figures.",
        "time": f"Over time: trust, fix state ({states}), {axis} error bound "
        "against the limit, age of corrections, satellites used and speed. The tables hold the stretches in figures.",
    }
