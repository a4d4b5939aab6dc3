"""Steps in height that no road makes, where plan is not watched: a wrong fix is taken or left, or the base changed.

In plan the velocity of a fused solution follows what its filter does, so that nothing stands out there; height has no velocity beside it.
A log without any speed tells even less. Where neither inertial data nor anything else watches heights, a sharp step of them tells when
the solution changed. By how much it did in plan is not known.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analyzer import wording
from analyzer.evidence.chain import covariance
from analyzer.evidence.heights import Leaps
from analyzer.evidence.slews import Slews, inside_of
from analyzer.evidence.track import Track
from analyzer.recording import Finding
from analyzer.settings import thresholds


def with_leaps(slews: Slews, leaps: Leaps, track: Track) -> Slews:
    """Return `slews` and the sharp steps in height of `leaps` that are as large as those of wrong fixes, as steps of unknown size in plan."""
    limits = thresholds("analyzer.evidence")
    told = _at_once(leaps, track) if track.from_places else [row for at in leaps.at if (row := _settled(track, int(at))) is not None]
    rows = [row for row in told if not len(slews.between(*row[:2]))]
    if not rows:
        return slews
    first, last, up, sigma = np.array(rows).T
    plan = np.full(len(up), limits["fused.size"] ** 2)
    var = covariance(plan, np.maximum(limits["height.least_jump"], sigma) ** 2)
    step = np.column_stack([np.zeros((len(up), 2)), up])
    spans = np.vstack([slews.spans, np.column_stack([first, last])])
    order = np.argsort(spans[:, 0], kind="stable")
    return replace(slews, spans=spans[order], step=np.vstack([slews.step, step])[order], var=np.vstack([slews.var, var])[order],
                   inside=slews.inside | inside_of(track, spans[order]))


def leap_words(slews: Slews, leapt: Slews, *, blind: bool) -> tuple[Finding, ...]:
    """Return in words which sharp steps `leapt` has beside `slews`; none where there are none. `blind`: no speed was logged."""
    own = leapt.step[~np.isin(leapt.spans[:, 0], slews.spans[:, 0]), 2]
    if not len(own):
        return ()
    whose, why = ("", "no speed was logged that could tell what plan did: a wrong fix is taken or left there, or the base changed") if blind else (
        " of the fused solution", "its velocity says nothing of it: the filter takes or leaves a wrong fix there")
    text = (f"While fixed the height{whose} stepped {wording.times(len(own))} by more than any road does, by up to "
            f"{np.abs(own).max():.2f} m, and {why}. Which side is wrong is judged by the rest.")
    return (Finding("height_steps", "warning", text, {"times": len(own), "largest_m": float(np.abs(own).max())}),)


def _at_once(leaps: Leaps, track: Track) -> list[tuple[float, float, float, float]]:
    """Return begin and end [s], size and sigma [m] of the large steps of a log without any speed: a satellite receiver steps from one epoch to the next."""
    large = np.flatnonzero(np.abs(leaps.step[:, 2]) > thresholds("analyzer.evidence")["leap.least"])
    return [(float(track.t[at - 1]), float(track.t[at]), float(leaps.step[k, 2]), float(np.sqrt(leaps.var[k, 1]))) for k, at in zip(large, leaps.at[large], strict=True)]


def _settled(track: Track, at: int) -> tuple[float, float, float, float] | None:
    """Return begin and end [s] of a step at an epoch, its size and sigma [m] once the filter has settled; None where it is small or slow."""
    limits = thresholds("analyzer.evidence")
    t, up = track.t, track.places[:, 2]
    first, last = float(t[at]) - limits["leap.before"], float(t[at]) + limits["leap.settles"]
    sides = [up[np.searchsorted(t, a):np.searchsorted(t, b)] for a, b in ((first - 1.0, first), (last, last + 1.0))]
    if not all(np.isfinite(side).any() for side in sides):
        return None
    size = float(np.nanmedian(sides[1]) - np.nanmedian(sides[0]))
    speed = float(np.nanmax(np.hypot(*track.velocity[np.searchsorted(t, first):np.searchsorted(t, last)].T), initial=0.0))
    # what the steepest street makes of the way that was driven meanwhile is none
    least = max(limits["leap.least"], limits["height.slope"] * speed * (last - first + 1.0))
    return (first, last, size, abs(size) / limits["slew.height_sigmas"]) if abs(size) > least else None
