"""Cut the fixed epochs into stretches with one offset each, and measure the steps between neighbours.

A new stretch begins where fixed is reached again, behind a gap, at a change of station, and where the residual jumps
within fixed. A step is measured by predicting the walk of the residual from the stretch before, and back from the
stretch behind, to the same moment; the slow velocity error seen on either side is carried across.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from analyzer import intervals
from analyzer.evidence.knots import Knots, value_variance, walk_model
from analyzer.evidence.noise import Noise
from analyzer.evidence.sharp_steps import sharp_steps
from analyzer.evidence.smoothed_steps import smoothed_steps
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.evidence.two_state import Filtered, Model, reversed_model, run_filter
from analyzer.settings import thresholds

Ints = NDArray[np.int64]
#: Steps with more variance than this have no velocity behind them [m²].
BLIND_VAR = 1.0
#: So many surprises beside a boundary have a mean.
LEAST_SURPRISES = 4


#: Sigmas within which the step from one epoch to the next agrees with that of the filters on both sides.
AGREES = 2.0


@dataclass(frozen=True)
class Stretches:
    """Fixed stretches in order.

    Attributes
    ----------
    spans : (k, 2) [start, end) epochs.
    by_jump : (k,) whether the stretch began with a jump inside fixed.
    id : per epoch, -1 outside.
    ramps : (r, 2) seconds in which the position moved from one stretch to the next while fixed; they belong to none yet.
    """

    spans: Ints
    by_jump: Flags
    id: Ints
    ramps: Floats = field(default_factory=lambda: np.zeros((0, 2)))

    def __len__(self) -> int:
        return len(self.spans)

    @property
    def at_once(self) -> Flags:
        """Return whether each stretch goes over into the next by a jump from one epoch to the next (k-1,)."""
        return np.asarray(self.by_jump[1:] & (self.spans[:-1, 1] == self.spans[1:, 0]), dtype=bool)


def cut(track: Track, residual: Floats, noise: Noise, *, breaks: Flags, fixed: Flags, coarse: Floats, truncated: Floats) -> Stretches:
    """Return the stretches of `fixed` epochs; `breaks[i]` true begins a new one at epoch i (station or base change).

    `coarse` (n,) says how much noisier the positions around each epoch are than usual.
    """
    gap = np.r_[False, np.diff(track.t) > max(thresholds("analyzer.evidence")["stretch.gap"], 1.5 * track.nominal_s)]
    spans = intervals.equal_runs(fixed, gap | breaks)
    spans = spans[fixed[spans[:, 0]]] if len(spans) else spans
    pieces: list[tuple[int, int]] = []
    by_jump: list[bool] = []
    ramps: list[tuple[int, int]] = []
    for start, end in spans:
        around = {"coarse": coarse[start:end], "truncated": truncated[start:end - 1]}
        jumps = jumps_in(residual[start:end], track, noise, int(start), **around)
        drawn: list[tuple[int, int]] = []
        if not track.from_places:
            sharp = sharp_steps(residual[start:end], track.places[start:end, 2], track.nominal_s, around["truncated"])
            apart = thresholds("analyzer.evidence")["stretch.jump_window"]
            jumps = sorted([*jumps, *(int(start) + k for k in sharp if all(abs(track.t[int(start) + k] - track.t[j]) > apart for j in jumps))])
            drawn = [(int(start) + a, int(start) + b) for a, b in smoothed_steps(residual[start:end], track.velocity[start:end], track.nominal_s, noise, **around)]
            drawn = [(a, b) for a, b in drawn if not any(a <= j <= b for j in jumps)]
        cuts = sorted([*((j, j) for j in jumps), *drawn])
        pieces += zip([int(start), *(b for _, b in cuts)], [*(a for a, _ in cuts), int(end)], strict=True)
        by_jump += [False] + [True] * len(cuts)
        ramps += drawn
    whole = np.asarray(pieces, dtype=np.int64).reshape(-1, 2)
    ids = np.full(len(track), -1, dtype=np.int64)
    for number, (start, end) in enumerate(whole):
        ids[start:end] = number
    between = np.array([(track.t[a], track.t[b - 1]) for a, b in ramps]).reshape(-1, 2)
    return Stretches(whole, np.asarray(by_jump, dtype=bool), ids, between)


def jumps_in(residual: Floats, track: Track, noise: Noise, offset: int, *, coarse: Floats, truncated: Floats) -> list[int]:
    """Return epochs (from the start of the track) at which the residual jumps and stays, inside one fixed stretch.

    The medians of `stretch.jump_window` before and after must differ by more than `stretch.jump_sigmas` of their own
    noise and by more than `stretch.least_jump`; single spikes do not move a median. Half of the change must come within three
    epochs: a receiver that mends a fix does so at once, noise under trees wanders. Where the residual comes back within two windows
    both edges are jumps: a few wrong epochs stand by themselves.
    """
    limits = thresholds("analyzer.evidence")
    stride = max(1, int(0.1 / track.nominal_s))
    thin = residual[::stride]
    half = max(3, round(limits["stretch.jump_window"] / (track.nominal_s * stride)))
    if len(thin) < 2 * half + 1:
        return []
    medians = _running_median(thin, half)
    change = np.hypot(*(medians[half:] - medians[:-half]).T)
    local = noise.white_m * coarse[half * stride::stride][:len(change)]
    sampled = np.r_[0.0, np.cumsum(truncated)][::stride]
    lost = (np.append(sampled, sampled[-1])[2 * half:] - sampled[:-2 * half + 1] if len(sampled) > 2 * half else np.zeros(len(change)))[:len(change)]
    sigma = np.sqrt(4.0 * local**2 + noise.wander(half * stride * track.nominal_s) ** 2 + lost)
    beyond = change > np.maximum(limits["stretch.jump_sigmas"] * sigma, limits["stretch.least_jump"])
    found: list[int] = []
    for start, end in intervals.runs(beyond):
        centre = (int(start + np.argmax(change[start:end])) + half) * stride
        first = max(centre - half * stride, 1)
        step = np.hypot(*np.diff(residual[first - 1:centre + half * stride], axis=0).T)
        at = first + int(np.argmax(step))
        abrupt = np.hypot(*(residual[min(at + 1, len(residual) - 1)] - residual[at - 2])) >= 0.5 * change[start:end].max()
        abrupt &= not track.from_places or _leap(track.places[offset:offset + len(residual), :2], at) >= 0.5 * change[start:end].max()
        if 1 < at < len(residual) - 1 and abrupt and (not found or at - (found[-1] - offset) >= half * stride):
            back = None if track.from_places else _way_back(residual, at, 2 * half * stride)
            edges = [at] if back is None else sorted((at, back))
            found += [offset + k for k in edges if not found or offset + k > found[-1]]
    return found


def _way_back(residual: Floats, at: int, reach: int) -> int | None:
    """Return the row within `reach` of the step to row `at` whose step undoes it to a quarter; None where there is none."""
    first = max(at - reach, 1)
    steps = np.diff(residual[first - 1:at + reach + 1], axis=0)
    own = steps[at - first]
    left = np.hypot(*(steps + own).T)
    best = int(np.argmin(left))
    return first + best if left[best] < 0.25 * np.hypot(*own) else None


def _leap(places: Floats, at: int) -> float:
    """Return by how much the step to row `at` differs from those around it [m]: braking spreads over many, a jump has one."""
    steps = np.diff(places[max(at - 3, 0):at + 3], axis=0)
    own = min(at - 1, 2)
    return float(np.hypot(*(steps[own] - np.median(np.delete(steps, own, axis=0), axis=0)))) if len(steps) > 2 else 0.0


def _running_median(values: Floats, width: int) -> Floats:
    """Return medians of `width` successive rows, (n - width + 1, 2)."""
    from numpy.lib.stride_tricks import sliding_window_view

    return np.median(sliding_window_view(values, width, axis=0), axis=-1)


def measure_steps(stretches: Stretches, knots: Knots, noise: Noise) -> tuple[Floats, Floats]:
    """Return the horizontal steps (k-1, 2) [m] between neighbouring stretches and their variances per axis (k-1,) [m²]."""
    return _across(stretches, knots, _both_ways(stretches, knots, value_variance(knots, noise), walk_model(knots, noise)))


def with_sharp_jumps(
    stretches: Stretches, measured: tuple[Floats, Floats], residual: Floats, noise: Noise, *, coarse: Floats, way_var: Floats
) -> tuple[Floats, Floats]:
    """Return steps (k-1, 2) [m] and variances (k-1,) [m²] as `measured`, those of jumps from one epoch to the next where that is known better.

    Filters leave out what lies beside a border, so that at low rates they lead across seconds of driving; a jump has no way to lead
    across. One that is drawn out over some epochs does not agree with the step between two of them and stays as measured. `way_var`
    (n-1,) is the variance of the way from each epoch to the next [m²].
    """
    steps, variances = (x.copy() for x in measured)
    starts = stretches.spans[1:, 0]
    beside = np.flatnonzero(stretches.at_once)
    at = starts[beside]
    direct = residual[at] - residual[at - 1]
    floor = thresholds("analyzer.evidence")["knot.floor"]
    around = np.maximum(coarse[at], coarse[at - 1])
    known = 2 * ((noise.white_m**2 + floor**2) * around**2) + way_var[at - 1]
    same = ((direct - steps[beside]) ** 2).sum(axis=1) <= AGREES**2 * variances[beside]
    better = np.flatnonzero(same & (known < variances[beside]))
    steps[beside[better]], variances[beside[better]] = direct[better], known[better]
    return steps, variances


def measure_height_steps(stretches: Stretches, knots: Knots, noise: Noise) -> tuple[Floats, Floats]:
    """Return the height steps (k-1,) [m] and their variances [m²]; `noise` is that of heights on this road.

    Here the slowly changing rate is the slope of the road, seen on either side and carried across.
    """
    walk = Knots(knots.t, knots.of_epoch, np.column_stack([knots.up, knots.up]), knots.up, knots.count, knots.coarse,
                 noise.walk_m2ps * knots.moving + np.where(knots.walk_var > BLIND_VAR, knots.walk_var, 0.0), knots.moving)
    variance = value_variance(walk, noise)
    both = _both_ways(stretches, walk, variance, walk_model(walk, noise))
    steps, variances = _across(stretches, walk, both)
    return steps[:, 0], variances * _unlike(stretches, walk, variance, both)


def _unlike(stretches: Stretches, knots: Knots, variance: Floats, both: tuple[Filtered, Filtered]) -> Floats:
    """Return by how much (k-1,) the surprises of the filters beside each boundary exceed what they should be; 1 at least.

    A road is learnt by medians over the whole drive: where a drive along flat streets meets a slope, the filter lags behind it.
    """
    out, around_s = np.ones(max(len(stretches) - 1, 0)), thresholds("analyzer.evidence")["height.around"]
    first, last = knots.of_epoch[stretches.spans[:, 0]], knots.of_epoch[stretches.spans[:, 1] - 1]
    ahead, back = both
    moved = np.r_[False, knots.moving > 0] | np.r_[knots.moving > 0, False]
    for before, before_cov, behind in ((ahead.before, ahead.before_cov, False), (back.before[::-1], back.before_cov[::-1], True)):
        surprise = (knots.value[:, 0] - before[:, 0]) ** 2 / (before_cov[:, 0] + variance)
        for k in range(len(out)):
            # what a filter says of the first knot of a stretch is of the stretch before it
            low, high = (first[k + 1], last[k + 1]) if behind else (first[k] + 1, last[k] + 1)
            near = moved[low:high] & (np.abs(knots.t[low:high] - knots.t[low if behind else high - 1]) <= around_s)
            told = surprise[low:high][near]
            if np.isfinite(told).sum() >= LEAST_SURPRISES:
                out[k] = max(out[k], float(np.nanmean(told)))
    return out


def _both_ways(stretches: Stretches, knots: Knots, variance: Floats, model: Model) -> tuple[Filtered, Filtered]:
    """Return the filters ahead and back (in reversed order), each begun anew in every stretch."""
    begins, ends = np.zeros(len(knots.t), dtype=bool), np.zeros(len(knots.t), dtype=bool)
    begins[knots.of_epoch[stretches.spans[:, 0]]] = True
    ends[knots.of_epoch[stretches.spans[:, 1] - 1]] = True
    return run_filter(knots.value, variance, model, begins), run_filter(knots.value[::-1], variance[::-1], reversed_model(model), ends[::-1])


def _across(stretches: Stretches, knots: Knots, both: tuple[Filtered, Filtered]) -> tuple[Floats, Floats]:
    """Predict each boundary from the stretch before and back from the one behind; return difference and variance."""
    if len(stretches) < 2:
        return np.zeros((0, 2)), np.zeros(0)
    ahead, back = both
    at = knots.of_epoch[stretches.spans[1:, 0]]
    from_before, before_cov = ahead.before[at], ahead.before_cov[at]
    from_behind, behind_cov = back.after[::-1][at], back.after_cov[::-1][at]
    gain = (before_cov[:, 1] + behind_cov[:, 1]) / (before_cov[:, 2] + behind_cov[:, 2])
    difference = from_behind - from_before
    steps = difference[:, [0, 2]] - gain[:, None] * difference[:, [1, 3]]
    variances = before_cov[:, 0] + behind_cov[:, 0] - gain * (before_cov[:, 1] + behind_cov[:, 1])
    least = thresholds("analyzer.evidence")["knot.floor"] * np.maximum(knots.coarse[at], knots.coarse[np.maximum(at - 1, 0)])
    return steps, np.maximum(variances, 2 * least**2)


def merge_false_jumps(stretches: Stretches, steps: Floats, step_var: Floats, coarse: Floats, *, in_height: Flags) -> Stretches:
    """Return the stretches with jumps undone that the walk, once filtered, does not confirm against the noise around them.

    Those that heights show beyond doubt, `in_height` (k-1,), stay.
    """
    limits = thresholds("analyzer.evidence")
    size = np.hypot(*steps.T) if len(steps) else np.zeros(0)
    around = coarse[stretches.spans[1:, 0]] if len(steps) else np.zeros(0)
    sigma = np.sqrt(step_var + 2 * (limits["stretch.right_sigma"] * around) ** 2)
    false = np.r_[False, stretches.by_jump[1:] & ~in_height & (size < np.maximum(limits["stretch.least_jump"], 3 * sigma))]
    if not false.any():
        return stretches
    first = np.flatnonzero(~false)
    last = np.r_[first[1:] - 1, len(stretches) - 1]
    spans = np.column_stack([stretches.spans[first, 0], stretches.spans[last, 1]])
    renumber = np.cumsum(~false) - 1
    ids = np.where(stretches.id >= 0, renumber[np.maximum(stretches.id, 0)], -1)
    return replace(stretches, spans=spans, by_jump=stretches.by_jump[first], id=ids)


def inner(stretches: Stretches, t: Floats) -> Flags:
    """Return the epochs inside stretches but for their last and first moments: the state lags the position by an epoch or two."""
    limit = thresholds("analyzer.evidence")["stretch.margin"]
    out = stretches.id >= 0
    for start, end in stretches.spans:
        margin = min(limit, (t[end - 1] - t[start]) / 4)
        if end - start > 5:
            out[start:max(start + 1, int(np.searchsorted(t[start:end], t[start] + margin)) + start)] = False
            out[min(end - 1, int(np.searchsorted(t[start:end], t[end - 1] - margin, side="right")) + start):end] = False
    return out
