"""What the evidence on base frames amounts to, in a word per set-up and in sentences."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyzer.comparing.frame_words import (
    absolute_words,
    as_three,
    lever_words,
    log_words,
    named_keys,
    named_words,
    one_way_words,
    parking_words,
    suspects,
    up_words,
    words_of,
)
from analyzer.comparing.frames import SAME_SITE_M, Frames, Setup
from analyzer.comparing.runs import Run
from analyzer.metrics.base_site_shift import Shift, judge_shift, name_sizes
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
    shift_m : estimated shift of all its positions; None where it cannot be estimated.
    half_width_m : 95 % half widths of it.
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
    names = [runs[i].name for i in setup.runs]
    shown = ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")
    return f"{setup.day} ({shown})"


def _answer(setup: Setup, found: Frames, runs: Sequence[Run]) -> Answer:
    label = _label(setup, runs)
    if setup.index == found.reference:
        words = [f"{label} is the reference"]
        return Answer(
            setup.index,
            "comparable",
            (0.0, 0.0, 0.0),
            (0.0, 0.0, 0.0),
            "reference",
            0.0,
            (*words, *(f"{setup.day}: {w}" for w in absolute_words(setup, found, runs))),
            named_keys(setup.absolute, setup, found, runs),
        )
    clash = _stated_clash(setup, found, runs)
    if clash:
        return Answer(setup.index, "not_comparable", None, None, "none", float("nan"), (f"{label}: {clash}",))
    if setup.marks is not None:
        base = _by_marks(setup, setup.marks, label, found, runs)
    elif (
        setup.entered_m is not None
        and np.linalg.norm(setup.entered_m) > thresholds("analyzer.comparing")["base.same_m"]
    ):
        base = _by_entry(setup, setup.entered_m, label)
    else:
        base = _without_marks(setup, label)
    day = setup.day
    told = (*lever_words(setup), *log_words(setup), *absolute_words(setup, found, runs))
    extra = tuple(f"{day}: {words}" for words in told)
    return Answer(
        base.setup,
        base.level,
        base.shift_m,
        base.half_width_m,
        base.evidence,
        base.detectable_m,
        base.sentences + extra,
        base.named + named_keys(setup.absolute, setup, found, runs),
    )


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
    step = thresholds("analyzer.comparing")["base.same_m"]
    new_entry = entered is not None and float(np.linalg.norm(entered)) > step
    if not new_entry:
        return _same_entry(setup, shift, label, found, runs)
    assert entered is not None
    rest = judge_shift(np.asarray(shift.vector_m) - entered, shift.covariance_m2, level=shift.level)
    if not rest.found and float(np.linalg.norm(entered)) < SAME_SITE_M:
        text = (
            f"{label}: the entered base coordinates differ by {words_of(as_three(entered))} from the reference, "
            "the marks "
            f"agree ({words_of(shift.vector_m)}); beyond that no shift above {up_words(rest.detectable_m)} was found: "
            "shift by the entered difference to compare"
        )
        return Answer(
            setup.index,
            "comparable_after_shift",
            as_three(entered),
            (step, step, step),
            "entered",
            rest.detectable_m,
            (text,),
        )
    if not shift.found:
        text = (
            f"{label}: the entered base coordinates differ by {words_of(as_three(entered))}, yet on the marks "
            "no shift above "
            f"{up_words(shift.detectable_m)} was found: the antenna was moved and its new place entered in the "
            "same frame"
        )
        return _on_marks(setup, shift, "comparable", text)
    if float(np.linalg.norm(entered)) >= SAME_SITE_M:
        text = (
            f"{label}: its base stands {np.linalg.norm(entered):.0f} m from the reference base, and on the marks positions "
            f"are shifted by {words_of(shift.vector_m)}: the two bases do not share one frame"
        )
        return _on_marks(setup, shift, "comparable_after_shift", text)
    text = (
        f"{label}: on the marks positions are shifted by {words_of(shift.vector_m)}, the entered coordinates explain "
        f"{words_of(as_three(entered))}; {words_of(rest.vector_m)} remain, so the antenna does not stand where it did"
    )
    named = name_sizes(rest, suspects(setup, found, runs))
    keys = tuple(n.key for n in named)
    return _on_marks(setup, shift, "comparable_after_shift", text, *named_words(named), named=keys)


def _same_entry(setup: Setup, shift: Shift, label: str, found: Frames, runs: Sequence[Run]) -> Answer:
    """Judge a set-up with the same (or unknown) entry by marks."""
    entry = (
        "the same base coordinates were entered"
        if setup.entered_m is not None
        else "what was entered at the base is not known"
    )
    if not shift.found:
        text = f"{label}: {entry}, and on common marks no shift above {up_words(shift.detectable_m)} was found"
        return _on_marks(setup, shift, "comparable", text)
    half = " ± ".join(("", up_words(max(shift.half_width_m))))
    moved = tuple(-v for v in shift.vector_m)
    text = (
        f"{label}: {entry}, but on common marks all positions are shifted by {words_of(shift.vector_m)}{half} (95 %): "
        + (
            f"the base antenna was moved by {words_of(moved)}, or its coordinates do not belong to its place"
            if setup.entered_m is not None
            else "the base frame is another one"
        )
    )
    named = name_sizes(shift, suspects(setup, found, runs))
    keys = tuple(n.key for n in named)
    sentences = (text, *named_words(named), *one_way_words(setup))
    return _on_marks(setup, shift, "comparable_after_shift", *sentences, named=keys)


def _on_marks(setup: Setup, shift: Shift, level: str, *sentences: str, named: tuple[str, ...] = ()) -> Answer:
    """Return the answer that common marks give."""
    return Answer(
        setup.index, level, shift.vector_m, shift.half_width_m, "marks", shift.detectable_m, sentences, named
    )


def _by_entry(setup: Setup, entered: Array, label: str) -> Answer:
    """Judge a set-up by its entered coordinates alone."""
    if float(np.linalg.norm(entered)) >= SAME_SITE_M:
        text = (
            f"{label}: its base stands {np.linalg.norm(entered):.0f} m from the reference base by the entered "
            "coordinates; "
            "whether both belong to one frame is not evaluated: no common mark was visited"
        )
        return Answer(setup.index, "not_evaluated", None, None, "none", float("nan"), (text,))
    step = thresholds("analyzer.comparing")["base.same_m"]
    text = (
        f"{label}: the entered base coordinates differ by {words_of(as_three(entered))} from the reference, and "
        "all positions "
        "with them if the antenna stands where it did; whether it does is not evaluated: no common mark was visited"
    )
    rough = tuple(f"{setup.day}: {w}" for w in parking_words(setup, remove=entered))
    return Answer(
        setup.index,
        "comparable_after_shift",
        as_three(entered),
        (step, step, step),
        "entered",
        float("nan"),
        (text, *rough),
    )


def _without_marks(setup: Setup, label: str) -> Answer:
    """Judge a set-up that has neither common marks nor another entry."""
    rough, log = setup.parking, setup.log
    for kind, shift in (("base_log", log), ("common_stands", rough)):
        if shift is not None and shift.found:
            vector = as_three(-np.asarray(shift.vector_m)) if kind == "base_log" else shift.vector_m
            source = "the logs at the base" if kind == "base_log" else "common parking places"
            text = (
                f"{label}: {source} show all positions shifted by {words_of(vector)} "
                f"± {up_words(max(shift.half_width_m))} (95 %)"
            )
            level = (
                "comparable_after_shift" if kind == "base_log" and setup.log_grade == "centimetre" else "not_comparable"
            )
            return Answer(setup.index, level, vector, shift.half_width_m, kind, shift.detectable_m, (text,))
    if log is not None and setup.log_grade == "centimetre":
        text = f"{label}: the logs at the base show no shift of the antenna above {up_words(log.detectable_m)}"
        return Answer(
            setup.index,
            "comparable",
            as_three(-np.asarray(log.vector_m)),
            log.half_width_m,
            "base_log",
            log.detectable_m,
            (text,),
        )
    entry = (
        "the same base coordinates were entered, which says nothing of where the antenna stands"
        if setup.entered_m is not None
        else "the base position is not known"
    )
    text = (
        f"{label}: {entry}; whether the base was shifted is not evaluated: "
        "no common mark was visited and no centimetre-grade log at the base was given"
    )
    return Answer(
        setup.index,
        "not_evaluated",
        None,
        None,
        "none",
        rough.detectable_m if rough else float("nan"),
        (text, *(f"{setup.day}: {w}" for w in parking_words(setup))),
    )
