"""What a reader must know about the epochs of an NMEA log, in words."""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.parsers.nmea_clock import moment_text
from analyzer.parsers.nmea_groups import POSITION_BITS, UNTIMED_KINDS, Stream, first_of_runs
from analyzer.parsers.nmea_instants import DUPLICATE, LEAP_SECOND, WITHOUT_EPOCH, WITHOUT_TIME, Resolved
from analyzer.parsers.nmea_steps import Steps
from analyzer.parsers.sentences import TALKERS, Sentences
from analyzer.recording import Finding, Ledger

Ints = NDArray[np.int64]

#: Before the first system was declared ready for use (1993-12-08) no receiver fixed positions in real time on the road. From memory,
#: common knowledge of the trade.
_FIRST_FIXED_DAY = "1993-12-08"
#: Before these days no log can hold the system or field: first Galileo satellites in orbit for operation (2011-10-21),
#: BeiDou regional service announced (2011-12-27). From memory, common knowledge of the trade.
_FIRST_DAYS = (("Galileo", ("GA",), "2011-10-21"), ("BeiDou", ("GB", "BD"), "2011-12-27"))
#: A latitude whose decimal comma parts it into two fields.
_PARTED = re.compile(r"\d{3,5},\d{2,},[NS],")


def written_with_commas(ledger: Ledger) -> list[Finding]:
    """Report sentences whose numbers have decimal commas, by the first cases of what has wrong fields."""
    found = [(e, m) for e in ledger.entries if e.kind == "field" for c in e.cases[:1] if (m := _PARTED.search(c.excerpt))]
    if not found:
        return []
    count, example = sum(e.count for e, _ in found), found[0][1].group().rstrip(",")
    text = (f"{count} sentences with wrong fields look like ones with decimal commas, as in {example}: a comma parts the fields of NMEA 0183, so they "
            "cannot be read; have the logger or the export write decimal points.")
    return [Finding("decimal_commas", "problem", text, {"count": count})]


def epoch_findings(stream: Stream, resolved: Resolved, run_instant_us: Ints, steps: Steps | None) -> list[Finding]:
    """Report backward, duplicate, leap second and timeless groups; `steps` are those of the clock over other positions."""
    opening = (stream.group_bits & POSITION_BITS) > 0
    usable = opening & ~np.isin(resolved.status, (WITHOUT_TIME, LEAP_SECOND))
    runs = stream.group_run[usable]
    runs = runs[first_of_runs(np.cumsum(np.diff(runs, prepend=runs[:1]) > 0))]
    duplicate = np.flatnonzero((resolved.status == DUPLICATE) & opening)
    leap = int(np.count_nonzero((resolved.status == LEAP_SECOND) & opening))
    counted = (
        ("leap_second", leap, f"{_epochs(leap)} within a leap second (23:59:60) cannot be placed in UTC tables: set aside."),
        ("sentences_without_time", _sentences(stream, resolved, WITHOUT_TIME),
         "position or quality sentences carry no time and form no epoch."),
        ("estimates_without_epoch", _sentences(stream, resolved, WITHOUT_EPOCH),
         "error estimates (GST, GBS, GRS) have a time at which no position was logged: not used."),
    )
    return [
        *_stepped(steps),
        *_backward(run_instant_us[runs]),
        *_duplicates(run_instant_us[stream.group_run[duplicate]], steps),
        *(Finding(code, "note", f"{count} {text}", {"count": count}) for code, count, text in counted if count),
    ]


def _backward(instant_us: Ints) -> list[Finding]:
    """Report where the log steps back in time."""
    back = np.flatnonzero(np.diff(instant_us) < 0)
    if not len(back):
        return []
    largest_s = float(-np.diff(instant_us)[back].min()) / 1e6
    text = (
        f"The log steps back in time {_times(len(back))}, first from {moment_text(instant_us[back[0]])} to "
        f"{moment_text(instant_us[back[0] + 1])}, at most by {largest_s:g} s: its epochs were sorted by time."
    )
    return [Finding("backward_epochs", "warning", text, {"count": len(back), "largest_s": largest_s})]


def _stepped(steps: Steps | None) -> list[Finding]:
    """Report where the clock steps back over other positions."""
    if steps is None or not len(steps.start):
        return []
    count, largest_m = len(steps.apart_m), float(steps.apart_m.max())
    back_s = float(steps.from_us[0] - steps.to_us[0]) / 1e6
    far = "" if count == 1 else f" (median; at most {largest_m:.2f} m)"
    text = (
        f"Time steps back {_times(len(steps.start))} to times at which the log already holds other positions, first by {back_s:g} s from "
        f"{moment_text(int(steps.from_us[0]))} at byte {steps.start[0]}: {count} {_epochs(count)} behind it {'is' if count == 1 else 'are'} "
        f"{float(np.median(steps.apart_m)):.2f} m{far} from where the log was at the same time. The clock was "
        "stepped, or two recordings stand in one file; neither the fix nor the base did this."
    )
    evidence = {"count": count, "back_s": back_s, "byte": int(steps.start[0]), "largest_m": largest_m}
    return [Finding("clock_stepped", "problem", text, evidence)]


def _duplicates(instant_us: Ints, steps: Steps | None) -> list[Finding]:
    """Report epochs that repeat the time of another."""
    if not len(instant_us):
        return []
    moved = steps.repeats_apart_m if steps is not None else np.empty(0)
    other = f", {len(moved)} of them with another position, up to {moved.max():.2f} m away" if len(moved) else ""
    text = (
        f"{len(instant_us)} epochs repeat the time of another, first at {moment_text(instant_us[0])}{other}: "
        "the first complete one stays."
    )
    return [Finding("duplicate_epochs", "warning", text, {"count": len(instant_us)})]


def content_findings(
    sentences: Mapping[str, Sentences], epoch_of: Mapping[str, Ints], fixes: pd.DataFrame, *,
    unlisted: int, undated: bool,
) -> list[Finding]:
    """Report unlisted qualities, sentences without an epoch, and dates that the content contradicts."""
    out: list[Finding] = []
    if unlisted:
        text = (
            f"{unlisted} {_epochs(unlisted)} with a GGA quality that no edition of NMEA 0183 lists: the mode of "
            "another sentence decides, else the position counts as autonomous."
        )
        out.append(Finding("unlisted_quality", "warning", text, {"count": unlisted}))
    loose = {kind: int(np.count_nonzero(epoch_of[kind] < 0)) for kind in UNTIMED_KINDS if kind in epoch_of}
    loose = {kind: count for kind, count in loose.items() if count}
    if loose:
        words = ", ".join(f"{count} {kind}" for kind, count in loose.items())
        text = f"Sentences without a time of their own stand beside no usable epoch and are not used: {words}."
        out.append(Finding("sentences_without_epoch", "note", text, loose))
    if len(fixes) and not undated:
        out += _too_early(sentences, fixes)
    return out


def _too_early(sentences: Mapping[str, Sentences], fixes: pd.DataFrame) -> list[Finding]:
    """Report a log dated before a system existed that it lists, or before positions were fixed in real time."""
    last = fixes.index[-1]
    talkers = np.unique(np.concatenate([
        np.empty(0, dtype=np.uint8), *(np.unique(part.talker) for part in sentences.values())
    ]))
    present = {TALKERS[code] for code in talkers}
    for system, names, day in _FIRST_DAYS:
        if present & set(names) and last < pd.Timestamp(day, tz="UTC"):
            return [_implausible(last, f"lists {system}, which was not in service then", {"system": system, "weeks": 1024})]
    if last < pd.Timestamp(_FIRST_FIXED_DAY, tz="UTC") and fixes["fix_state"].isin(("fixed", "float")).any():
        return [_implausible(last, "holds positions fixed in real time, which no receiver gave then", {"weeks": 1024})]
    return []


def _implausible(last: pd.Timestamp, why: str, evidence: dict[str, object]) -> Finding:
    text = (
        f"The log is dated {last:%Y-%m-%d} but {why}: its week number has probably repeated (1024 weeks); give the date of the "
        "first epoch to correct it."
    )
    return Finding("date_implausible", "warning", text, evidence)


def _sentences(stream: Stream, resolved: Resolved, status: int) -> int:
    """Return how many sentences belong to groups of a status."""
    groups = resolved.status == status
    return stream.sentences_in(groups) if groups.any() else 0


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _epochs(count: int) -> str:
    return "epoch" if count == 1 else "epochs"

