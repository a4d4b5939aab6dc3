"""The sentence for each answer on the base frame of a set-up."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analyzer.comparing.frame_words import as_three, up_words, words_of
from analyzer.metrics.base_site_shift import Shift

Array = NDArray[np.float64]
_SHOWN_BY = {"base_log": "the logs at the base", "common_stands": "common parking places"}


def entry_explains(label: str, entered: Array, shift: Shift, rest: Shift) -> str:
    """Say that the marks agree with the difference that was entered."""
    return (
        f"{label}: the entered base coordinates differ by {words_of(as_three(entered))} from the reference, "
        "the marks "
        f"agree ({words_of(shift.vector_m)}); beyond that no shift above {up_words(rest.detectable_m)} was found: "
        "shift by the entered difference to compare"
    )


def entry_explains_part(label: str, entered: Array, shift: Shift, rest: Shift) -> str:
    """Say that the marks show more than the difference that was entered."""
    return (
        f"{label}: on the marks positions are shifted by {words_of(shift.vector_m)}, the entered coordinates explain "
        f"{words_of(as_three(entered))}; {words_of(rest.vector_m)} remain, so the antenna does not stand where it did"
    )


def moved_in_one_frame(label: str, entered: Array, shift: Shift) -> str:
    """Say that the antenna was moved and its new place entered."""
    return (
        f"{label}: the entered base coordinates differ by {words_of(as_three(entered))}, yet on the marks "
        "no shift above "
        f"{up_words(shift.detectable_m)} was found: the antenna was moved and its new place entered in the "
        "same frame"
    )


def two_frames(label: str, entered: Array, shift: Shift) -> str:
    """Say that the bases of two sites do not share one frame."""
    return (
        f"{label}: its base stands {np.linalg.norm(entered):.0f} m from the reference base, and on the marks positions "
        f"are shifted by {words_of(shift.vector_m)}: the two bases do not share one frame"
    )


def same_entry_agrees(label: str, shift: Shift, *, entry_known: bool) -> str:
    """Say that marks show no shift."""
    return f"{label}: {_same_entry(entry_known)}, and on common marks no shift above {up_words(shift.detectable_m)} was found"


def same_entry_shifted(label: str, shift: Shift, *, entry_known: bool, both_ways: bool) -> str:
    """Say that marks show a shift that no entry explains, and what follows for the antennas of base and car."""
    half = " ± ".join(("", up_words(max(shift.half_width_m))))
    moved = tuple(-v for v in shift.vector_m)
    cause = (
        f"the base antenna was moved by {words_of(moved)}, or its coordinates do not belong to its place"
        if entry_known
        else "the base frame is another one"
    )
    if not both_ways:
        cause += "; only stands of both that face different ways would tell this from a changed antenna offset on the car"
    return (
        f"{label}: {_same_entry(entry_known)}, but on common marks all positions are shifted by "
        f"{words_of(shift.vector_m)}{half} (95 %): {cause}"
    )


def _same_entry(entry_known: bool) -> str:
    if entry_known:
        return "the same base coordinates were entered"
    return "what was entered at the base is not known"


def other_site(label: str, entered: Array, not_linked: str) -> str:
    """Say that the base stands at another site and nothing links the two."""
    return (
        f"{label}: its base stands {np.linalg.norm(entered):.0f} m from the reference base by the entered "
        "coordinates; "
        f"whether both belong to one frame is not evaluated: {not_linked}"
    )


def other_entry(label: str, entered: Array, not_linked: str) -> str:
    """Say that other coordinates were entered at the same site and no mark was visited."""
    return (
        f"{label}: the entered base coordinates differ by {words_of(as_three(entered))} from the reference, and "
        "all positions "
        f"with them if the antenna stands where it did; whether it does is not evaluated: {not_linked}"
    )


def shifted_without_marks(label: str, kind: str, vector_m: Sequence[float], shift: Shift) -> str:
    """Say that base logs (``base_log``) or parking places (``common_stands``) show a shift of all positions."""
    return (
        f"{label}: {_SHOWN_BY[kind]} show all positions shifted by {words_of(vector_m)} "
        f"± {up_words(max(shift.half_width_m))} (95 %)"
    )


def logs_agree(label: str, log: Shift) -> str:
    """Say that the logs at the base show the antenna where it was."""
    return f"{label}: the logs at the base show no shift of the antenna above {up_words(log.detectable_m)}"


def nothing_shows(label: str, not_linked: str, *, entry_known: bool) -> str:
    """Say that nothing tells where the antenna stands."""
    entry = (
        "the same base coordinates were entered, which says nothing of where the antenna stands"
        if entry_known
        else "the base position is not known"
    )
    return (
        f"{label}: {entry}; whether the base was shifted is not evaluated: "
        f"{not_linked}, and no centimetre-grade log at the base was given"
    )


def no_shift_within(detectable_m: float) -> str:
    """Say what marks show between the runs of one set-up."""
    return f"; on common marks no shift above {up_words(detectable_m)} was found between its runs"
