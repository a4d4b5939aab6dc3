"""Whether a clock kept its pace: windows of the offset are held against one straight line, and against a line with a step in it.

The interval of an offset comes from the scatter of windows about a line and says nothing where the clock was set within
the file: half of the rows then lie on one side of the interval and half on the other.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analyzer.attaching.signals import LIMITS, Array, Flags, Pair
from analyzer.attaching.time_offset_fit import Line, fit
from analyzer.settings import thresholds

#: Shares of what a drive tells at which it is cut in two: a step elsewhere leaves one part of mixed level, which shows less of it.
CUTS = (0.35, 0.5, 0.65)


@dataclass(frozen=True)
class Step:
    """A step of one clock against the other, between two windows of the offset.

    Attributes
    ----------
    size_s, half_width_s : by how much the measurement's clock jumped forward, with the half-width of its 95 % interval.
    before_s, after_s : offset at the step on either side.
    drift : slope of the offset that both sides share.
    from_s, until_s : the step lies between these seconds of the recording.
    clear : whether it is a step and no scatter of windows, as of a delay that changes with speed.
    """

    size_s: float
    half_width_s: float
    before_s: float
    after_s: float
    drift: float
    from_s: float
    until_s: float
    clear: bool


@dataclass(frozen=True)
class Watch:
    """Over which seconds of the recording a step would have been seen, and from which size on; and the step, if any."""

    from_s: float
    until_s: float
    least_s: float
    step: Step | None = None


def watch(windows: pd.DataFrame) -> Watch | None:
    """Look for a step in windows of an offset; None where there are too few of them to tell.

    Parameters
    ----------
    windows : ``seconds offset_s weight`` in order of time; weights are inverse variances but for one common factor.
    """
    limits = thresholds(LIMITS)
    if len(windows) < 2.0 * limits["step.side"] + 1.0:
        return None
    seconds, offset, weight = (windows[c].to_numpy(dtype=np.float64) for c in ("seconds", "offset_s", "weight"))
    noise = _noise(offset, weight)
    told = noise <= limits["step.told"]
    if int(told.sum()) < 2.0 * limits["step.side"] + 1.0:
        return None
    side = int(limits["step.side"])
    moments = seconds[told]
    found = [s for k in range(1, len(seconds)) for skipped in (0, 1) if (s := _at(seconds, offset, noise, k, skipped)) is not None]
    seen = [max(limits["step.least"], limits["step.clear"] * s.half_width_s / 1.96) for s in found]
    best = max((s for s in found if _stands(s, seconds, offset, noise)), key=lambda s: abs(s.size_s) / s.half_width_s, default=None)
    return Watch(float(moments[side - 1]), float(moments[-side]), float(np.median(seen)) if seen else np.nan, best)


def _noise(offset: Array, weight: Array) -> Array:
    """Return the sigma of each window [s]: by differences of neighbours, which one step and a drift leave as they are."""
    limits = thresholds(LIMITS)
    share = 1.0 / weight
    apart = np.abs(np.diff(offset)) / np.sqrt(share[1:] + share[:-1])
    unit = 1.4826 * float(np.median(apart))
    return np.asarray(np.hypot(unit * np.sqrt(share), limits["step.model"]))


def _at(seconds: Array, offset: Array, noise: Array, k: int, skipped: int) -> Step | None:
    """Return the step before window `k`, the window before it left out where it may hold the step itself; None where nothing tells."""
    limits = thresholds(LIMITS)
    before, after = np.arange(len(seconds)) < k - skipped, np.arange(len(seconds)) >= k
    if not before.any() or not after.any():
        return None
    last, first = float(seconds[k - skipped - 1]), float(seconds[k])
    used = before | after
    time = seconds[used] - 0.5 * (last + first)
    design = np.column_stack([np.ones(len(time)), time, after[used].astype(np.float64)])
    # what no clock does is kept from passing for a step
    prior = np.array([[0.0, 1.0 / (limits["step.drift_largest"] * 1e-6), 0.0]])
    part, covariance = _robust(design, offset[used], noise[used], prior)
    sigma = float(np.sqrt(covariance[2, 2]))
    clear = bool(abs(part[2]) >= max(limits["step.clear"] * sigma, limits["step.least"]))
    before_s = float(part[0])
    return Step(float(part[2]), 1.96 * sigma, before_s, before_s + float(part[2]), float(part[1]), last, first, clear)


def _robust(design: Array, wanted: Array, noise: Array, prior: Array) -> tuple[Array, Array]:
    """Return coefficients and covariance with Huber's weights, so that one wild window moves neither level."""
    limit = thresholds(LIMITS)["fit.huber"]
    weight: Array = 1.0 / noise**2
    factor: Array = np.ones(len(wanted))
    part: Array = np.zeros(design.shape[1])
    normal = np.eye(design.shape[1])
    for _ in range(10):
        root = (weight * factor)[:, None]
        normal = design.T @ (root * design) + prior.T @ prior
        part = np.asarray(np.linalg.solve(normal, design.T @ (root[:, 0] * wanted)), dtype=np.float64)
        rest = np.abs(wanted - design @ part) / noise
        factor = np.minimum(1.0, limit / np.maximum(rest, 1e-12))
    return part, np.asarray(np.linalg.inv(normal))


def _stands(step: Step, seconds: Array, offset: Array, noise: Array) -> bool:
    """Return whether it is seen: beyond its noise, and the nearest windows on both sides that can tell lie each on their own side."""
    limits = thresholds(LIMITS)
    if abs(step.size_s) < limits["step.clear"] * step.half_width_s / 1.96:
        return False
    level = step.before_s + step.drift * (seconds - 0.5 * (step.from_s + step.until_s))
    beyond = (offset - level) / step.size_s
    told = noise <= limits["step.share"] * abs(step.size_s)
    count = int(limits["step.side"])
    left: Flags = beyond[told & (seconds <= step.from_s)][-count:] < 0.5
    right: Flags = beyond[told & (seconds >= step.until_s)][:count] > 0.5
    return len(left) == count and len(right) == count and bool(left.all() and right.all())


def sides(pair: Pair, step: Step) -> Step:
    """Return `step` with the offset of each side fitted by itself: windows far off the common line read too little of it."""
    middle = 0.5 * (step.from_s + step.until_s)
    lines = []
    for kept, level in ((pair.seconds <= step.from_s, step.before_s), (pair.seconds >= step.until_s, step.after_s)):
        line = fit(replace(pair, reference=np.where(kept, pair.reference, np.nan)), level)
        lines.append(line)
    before, after = (float(line.at(middle)) for line in lines)
    if any(line.reason is not None for line in lines) or not 0.5 <= (after - before) / step.size_s <= 2.0:
        unread = thresholds(LIMITS)["step.unread"] * abs(step.size_s)
        return replace(step, half_width_s=float(np.hypot(step.half_width_s, unread)))
    one, other = (float(line.half_width_at(middle)) for line in lines)
    half = float(np.hypot(one, other))
    return replace(step, size_s=after - before, half_width_s=half, before_s=before, after_s=after)


def halves(pair: Pair, line: Line, watched: Watch | None) -> Watch | None:
    """Return `watched` with the step that two parts of a drive show, each fitted by itself, where its windows tell too little.

    A line through a step makes each window uncertain, most of all where only turns tell; each part lies near its own level.
    """
    limits = thresholds(LIMITS)
    if watched is not None and (watched.step is not None or watched.least_s <= limits["step.told"]):
        return watched
    total = np.cumsum(line.blocks["weight"].to_numpy(dtype=np.float64))
    cuts = [float(line.blocks["seconds"].iloc[int(np.searchsorted(total, share * total[-1]))]) for share in CUTS]
    found = [made for cut in dict.fromkeys(cuts) if (made := _parted(pair, line, cut)) is not None]
    best = max((w for w in found if w.step is not None and w.step.clear), key=lambda w: abs(w.step.size_s) / w.least_s if w.step else 0.0, default=None)
    return watched if best is None else best


def _parted(pair: Pair, line: Line, cut_s: float) -> Watch | None:
    """Return what the parts before and behind `cut_s` show; None where one of them tells nothing."""
    limits = thresholds(LIMITS)
    parts = [fit(replace(pair, reference=np.where(kept, pair.reference, np.nan)), line.offset_s) for kept in (pair.seconds < cut_s, pair.seconds >= cut_s)]
    if any(part.reason is not None for part in parts):
        return None
    before, after = (float(part.at(cut_s)) for part in parts)
    one, other = (float(part.half_width_at(cut_s)) for part in parts)
    half, size = float(np.hypot(one, other)), after - before
    least = max(limits["step.least"], limits["step.clear"] * half / 1.96)
    # the cut need not be where the clock jumped: the part with the step in it lies between both levels
    unread = limits["step.unread_part"] * abs(size)
    step = Step(size, float(np.hypot(half, unread)), before, after, 0.0, parts[0].centre_s, parts[1].centre_s, abs(size) >= least)
    return Watch(parts[0].centre_s, parts[1].centre_s, least, step)
