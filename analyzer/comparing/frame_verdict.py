"""What the evidence on base frames amounts to, in a word per set-up and in sentences."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeGuard

import numpy as np
from numpy.typing import NDArray

from analyzer import wording
from analyzer.comparing import frame_sentences as sentences
from analyzer.comparing.frame_words import (
    absolute_words,
    as_three,
    lever_words,
    log_words,
    named_keys,
    named_words,
    parking_words,
    suspects,
)
from analyzer.comparing.runs import Run
from analyzer.comparing.setups import SAME_SITE_M, Frames, Setup
from analyzer.metrics.base_site_shift import Shift, Suspect, judge_shift, name_sizes
from analyzer.settings import thresholds

Array = NDArray[np.float64]
#: Answers for a set-up and for the whole, best first.
LEVELS = ("comparable", "comparable_after_shift", "not_evaluated", "not_comparable")


@dataclass(frozen=True)
class Answer:
    """What holds for one set-up against the reference.

    Attributes
    ----------
    level : one of `LEVELS`.
    shift_m : estimated shift of all its positions, zero for the reference itself; None where it cannot be estimated.
    half_width_m : 95 % half widths of it; None where nothing was estimated.
    evidence : kind of evidence the shift rests on: ``marks``, ``entered``, ``common_stands``, ``base_log``, ``none``.
    detectable_m : smallest shift that would have been found; NaN without evidence.
    sentences : in words.
    named : keys of common mistakes whose size fits.
    """

    setup: int
    level: str
    shift_m: tuple[float, float, float] | None
    half_width_m: tuple[float, float, float] | None
    evidence: str
    detectable_m: float
    sentences: tuple[str, ...]
    named: tuple[str, ...] = ()


def answers(found: Frames, runs: Sequence[Run]) -> tuple[Answer, ...]:
    """Return the answer for every set-up."""
    return tuple(_answer(setup, found, runs) for setup in found.setups)


def overall(given: Sequence[Answer]) -> str:
    """Return the answer for all runs together: the worst of its set-ups."""
    return max((a.level for a in given), key=LEVELS.index)


def _label(setup: Setup, runs: Sequence[Run]) -> str:
    return f"{setup.day} ({wording.few((runs[i].name for i in setup.runs), 3)})"


def _short(setup: Setup, label: str, found: Frames) -> str:
    """Return the day of a set-up, or its `label` with its runs where the day alone does not name it."""
    return label if found.day_parted(setup) else setup.day


def _answer(setup: Setup, found: Frames, runs: Sequence[Run]) -> Answer:
    label = _label(setup, runs)
    if setup.index == found.reference:
        return _reference_answer(setup, label, found, runs)
    clash = _stated_clash(setup, found, runs)
    if clash:
        return Answer(setup.index, "not_comparable", None, None, "none", float("nan"), (f"{label}: {clash}",))
    base = _judged(setup, label, found, runs)
    told = (*lever_words(setup), *log_words(setup), *absolute_words(setup, found, runs))
    return replace(
        base,
        sentences=base.sentences + tuple(f"{_short(setup, label, found)}: {words}" for words in told),
        named=base.named + named_keys(setup.absolute, setup, found, runs),
    )


def _reference_answer(setup: Setup, label: str, found: Frames, runs: Sequence[Run]) -> Answer:
    """Return the answer for the reference itself: only its marks' own coordinates can speak against it."""
    told = tuple(f"{_short(setup, label, found)}: {words}" for words in absolute_words(setup, found, runs))
    none = (0.0, 0.0, 0.0)
    named = named_keys(setup.absolute, setup, found, runs)
    unseen_m = found.unseen_m.get(setup.index, float("nan"))
    within = sentences.no_shift_within(unseen_m) if np.isfinite(unseen_m) and unseen_m else ""
    return Answer(setup.index, "comparable", none, None, "reference", unseen_m, (f"{label} is the reference{within}", *told), named)


def _judged(setup: Setup, label: str, found: Frames, runs: Sequence[Run]) -> Answer:
    """Judge a set-up by the best evidence there is: marks, else another entry, else what remains."""
    if setup.marks is not None:
        return _by_marks(setup, setup.marks, label, found, runs)
    if _entered_anew(setup.entered_m):
        return _by_entry(setup, setup.entered_m, label, found)
    return _without_marks(setup, label, found)


def _entered_anew(entered: Array | None) -> TypeGuard[Array]:
    """Whether other base coordinates were entered than at the reference."""
    return entered is not None and float(np.linalg.norm(entered)) > thresholds("analyzer.comparing")["base.same_m"]


def _stated_clash(setup: Setup, found: Frames, runs: Sequence[Run]) -> str:
    """Return why the set-up sheets alone forbid a comparison, or nothing."""
    here, there = runs[setup.runs[0]], runs[found.setups[found.reference].runs[0]]
    for name, a, b in (("frame", here.frame, there.frame), ("height type", here.height_type, there.height_type)):
        if a and b and a != b:
            return f"its {name} is stated as {a}, that of the reference as {b}; transform one of them first"
    return ""


def _by_marks(setup: Setup, shift: Shift, label: str, found: Frames, runs: Sequence[Run]) -> Answer:
    """Judge a set-up by stands on common marks."""
    entered = setup.entered_m
    if not _entered_anew(entered):
        return _same_entry(setup, shift, label, found, runs)
    rest = judge_shift(np.asarray(shift.vector_m) - entered, shift.covariance_m2, level=shift.level)
    away_m = float(np.linalg.norm(entered))
    if not rest.found and away_m < SAME_SITE_M:
        text = sentences.entry_explains(label, entered, shift, rest)
        return _as_entered(setup, entered, rest.detectable_m, text)
    if not shift.found:
        return _on_marks(setup, shift, "comparable", sentences.moved_in_one_frame(label, entered, shift))
    if away_m >= SAME_SITE_M:
        return _on_marks(setup, shift, "comparable_after_shift", sentences.two_frames(label, entered, shift))
    named = name_sizes(rest, suspects(setup, found, runs))
    text = sentences.entry_explains_part(label, entered, shift, rest)
    keys = tuple(n.key for n in named)
    return _on_marks(setup, shift, "comparable_after_shift", text, *_dated(setup, found, runs, named), named=keys)


def _same_entry(setup: Setup, shift: Shift, label: str, found: Frames, runs: Sequence[Run]) -> Answer:
    """Judge a set-up with the same (or unknown) entry by marks."""
    known = setup.entered_m is not None
    if not shift.found:
        return _on_marks(setup, shift, "comparable", sentences.same_entry_agrees(label, shift, entry_known=known))
    named = name_sizes(shift, suspects(setup, found, runs))
    keys = tuple(n.key for n in named)
    told = (
        sentences.same_entry_shifted(label, shift, entry_known=known, both_ways=setup.both_ways),
        *_dated(setup, found, runs, named),
    )
    return _on_marks(setup, shift, "comparable_after_shift", *told, named=keys)


def _dated(setup: Setup, found: Frames, runs: Sequence[Run], named: Sequence[Suspect]) -> tuple[str, ...]:
    """Return which common mistakes fit, with the day of the set-up: sentences of several days stand below each other."""
    return tuple(f"{_short(setup, _label(setup, runs), found)}: {words}" for words in named_words(named))


def _on_marks(setup: Setup, shift: Shift, level: str, *told: str, named: tuple[str, ...] = ()) -> Answer:
    """Return the answer that common marks give."""
    return Answer(setup.index, level, shift.vector_m, shift.half_width_m, "marks", shift.detectable_m, told, named)


def _as_entered(setup: Setup, entered: Array, detectable_m: float, *told: str) -> Answer:
    """Return the answer of a set-up that the entered difference brings to the reference."""
    step = thresholds("analyzer.comparing")["base.same_m"]
    half = (step, step, step)
    return Answer(setup.index, "comparable_after_shift", as_three(entered), half, "entered", detectable_m, told)


def _parking(setup: Setup, label: str, found: Frames, *, remove: Array | None = None) -> tuple[str, ...]:
    """Return what parking places show, led by the name of the set-up."""
    return tuple(f"{_short(setup, label, found)}: {w}" for w in parking_words(setup, remove=remove))


def _by_entry(setup: Setup, entered: Array, label: str, found: Frames) -> Answer:
    """Judge a set-up by its entered coordinates alone."""
    if float(np.linalg.norm(entered)) >= SAME_SITE_M:
        text = sentences.other_site(label, entered, found.not_linked(setup))
        return Answer(setup.index, "not_evaluated", None, None, "none", float("nan"), (text,))
    rough = _parking(setup, label, found, remove=entered)
    return _as_entered(setup, entered, float("nan"), sentences.other_entry(label, entered, found.not_linked(setup)), *rough)


def _without_marks(setup: Setup, label: str, found: Frames) -> Answer:
    """Judge a set-up that has neither common marks nor another entry."""
    rough, log = setup.parking, setup.log
    if log is not None and log.found:
        return _shifted_without_marks(setup, log, "base_log", label)
    if rough is not None and rough.found:
        return _shifted_without_marks(setup, rough, "common_stands", label)
    if log is not None and setup.log_grade == "centimetre":
        vector, text = as_three(-np.asarray(log.vector_m)), sentences.logs_agree(label, log)
        return Answer(setup.index, "comparable", vector, log.half_width_m, "base_log", log.detectable_m, (text,))
    text = sentences.nothing_shows(label, found.not_linked(setup), entry_known=setup.entered_m is not None)
    told = (text, *_parking(setup, label, found))
    return Answer(setup.index, "not_evaluated", None, None, "none", rough.detectable_m if rough else float("nan"), told)


def _shifted_without_marks(setup: Setup, shift: Shift, kind: str, label: str) -> Answer:
    """Return the answer where the logs at the base or common parking places show a shift.

    A log shows where the antenna stands; positions are shifted the other way.
    """
    by_log = kind == "base_log"
    vector = as_three(-np.asarray(shift.vector_m)) if by_log else shift.vector_m
    text = sentences.shifted_without_marks(label, kind, vector, shift)
    level = "comparable_after_shift" if by_log and setup.log_grade == "centimetre" else "not_comparable"
    return Answer(setup.index, level, vector, shift.half_width_m, kind, shift.detectable_m, (text,))
