"""Steps in height between fixed stretches: what the road and its slope say of them, and the heights right beside a jump.

A wrong fix is off in height as well, mostly by more than in plan, and at low rates its step stands out in height first: the car
drives on by many metres between two epochs, and climbs by centimetres. So stretches are cut where the height steps as no road
does, and a jump from one epoch to the next is measured from the heights beside it, where a road of many seconds is not in the way.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analyzer.evidence import noise as noise_of
from analyzer.evidence.claim import AXIS_95
from analyzer.evidence.heights import Leaps, carried_step, half_window, single_step, stays, usual_kink
from analyzer.evidence.knots import Knots
from analyzer.evidence.noise import Noise
from analyzer.evidence.stretches import Ints, Stretches, measure_height_steps
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds

#: Variance of a step in height that nobody measured [m²].
UNMEASURED = 1e6
#: Heights right beside a jump miss it by more than medians say: slopes change by fits and starts.
KINK_TIMES = 1.5


def rise_of(track: Track, fresh: Flags) -> Noise:
    """Return how far heights wander along this road; not learnt where no height is logged."""
    height = np.column_stack([track.places[:, 2]] * 2)
    return noise_of.learn_moving(height, fresh & np.isfinite(height[:, 0]), track, key="road")


def cut_at_leaps(stretches: Stretches, leaps: Leaps, track: Track) -> Stretches:
    """Return the stretches, cut at the `leaps` in height that are larger than what a car drives over, come at once and last."""
    inside = leaps.at[(stretches.id[leaps.at] >= 0) & (stretches.id[leaps.at] == stretches.id[leaps.at - 1])]
    up, half = track.places[:, 2], half_window(track)
    at = np.array([k for k in inside if _at_once(up, int(k), half)], dtype=np.int64)
    if not len(at):
        return stretches
    starts = np.sort(np.concatenate([stretches.spans[:, 0], at]))
    own = stretches.id[starts]
    last = np.r_[own[1:] != own[:-1], True]
    spans = np.column_stack([starts, np.where(last, stretches.spans[own, 1], np.r_[starts[1:], 0])])
    number = np.searchsorted(starts, np.arange(len(stretches.id)), side="right") - 1
    by_jump = np.where(np.isin(starts, stretches.spans[:, 0]), stretches.by_jump[own], True)
    return replace(stretches, spans=spans, by_jump=by_jump, id=np.where(stretches.id >= 0, number, -1))


def _at_once(up: Floats, at: int, half: int) -> bool:
    """Return whether the heights `up` (n,) step at row `at` from one row to the next, and stay: spikes of some rows come back."""
    step, single = carried_step(up, at, half), single_step(up, at)
    large = min(abs(step), abs(single)) > thresholds("analyzer.evidence")["leap.cuts"]
    return bool(large and step * single > 0 and stays(up, at, half, step))


def height_steps(stretches: Stretches, knots: Knots, rise: Noise, track: Track, *, coarse: Floats) -> tuple[Floats, Floats]:
    """Return the steps in height (k-1,) [m] between stretches and their variances [m²]; `UNMEASURED` where none is known.

    Beyond `bridge.longest` none is measured: a car that stood or crept learns a quiet road, and leaves it while nobody looks.
    """
    count = max(len(stretches) - 1, 0)
    if not rise.learnt or not count:
        return np.zeros(count), np.full(count, UNMEASURED)
    steps, variances = measure_height_steps(stretches, knots, rise)
    away_s = knots.t[knots.of_epoch[stretches.spans[1:, 0]]] - knots.t[knots.of_epoch[stretches.spans[:-1, 1] - 1]]
    far = away_s > thresholds("analyzer.evidence")["bridge.longest"]
    steps, variances = np.where(far, 0.0, steps), np.where(far, UNMEASURED, variances)
    return (steps, variances) if track.from_places else _sharper(stretches, track, steps, variances, coarse=coarse)


def _sharper(stretches: Stretches, track: Track, steps: Floats, variances: Floats, *, coarse: Floats) -> tuple[Floats, Floats]:
    """Return steps and variances, those of jumps from one epoch to the next by the heights beside them where these know better."""
    limits = thresholds("analyzer.evidence")
    half = half_window(track)
    at: Ints = stretches.spans[1:, 0]
    room = np.minimum(at - stretches.spans[:-1, 0], stretches.spans[1:, 1] - at) >= 2 * half
    up, beside = track.places[:, 2], stretches.at_once & room
    if not beside.any():
        return steps, variances
    both = [(carried_step(up, int(k), half), single_step(up, int(k))) if yes else (np.nan, np.nan) for k, yes in zip(at, beside, strict=True)]
    direct, single = np.array(both, dtype=np.float64).T
    usual = KINK_TIMES * usual_kink(track, stretches)
    var = (usual * coarse[at]) ** 2 + limits["height.kerb"] ** 2 + 2 * limits["height.right_sigma"] ** 2 + (direct - single) ** 2
    better = beside & (var < variances)
    return np.where(better, direct, steps), np.where(better, var, variances)


def stepped(steps: Floats, variances: Floats) -> Flags:
    """Return which steps in height (k,) are larger than what a car drives over, and none by chance."""
    limits = thresholds("analyzer.evidence")
    return np.asarray(np.abs(steps) > np.maximum(limits["leap.cuts"], limits["leap.cut_sigmas"] * np.sqrt(variances)))


def off_level(leaps: Leaps, stretches: Stretches, t: Floats) -> Floats:
    """Return how far (n,) [m] the height of each epoch is off the level that its stretch keeps longest, by the `leaps` inside it.

    Which of two levels is right nobody knows: the one that lasts longer is taken for it.
    """
    out = np.zeros(len(t))
    sigma = np.sqrt(leaps.var[:, 1])
    told = np.abs(leaps.step[:, 2]) > 3 * np.hypot(sigma, np.sqrt(2.0) * thresholds("analyzer.evidence")["height.right_sigma"])
    for start, end in stretches.spans:
        its = np.flatnonzero(told & (leaps.at > start) & (leaps.at < end))
        if not len(its):
            continue
        level = np.r_[0.0, np.cumsum(leaps.step[its, 2])]
        edges = np.r_[start, leaps.at[its], end]
        lasting = np.diff(np.append(t, t[-1:])[edges])
        order = np.argsort(level)
        middle = level[order][np.searchsorted(np.cumsum(lasting[order]), lasting.sum() / 2)]
        spread = AXIS_95 * sigma[its].max()
        away = np.where(np.abs(level - middle) > spread, np.abs(level - middle) + spread, 0.0)
        out[start:end] = np.repeat(away, np.diff(edges))
    return out
