"""Slow steps of a fused solution: a filter that takes a wrong fix moves there within seconds, without a jump.

The velocity of the solution against independent motion (`independent`) is scanned for pulses of `LENGTHS_S`: the mean in a
window minus the mean of the flanks beside it, times its length, is the step of the position over the window. Sigma of each
length is learnt by medians from the drive itself, around every place; steps along, across and up count together, each as well as
it is known.

Source: matched filter of a pulse in slowly varying noise; 1.4826 times the median absolute value is sigma of a normal.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from analyzer import intervals
from analyzer.evidence.chain import covariance
from analyzer.evidence.independent import Independent
from analyzer.evidence.rest import moves_at_rest, stands
from analyzer.evidence.slew_measure import by_axis, largest, on_the_map
from analyzer.evidence.slew_scan import Scan, driving_of, on_grid, scan_length
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds

#: Lengths of the pulses that are looked for [s]; filters settle within some seconds.
LENGTHS_S = (1.5, 3.0, 5.0, 8.0)
AXES = ("across", "along", "up")
#: Steps looked for at most: more than these would be noise, not fixes.
MOST = 40


@dataclass(frozen=True)
class Slews:
    """Slow steps in time order: `spans` (k, 2) seconds, `step` (k, 3) east, north, up [m], `var` (k, 4) as from `chain.covariance`.

    `inside` : per epoch. `sigma_m` : by axis, what a step of five seconds is known to; empty where nothing independent is.
    `shown` : per epoch, a wrong fix of usual size would have stood out; `stirred` : something in height did, be it the road alone.
    `unseen` : (k, 3) [m] as `step`, the part of it that no stand showed; none where empty.
    """

    spans: Floats
    step: Floats
    var: Floats
    inside: Flags
    shown: Flags
    sigma_m: dict[str, float]
    stirred: Flags = field(default_factory=lambda: np.zeros(0, dtype=bool))
    unseen: Floats = field(default_factory=lambda: np.zeros((0, 3)))

    def between(self, first_s: float, last_s: float) -> NDArray[np.int64]:
        """Return the slews that lie between two moments."""
        return np.flatnonzero((self.spans[:, 1] > first_s) & (self.spans[:, 0] < last_s))


def none_found(count: int) -> Slews:
    """Return that nothing was looked for."""
    off = np.zeros(count, dtype=bool)
    return Slews(np.zeros((0, 2)), np.zeros((0, 3)), np.zeros((0, 4)), off, off, {})


def find_slews(track: Track, motion: Independent) -> Slews:
    """Return the slow steps of the solution against independent motion."""
    limits = thresholds("analyzer.evidence")
    if not motion.sources:
        return none_found(len(track))
    every = max(limits["slew.grid"], track.nominal_s)
    t, values, gain = on_grid(track, motion, every)
    scans = [scan_length(values, gain, every, length, driving=driving_of(t, track, length)) for length in LENGTHS_S if length >= 1.5 * every]
    if not scans:
        return none_found(len(track))
    told = scans if "up" in motion.sources else [_without_height(scan) for scan in scans]
    at_rest, moves, move_var, unseen = moves_at_rest(track, stands(track, motion))
    large = _large(t, values, gain, scans=scans, told=told, track=track, motion=motion, every=every)
    found = _joined(large, (at_rest, moves, move_var))
    spans, step, var = _with_partners(t, values, gain, found, scans=scans, track=track, motion=motion, every=every)
    still = np.isin(spans[:, 0], at_rest[:, 0])
    part = np.zeros_like(step)
    part[still] = unseen[np.searchsorted(at_rest[:, 0], spans[still, 0])]
    hidden = _hidden(t, values, spans) & ~still[:, None]
    var = np.where(still[:, None], var, _enlarged(step, var, hidden))
    spans = _to_their_ends(t, values, spans, hidden)
    middle = told[min(2, len(scans) - 1)]
    by_axis = {axis: float(np.nanmedian(middle.sigma[k])) for k, axis in enumerate(AXES) if np.isfinite(middle.sigma[k]).any()}
    shown = np.interp(track.t, t, (_stands_out(middle) > limits["slew.measured"]).astype(np.float64)) > 0.5
    return Slews(spans, step, var, inside_of(track, spans), shown, by_axis, _stirred(t, scans, track), part)


def _stirred(t: Floats, scans: list[Scan], track: Track) -> Flags:
    """Return in which epochs (n,) the height moved against the slope by more than `slew.stirs` sigmas over some length."""
    beyond = np.zeros(len(t), dtype=bool)
    for scan in scans:
        beyond |= np.abs(np.nan_to_num(scan.step[2] / scan.sigma[2])) > thresholds("analyzer.evidence")["slew.stirs"]
    return np.asarray(np.interp(track.t, t, beyond.astype(np.float64)) > 0.5, dtype=bool)


def _enlarged(step: Floats, var: Floats, hidden: Flags) -> Floats:
    """Return the variances (k, 4) of steps in motion as they count beside others, `hidden` (k, 3) where they are seen in part."""
    limits = thresholds("analyzer.evidence")
    unseen = np.asarray([hidden[:, :2].any(axis=1), hidden[:, 2]], dtype=np.float64)
    out: Floats = var * limits["slew.surcharge"] ** 2 + limits["slew.hidden"] ** 2 * covariance(*unseen)
    # slopes of the road and of the body do not scatter as a normal does: beyond so many sigmas height tells no more
    out[:, 3] = np.maximum(out[:, 3], (step[:, 2] / limits["slew.height_sigmas"]) ** 2)
    return out


def inside_of(track: Track, spans: Floats) -> Flags:
    """Return which epochs lie in one of the spans (k, 2) [s], in time order; steps at stands may overlap others."""
    return intervals.covered(track.t, intervals.join_close(spans, 0.0))


def _large(
    t: Floats, values: Floats, gain: Floats, *, scans: list[Scan], told: list[Scan], track: Track, motion: Independent, every: float
) -> tuple[Floats, Floats, Floats]:
    """Return spans, steps and variances of the peaks of the scans `told` that stand out over their whole length too."""
    spans = _peaks(t, told)
    step, var, known = _measured(t, values, gain, spans, scans=scans, track=track, motion=motion, every=every)
    return spans[known], step[known], var[known]


def _stands_out(scan: Scan) -> Floats:
    """Return by how many sigmas a wrong fix of usual size stands out in each cell at least, whichever way it points in plan."""
    power = np.nan_to_num(thresholds("analyzer.evidence")["slew.usual"] / scan.sigma) ** 2
    return np.asarray(np.sqrt(np.minimum(power[0], power[1]) + power[2]))


def _hidden(t: Floats, values: Floats, spans: Floats) -> Flags:
    """Return whether spans run into a stand or a gap, (k, 3) by axis: such a step is seen in part."""
    watched = np.isfinite(values).any(axis=1)
    ends = [values[:, (t >= first) & (t <= last)][:, [0, -1]] for first, last in spans]
    return np.array([np.isnan(e).any(axis=1) & watched for e in ends], dtype=bool).reshape(-1, 3)


def _to_their_ends(t: Floats, values: Floats, spans: Floats, hidden: Flags) -> Floats:
    """Return spans whose end is hidden with as much of what is hidden as a filter takes to settle."""
    out = spans.copy()
    limits = thresholds("analyzer.evidence")
    for k in np.flatnonzero(hidden.any(axis=1)):
        unseen = np.isnan(values[hidden[k]]).any(axis=0) & (t > spans[k].mean()) & (t <= spans[k, 1] + limits["slew.settled"])
        following = spans[k + 1, 0] if k + 1 < len(spans) else np.inf
        out[k, 1] = min(max(spans[k, 1], t[unseen].max(initial=-np.inf)), following)
    return out


def _without_height(scan: Scan) -> Scan:
    """Return a scan that knows nothing of heights: a slope alone is the road's until another axis moved too."""
    return replace(scan, sigma=np.vstack([scan.sigma[:2], np.full_like(scan.sigma[2:], np.nan)]))


def _peaks(t: Floats, scans: list[Scan]) -> Floats:
    """Return the windows (k, 2) [s] of pulses, strongest first taken, in time order.

    Around what was found nothing else is looked for: beside a pulse its own flanks would pass for another.
    """
    limits = thresholds("analyzer.evidence")
    taken = np.zeros((len(scans), len(t)), dtype=bool)
    scores = []
    for scan in scans:
        scores.append(_score(np.where(scan.flank | (np.abs(scan.step) > largest()[:, None]), 0.0, scan.step), scan.sigma, limits["slew.least"]))
    found: list[tuple[float, float]] = []
    for _ in range(MOST):
        free = np.where(taken, 0.0, scores)
        which, at = np.unravel_index(int(np.argmax(free)), free.shape)
        if free[which, at] <= limits["slew.sigmas"]:
            break
        half = scans[which].length_s / 2 + limits["slew.margin"]
        found.append((t[at] - half, t[at] + half))
        for k, scan in enumerate(scans):
            taken[k] |= np.abs(t - t[at]) < half + scan.length_s / 2 + limits["slew.flank"]
    return np.asarray(sorted(found), dtype=np.float64).reshape(-1, 2)


def _score(step: Floats, sigma: Floats, least: float) -> Floats:
    """Return how many sigmas the axes together stand out; 0 where none is large by itself."""
    ratio = np.nan_to_num(step / sigma)
    large = (np.nan_to_num(np.abs(step)) > least) & (np.abs(ratio) > 3.0)
    return np.where(large.any(axis=0), np.sqrt((ratio**2).sum(axis=0)), 0.0)


def _measured(
    t: Floats, values: Floats, gain: Floats, spans: Floats, *, scans: list[Scan], track: Track, motion: Independent,
    every: float,
) -> tuple[Floats, Floats, Flags]:
    """Return the step of each span in east, north, up, its variances (k, 4), and whether along an axis that is watched it is large."""
    direction = np.nan_to_num(motion.direction[np.clip(np.searchsorted(track.t, t), 0, len(track) - 1)])
    steps, variances = np.zeros((len(spans), 3)), np.zeros((len(spans), 4))
    large = np.zeros(len(spans), dtype=bool)
    for k, (first, last) in enumerate(spans):
        size, sigma = by_axis(t, values, gain, (first, last), scans=scans, every=every)
        steps[k], variances[k] = on_the_map(direction[(t >= first) & (t <= last)], size, sigma)
        large[k] = _is_large(np.abs(size), sigma, by_height="up" in motion.sources) and not _height_alone(np.abs(size), sigma)
    return steps, variances, large


def _is_large(size: Floats, sigma: Floats, *, by_height: bool) -> bool:
    """Return whether a step stands out: `size` (3,) across, along and up [m] and `sigma`, NaN where nothing watches.

    Along the track braking leaves more than sigma says: what stands out there alone must do so by the worse of both sigmas.
    """
    limits = thresholds("analyzer.evidence")
    least, times = limits["slew.least"], limits["slew.measured"]
    known = sigma[:2][np.isfinite(sigma[:2])]
    plan = len(known) > 0 and np.hypot(*size[:2]) > max(least, times * float(known.max()))
    return bool(plan or size[0] > max(least, times * sigma[0]) or (by_height and size[2] > max(2 * least, times * sigma[2])))


def _height_alone(size: Floats, sigma: Floats) -> bool:
    """Return whether a step is surely more in height than a wrong fix makes beside so small a step in plan: a crest or a dip of the road."""
    limits = thresholds("analyzer.evidence")
    plan, up = float(np.hypot(*(size[:2] + 2 * sigma[:2]))), size[2] - 2 * sigma[2]
    return bool(np.isfinite(plan) and up > max(2 * limits["slew.least"], limits["slew.height_ratio"] * plan))


def _joined(one: tuple[Floats, Floats, Floats], other: tuple[Floats, Floats, Floats]) -> tuple[Floats, Floats, Floats]:
    """Return spans, steps and variances of both, in time order."""
    spans, step, var = (np.vstack(x) for x in zip(one, other, strict=True))
    order = np.argsort(spans[:, 0], kind="stable")
    return spans[order], step[order], var[order]


def _with_partners(
    t: Floats, values: Floats, gain: Floats, found: tuple[Floats, Floats, Floats], *, scans: list[Scan], track: Track,
    motion: Independent, every: float,
) -> tuple[Floats, Floats, Floats]:
    """Return the slow steps with the other end of those that stand alone, where the opposite step explains a place well.

    A wrong fix comes and goes with the same step. Knowing one end, the other may be fainter than one nobody knows of:
    twice the log likelihood ratio of the opposite step against none must exceed `slew.partner`.
    """
    limits = thresholds("analyzer.evidence")
    spans, step, var = found
    direction = np.nan_to_num(motion.direction[np.clip(np.searchsorted(track.t, t), 0, len(track) - 1)])
    more: list[tuple[float, float]] = []
    of: list[int] = []
    for k in range(len(spans)):
        opposite = np.column_stack([step[:, :2] + step[k, :2], step[:, 2] + step[k, 2]])
        sigma = np.sqrt((var + var[k])[:, [0, 1, 3]])
        beside = (np.arange(len(spans)) != k) & (np.abs(spans.mean(axis=1) - spans[k].mean()) < limits["slew.apart"])
        if (beside & (np.abs(opposite / sigma).max(axis=1) < 4.0)).any():
            continue
        near = (np.abs(t - spans[k].mean()) < limits["slew.apart"]) & (np.abs(t - spans[k].mean()) > 10.0)
        best, where = _best_place(-step[k], t, direction, near, scans=scans)
        apart = all(where[1] < a or where[0] > b for a, b in [*spans, *more])
        if best > limits["slew.partner"] and apart:
            more.append(where)
            of.append(k)
    extra = np.asarray(more).reshape(-1, 2)
    added, added_var, _ = _measured(t, values, gain, extra, scans=scans, track=track, motion=motion, every=every)
    sigma = np.sqrt((added_var + var[of])[:, [0, 1, 3]])
    same = (np.abs((added + step[of]) / sigma) < 4.0).all(axis=1)  # as measured over its whole length, too
    extra, added, added_var = extra[same], added[same], added_var[same]
    spans, step, var = np.vstack([spans, extra]), np.vstack([step, added]), np.vstack([var, added_var])
    order = np.argsort(spans[:, 0], kind="stable")
    return spans[order], step[order], var[order]


def _best_place(wanted: Floats, t: Floats, direction: Floats, near: Flags, *, scans: list[Scan]) -> tuple[float, tuple[float, float]]:
    """Return twice the log likelihood ratio of the step `wanted` (3,) [m] against none where it is largest, and the window there."""
    along = wanted[0] * direction[:, 0] + wanted[1] * direction[:, 1]
    across = -wanted[0] * direction[:, 1] + wanted[1] * direction[:, 0]
    hidden = np.stack([across, along, np.full(len(t), wanted[2])])
    best, where = 0.0, (0.0, 0.0)
    for scan in scans:
        shown = scan.step / scan.sigma
        gain = np.where(np.isfinite(shown), shown**2 - ((scan.step - hidden) / scan.sigma) ** 2, 0.0).sum(axis=0)
        gain[~near] = 0.0
        top = int(np.argmax(gain))
        if gain[top] > best:
            best, where = float(gain[top]), (t[top] - scan.length_s / 2 - 0.5, t[top] + scan.length_s / 2 + 0.5)
    return best, where
