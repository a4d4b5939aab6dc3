"""A fused solution along whose track nothing independent watched is not evaluated for wrong fixes, and so is never fit.

Position, velocity and claim of such a solution come from one filter: a wrong fix that it takes slowly while it stays fixed shows in
none of them. The bounds and the trust of its epochs say what the rest of the evidence says; the verdict of windows and run is
``not_evaluated`` at best, unless a wrong fix of usual size would not matter for the purpose, or a person accepts the time.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from dataclasses import replace

from analyzer.assessment import Purpose
from analyzer.recording import Finding
from analyzer.settings import thresholds
from analyzer.verdict.purposes import limit_95

#: Verdicts that say that positions may be used.
USABLE = ("fit", "fit_with_exclusions")
#: What neither wheel speed nor raw inertial data watched; a heading watches across the track only, and may come from the same filter.
WATCHED = "along"
#: What `fused_unwatched` says of fixes.
_FIXES = re.compile(r": a wrong fix [^.]*\. ")


def unwatched_words(axes: Collection[str], purpose: Purpose) -> str:
    """Return why nothing can be called fit; empty where that may be.

    Parameters
    ----------
    axes : axes of the track on which nothing watched a fused solution, `Evidence.unwatched`.
    purpose : a wrong fix of `fused.size` [m] matters where it limits the position in plan to less than that.
    """
    size = thresholds("analyzer.evidence")["fused.size"]
    matters = any(limit.quantity == "position" and limit.axis != "vertical" and limit_95(limit) < size for limit in purpose.limits)
    if not matters or WATCHED not in axes:
        return ""
    return "whether a wrong fix was taken slowly could not be evaluated: no wheel speed or raw inertial data watched this fused solution"


def of_never_fixed(findings: Iterable[Finding]) -> list[Finding]:
    """Return findings of a run that never was fixed without words on fixes: what nothing watched there may err, but holds no wrong fix."""
    return [replace(f, text=_FIXES.sub(": an error that it took slowly would not show there. ", f.text)) if f.code == "fused_unwatched" else f
            for f in findings]


def watched_level(level: str, unwatched: str) -> tuple[str, list[str]]:
    """Return the level after `unwatched_words`, and what is said where they lowered it."""
    if not unwatched or level not in USABLE:
        return level, []
    return "not_evaluated", [unwatched]
