"""Verdict, what to drive again and dropouts as plain text on one screen, for the trackside."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

import pandas as pd

from analyzer import wording
from analyzer.assessment import Assessment, without_words
from analyzer.report import losses, summary
from analyzer.wording import Clock

#: Lines of a common terminal, less the prompt; the rest is counted, not dropped silently.
SCREEN_LINES = 23
#: Decisions that are shown one by one.
MOST_DECISIONS = 4
#: Longest line of a list that is wrapped.
LINE_WIDTH = 160


def brief(assessment: Assessment) -> str:
    """Return at most `SCREEN_LINES` lines; what does not fit is said with its number."""
    clock = Clock()
    head = [
        summary.run_line(assessment, clock),
        *_wrapped([f"Verdict: {summary.LEVELS[assessment.verdict.level]}. {wording.one_line(summary.headline(assessment))}"]),
        *_sentences(assessment),
        *_wrapped(summary.quality_lines(assessment)),
        *losses.corrections_lines(assessment),
        *_unseen(assessment),
        *_decisions(assessment),
        *_block("Check the windows file", [f"  {wording.one_line(line)}" for line in summary.elsewhere_lines(assessment)], MOST_DECISIONS),
    ]
    again = [f"  {wording.one_line(f'{name}: {reason}')}" for name, reason in summary.again_lines(assessment)]
    dropouts = [f"  {_dropout(row, clock)}" for _, row in assessment.dropouts.iterrows()]
    room = max(SCREEN_LINES - len(head) - 2, 2)
    most_again = min(len(again), max(room - min(len(dropouts), room // 2), 1))
    lines = [*head, *_block("Drive again", again, most_again)]
    return "\n".join([*lines, *_block("Dropouts", dropouts, max(room - most_again, 1))])


def _sentences(assessment: Assessment) -> list[str]:
    """Return what the verdict of a run without manoeuvres rests on; with them each line of the list says it."""
    said = [s for s in assessment.verdict.sentences if not len(assessment.windows) or s == without_words(assessment.without)]
    return _wrapped(map(wording.sentence, said))


def _wrapped(sentences: Iterable[str]) -> list[str]:
    """Return the lines of sentences, each begun anew."""
    return [line for s in sentences for line in textwrap.wrap(s, LINE_WIDTH, subsequent_indent="  ", break_on_hyphens=False)]


def _decisions(assessment: Assessment) -> list[str]:
    """Return what the user accepted or excluded, with who and why."""
    found = [f"  {wording.one_line(f.text)}" for f in assessment.findings if f.code.startswith("decision_")]
    return _block("Decided by the user", found, MOST_DECISIONS)


def _unseen(assessment: Assessment) -> list[str]:
    """Return in one sentence what this recording cannot show; why stands in the report."""
    leads = dict.fromkeys(words.split(":")[0] for words in assessment.cannot_show)
    text = f"Cannot be seen in this recording: {'; '.join(leads)}."
    return textwrap.wrap(text, LINE_WIDTH, subsequent_indent="  ", break_on_hyphens=False) if leads else []


def _block(title: str, lines: list[str], most: int) -> list[str]:
    if not lines:
        return []
    if len(lines) <= most:
        return [f"{title}:", *lines]
    shown = lines[: max(most - 1, 0)]
    return [f"{title}:", *shown, f"  … and {len(lines) - len(shown)} more in the report"]


def _dropout(row: pd.Series, clock: Clock) -> str:
    """Return one dropout in a line."""
    where = wording.reach(row.get("start_distance_m"), row.get("end_distance_m"))
    return f"{clock.time(row['start_utc'])} {wording.words(row['kind'])} {wording.duration(float(row['duration_s']))}, {where}: {wording.words(row['cause'])}"
