"""The first screen: one sentence for each question, in the order in which an engineer asks them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from analyzer import wording
from analyzer.assessment import Assessment, Purpose
from analyzer.report import view
from analyzer.report.limits import axis_limits
from analyzer.report.model import SetupGroup
from analyzer.tables import CORRECTED
from analyzer.userfiles.window_columns import LIMITS_UNUSED
from analyzer.verdict.elsewhere import not_here
from analyzer.verdict.explain_words import left_out
from analyzer.verdict.headline import headline_of
from analyzer.verdict.run import MOST_NAMED, usable_from
from analyzer.verdict.setup_check import NOT_STATED
from analyzer.verdict.spans import undriven
from analyzer.verdict.why import AXIS_WORDS
from analyzer.wording import Clock

SETUP_TITLES = (
    ("contradicted", "Contradicted by the recording"),
    ("confirmed", "Confirmed by the recording"),
    ("not_checked", "Not checked"),
)
LEVELS: Mapping[str, str] = {
    "fit": "Fit",
    "fit_with_exclusions": "Fit with exclusions",
    "not_evaluated": "Not evaluated",
    "not_fit": "Not fit",
}
_WHOLE: Mapping[str, str] = {
    "fit": "The whole run is usable for {}.",
    "fit_with_exclusions": "The run is usable for {} except for the stretches below.",
    "not_evaluated": "Whether the run is usable for {} could not be evaluated.",
    "not_fit": "The run is not usable for {}.",
}


def title(assessment: Assessment) -> str:
    """Return the title: it speaks of the run."""
    name = assessment.run or "without a name"
    return f"Position quality of {name if name.lower().startswith('run') else f'run {name}'}"


def run_line(assessment: Assessment, clock: Clock) -> str:
    """Return run, time, vehicle, point, base and purpose in one sentence."""
    setup, times = assessment.setup, assessment.epochs.index
    name = wording.isolated(assessment.run or "without a name")
    parts = [name if name.lower().startswith("run") else f"Run {name}"]
    parts.append(clock.span(times[0], times[-1]) if len(times) else "no epoch recorded")
    parts.append(wording.isolated(str(setup.get("vehicle") or "vehicle not stated")))
    parts.append(_point(setup))
    parts.append(_base(assessment))
    parts.append(f"purpose {assessment.purpose.title}")
    return ", ".join(parts)


def _base(assessment: Assessment) -> str:
    """Say which base it was, or where it is taken to stand and by what."""
    stated, place = assessment.setup.get("base"), assessment.base
    name = wording.isolated(str(stated.get("name") or "")) if isinstance(stated, Mapping) else None
    if place is None or (name and place.origin == "by the set-up sheet"):
        return f"base {name}" if name else "base not stated"
    height = f"height {place.height_m:.3f} m" if np.isfinite(place.height_m) else "height not stated,"
    where = f"{place.latitude_deg:.7f}°, {place.longitude_deg:.7f}°, {height} {place.origin}"
    return f"base {name + ', ' if name else ''}at {where}"


def _point(setup: Mapping[str, object]) -> str:
    """Say whose position it is."""
    output, point = setup.get("output_point"), setup.get("reference_point")
    if output == "reference_point":
        return f"position of {point or 'the reference point'}"
    if output == "antenna":
        return f"position of the antenna (wanted: {point})" if point else "position of the antenna"
    return "position of the point the receiver puts out (not stated which)"


def _again(windows: pd.DataFrame) -> pd.Series:
    """Return per manoeuvre whether it must be driven again."""
    if "repeat" in windows and windows["repeat"].notna().any():
        return pd.Series(view.flags(windows, "repeat"), index=windows.index)
    return view.column(windows, "verdict") == "not_fit"


def _left_out(windows: pd.DataFrame) -> pd.Series:
    """Return per manoeuvre whether a decision took it out of the judgement."""
    return pd.Series([left_out(row) for row in windows.to_dict("records")], index=windows.index, dtype=bool)


def headline(assessment: Assessment) -> str:
    """Return the verdict in one line: how many manoeuvres are usable and which to drive again."""
    windows, purpose = assessment.windows, assessment.purpose.title
    if not len(windows):
        return _usable(assessment).format(purpose)
    again, out = _again(windows), _left_out(windows)
    apart = not_here(windows) & ~again & ~out
    unknown = ~again & ~out & ~apart & (view.column(windows, "verdict") == "not_evaluated")
    usable = len(windows) - int((again | out | unknown | apart).sum())
    text = f"{usable} of {wording.count(len(windows), 'manoeuvre')} usable."
    if out.any():
        text += f" Left out by the user: {_named(windows, out)}."
    if unknown.any():
        text += f" Not evaluated: {_named(windows, unknown)}."
    if apart.any():
        text += f" Not in this recording: {_named(windows, apart)}."
    if idle := undriven(assessment.findings):
        text += f" Not driven: {wording.few(map(wording.isolated, idle), MOST_NAMED)}."
    if again.any():
        return f"{text} Drive again: {_named(windows, again)}"
    return text if idle or apart.any() else f"{text} Nothing to drive again."


def elsewhere_lines(assessment: Assessment) -> tuple[str, ...]:
    """Return the manoeuvres that lie beside the recording, with what to check in the sheet; several of one reason in one line."""
    windows = assessment.windows
    apart = not_here(windows) & ~_left_out(windows)
    reasons = dict.fromkeys(windows.loc[apart, "reason"].astype(str)) if apart.any() else {}
    return tuple(f"{_named(windows, apart & (windows['reason'] == reason))}: {reason}" for reason in reasons)


def _usable(assessment: Assessment) -> str:
    """Return whether the run is usable for a purpose (a place for its name is left), and from when on where it begins without a fix."""
    begin = usable_from(assessment.epochs) if assessment.verdict.level == "fit" else None
    if begin is None:
        return _WHOLE[assessment.verdict.level]
    moment, before_s = begin
    return f"The run is usable for {{}} from {Clock().time(moment)} UTC on: no position was fixed in the {wording.duration(before_s)} before."


def _named(windows: pd.DataFrame, chosen: pd.Series) -> str:
    """Return the names of the chosen manoeuvres, those of many shortened."""
    return wording.few(map(wording.isolated, windows.loc[chosen, "name"].astype(str)), MOST_NAMED, of=len(windows))


def again_lines(assessment: Assessment) -> tuple[tuple[str, str], ...]:
    """Return name and one line of reason for each manoeuvre to drive again."""
    windows = assessment.windows
    if not len(windows):
        return ()
    return tuple((str(row["name"]), _again_line(row, assessment.purpose)) for _, row in windows[_again(windows)].iterrows())


def _again_line(row: pd.Series, purpose: Purpose) -> str:
    """Return "corrections 38 s old; position good to 14 cm, you need 10 cm (km 3.42–3.80)"."""
    reason = "" if wording.absent(row.get("reason")) else str(row.get("reason")).strip(" .;")
    parts = [reason] if reason else []
    worst = row.get("worst_horizontal_bound_m")
    if "good to" not in reason and not wording.absent(worst):
        parts += _too_coarse(float(worst), purpose)  # type: ignore[arg-type]
    where = wording.reach(row.get("start_distance_m"), row.get("end_distance_m"))
    return "; ".join(parts or ["not usable"]) + (f" ({where})" if where != wording.ABSENT else "")


def _too_coarse(worst_m: float, purpose: Purpose) -> list[str]:
    """Say how good the position is against what is needed, where it is not good enough."""
    limit_m = axis_limits(purpose).get("horizontal")
    if limit_m is None or worst_m * purpose.margin <= limit_m:
        return []
    shown, need = wording.length(worst_m, limit_m=limit_m, up=True), wording.length(limit_m)
    if worst_m > limit_m:
        return [f"position good to {shown}, you need {need}"]
    return [f"position good to {shown}, too near the {need} you need (margin {purpose.margin:g})"]


def setup_groups(assessment: Assessment) -> tuple[SetupGroup, ...]:
    """Return the set-up items by status, what was contradicted first and what nobody stated last."""
    groups = []
    for status, heading in SETUP_TITLES:
        found = [i for i in assessment.setup_items if i.status == status]
        for title, words in (
            (heading, [i for i in found if i.stated != NOT_STATED]),
            ("Not stated in the set-up sheet", [i for i in found if i.stated == NOT_STATED]),
        ):
            if words:
                items = tuple((i.label, "" if i.stated == NOT_STATED else i.stated, i.evidence) for i in words)
                groups.append(SetupGroup(status, title, items))
    return tuple(groups)


def corrected(assessment: Assessment) -> bool:
    """Return whether the run ever used corrections."""
    states = view.column(assessment.epochs, "fix_state")
    return bool(states.isin(CORRECTED).any())


def stateless(assessment: Assessment) -> bool:
    """Return whether no position of the run has a fix state."""
    return bool(len(assessment.epochs) and view.column(assessment.epochs, "fix_state").isna().all())


def quality_lines(assessment: Assessment) -> tuple[str, ...]:
    """Say how good the positions are relative to the base, on whose word, and whether the absolute position was checked."""
    said = {"base_log_elsewhere", "base_log_unfit", LIMITS_UNUSED} | ({"fused_unwatched"} if headline_of(assessment).share_trusted > 0 else set())
    return _relative(assessment), *(f.text for f in assessment.findings if f.code in said), _absolute(assessment)


def _relative(assessment: Assessment) -> str:
    """Return "Good to 3 cm (95 %) relative to the base", with how much of the run that is."""
    figures = headline_of(assessment)
    to_what = (
        "relative to the base"
        if corrected(assessment)
        else "in the frame of the satellites' own orbits: no base was used"
    )
    limited = axis_limits(assessment.purpose)
    if "horizontal" not in limited:
        to_what = f"horizontally{'' if {'along', 'across'} & set(limited) else ', which this purpose does not limit,'} {to_what}"
    if stateless(assessment):
        return "How good the positions are could not be evaluated: no fix state is recorded; name its column and codes in the column map ([fix_state])."
    if not np.isfinite(figures.bound_best_m):
        return "How good the positions are could not be evaluated: no epoch has an error bound."
    if not np.isfinite(figures.bound_p95_m):
        best = wording.length(wording.single(figures.bound_best_m), up=True)
        return f"No second may be trusted for {assessment.purpose.title}: the best is good to {best} (95 %) {to_what}."
    text = f"Good to {wording.length(figures.bound_p95_m, up=True)} (95 %) {to_what}"
    if figures.bound_worst_trusted_m > figures.bound_p95_m:
        needed = limited["horizontal"] / assessment.purpose.margin if "horizontal" in limited else None
        worst = wording.length(wording.single(figures.bound_worst_trusted_m), limit_m=needed, up=True)
        text += f"; {worst} in the weakest second that is still trusted"
    own = [] if "horizontal" in limited else [(axis, p95) for axis, p95 in figures.trusted_p95_m.items() if axis in limited and np.isfinite(p95)]
    text += "".join(f"; {AXIS_WORDS[axis]}, which it limits, to {wording.length(p95, up=True)} for 95 % of the time" for axis, p95 in own)
    if not figures.epochs_not_trusted:
        return f"{text}. {'Every epoch' if len(assessment.epochs) > 1 else 'The only epoch'} is trusted."
    return (
        f"{text}. That holds for the trusted {wording.share(figures.share_trusted)} of the recorded time, "
        "not for the rest."
    )


def _absolute(assessment: Assessment) -> str:
    """Say whether a known mark was visited, and what it showed."""
    marks = view.column(assessment.standstills, "check_point").dropna()
    names = sorted({str(mark) for mark in marks if str(mark)})
    if not names and assessment.absolute.startswith("not checked: no known mark"):
        return "Absolute: not checked, no known mark visited."
    if not names:
        return f"Absolute: {assessment.absolute}"
    what = f"{wording.count(len(names), 'known mark')} ({wording.listing(names)})"
    if assessment.absolute.startswith(("refused", "not ")):
        return f"Absolute: {what} visited; {assessment.absolute}"
    return f"Absolute: checked on {what}: {assessment.absolute}"
