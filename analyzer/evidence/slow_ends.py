"""Slow steps at the ends of stretches: what they add to the step from one to the next, and whose epochs the slow moments are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analyzer.evidence.chain import Posterior, worst_in_plan
from analyzer.evidence.displacement import integrate
from analyzer.evidence.slews import Slews
from analyzer.evidence.stretches import Ints, Stretches
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds


def with_slews(
    stretches: Stretches, slews: Slews, track: Track, *, steps: Floats, variances: Floats
) -> tuple[Floats, Floats, Flags]:
    """Return steps (k-1, 3) and variances (k-1, 4) with what independent motion measured between stretches, and which stretches began with a slow step.

    Horizontally the slow step adds to what the solution's own velocity shows; in height it replaces the guess from the
    slope of the road where it is known better and nothing was lost between: while not fixed nobody watched. Of a move that a stand
    shows in part the height before and behind tells no more than that.
    """
    by_slew = np.zeros(len(stretches), dtype=bool)
    if not len(slews.spans) or len(stretches) < 2:
        return steps, variances, by_slew
    steps, variances = steps.copy(), variances.copy()
    for k in range(len(stretches) - 1):
        end, start = stretches.spans[k, 1], stretches.spans[k + 1, 0]
        found = slews.between(track.t[end - 1], track.t[start])
        if not len(found):
            continue
        by_slew[k + 1] = True
        steps[k, :2] += sum(_agreed(track, slews, int(j)) for j in found)
        variances[k, :3] += slews.var[found, :3].sum(axis=0)
        own = float(slews.var[found, 3].sum())
        limits = thresholds("analyzer.evidence")
        watched = (~track.fixed[end:start]).sum() * track.nominal_s < limits["wrong.loss"]
        in_part = own > limits["wrong.height_in_part"] ** 2 and track.standing[np.searchsorted(track.t, slews.spans[found].mean(axis=1))].any()
        if own < variances[k, 3] and watched:
            steps[k, 2], variances[k, 3] = slews.step[found, 2].sum(), own
        elif in_part:  # a height that stands still from there on shows no more of it
            steps[k, 2] += sum(_unseen(slews, int(j))[2] for j in found)
            variances[k, 3] = own
    return steps, variances, by_slew


def without_passing(
    stretches: Stretches, steps: Floats, variances: Floats, *, by_slew: Flags, t: Floats
) -> tuple[Stretches, Floats, Floats, Flags]:
    """Return stretches, steps, variances and which began with a slow step, without short stretches that end with one: the solution was on its way.

    What begins with a slow step too was one step seen in two; the first fix of all was being drawn over. Behind a loss such a stretch tells how
    far the step led. Their epochs are left to `into_slews`, and the next stretch counts as begun as they were.
    """
    length = t[stretches.spans[:, 1] - 1] - t[stretches.spans[:, 0]] if len(stretches) else np.zeros(0)
    first = np.arange(len(by_slew)) == 0
    passing = (by_slew | first) & np.r_[by_slew[1:], False][:len(by_slew)] & (length < thresholds("analyzer.evidence")["slew.passing"])
    if not passing.any():
        return stretches, steps, variances, by_slew
    kept = np.flatnonzero(~passing)
    legs = np.searchsorted(kept, np.arange(1, len(stretches)))  # the step to stretch k leads on to the next that is kept
    ramps = np.vstack([stretches.ramps, t[stretches.spans[passing] - [0, 1]]])
    ids = np.where(stretches.id >= 0, np.where(passing, -1, np.cumsum(~passing) - 1)[np.maximum(stretches.id, 0)], -1)
    joined = replace(stretches, spans=stretches.spans[kept], by_jump=stretches.by_jump[kept], id=ids, ramps=ramps[np.argsort(ramps[:, 0])])
    count = len(kept) - 1
    together = [np.array([x[legs == k + 1].sum(axis=0) for k in range(count)]).reshape(count, x.shape[1]) for x in (steps, variances)]
    begun = np.r_[0, kept[:-1] + 1]  # the first of those that are joined
    return joined, together[0], together[1], by_slew[begun]


def unwatched(stretches: Stretches, by_slew: Flags, variances: Floats, shown: Flags) -> Flags:
    """Return the stretches that began with a slow step of well-known size and lie mostly where `shown` (n,) says that none would have stood out."""
    sharp = np.r_[False, worst_in_plan(variances) < thresholds("analyzer.evidence")["wrong.tested"] ** 2][:len(stretches)]
    return np.asarray(by_slew & sharp & np.array([shown[start:end].mean() < 0.5 for start, end in stretches.spans], dtype=bool))


def _agreed(track: Track, slews: Slews, which: int) -> Floats:
    """Return the part east and north [m] of a slow step that the solution's velocity shows as well, so that the residual lacks it.

    In motion that is all of it. At a stand velocity counts as none, and the step stands in the residual already, but for the part that no stand showed.
    """
    inside = np.flatnonzero((track.t >= slews.spans[which, 0]) & (track.t <= slews.spans[which, 1]))
    moved, _ = integrate(track.t[inside], np.nan_to_num(track.velocity[inside]))
    still = len(moved) > 0 and np.hypot(*moved.T).sum() < thresholds("analyzer.evidence")["slew.most"] and track.standing[inside].any()
    return np.asarray(moved.sum(axis=0) + _unseen(slews, which)[:2]) if still else slews.step[which, :2]


def _unseen(slews: Slews, which: int) -> Floats:
    return slews.unseen[which] if len(slews.unseen) else np.zeros(3)


def into_slews(stretches: Stretches, posterior: Posterior, slews: Slews, track: Track) -> Ints:
    """Return the stretch ids with fixed epochs in slow or drawn-out steps given to the worse of the neighbours, and its soft ends too.

    A move that a stand shows in part may have begun, or go on, for as long as a filter takes to settle.
    """
    ids = stretches.id.copy()
    limits = thresholds("analyzer.evidence")
    in_part = [_unseen(slews, k).any() for k in range(len(slews.spans))] + [False] * len(stretches.ramps)
    for (first, last), more in zip([*slews.spans, *stretches.ramps], in_part, strict=True):
        soft = limits["slew.settled" if more else "slew.soft"]
        inside = np.flatnonzero((track.t >= first) & (track.t <= last) & track.fixed)
        if not len(inside):
            continue
        near = [ids[i] for i in (inside[0] - 1, min(inside[-1] + 1, len(ids) - 1)) if i >= 0 and ids[i] >= 0]
        if not near:
            continue
        worse = max(near, key=lambda k: posterior.wrong[k])
        if posterior.wrong[worse] > limits["wrong.doubtful"]:
            inside = np.flatnonzero((track.t >= first - soft) & (track.t <= last + soft) & track.fixed)
        ids[inside] = worse
    return ids
