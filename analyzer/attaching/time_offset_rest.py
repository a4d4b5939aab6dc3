"""What is left of the difference of two signals at the offset that was found: two recordings of one motion leave their noise."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analyzer.attaching.signals import LIMITS, Array, Pair
from analyzer.attaching.time_offset_fit import Line, detrended, laid_out, robust
from analyzer.settings import thresholds


@dataclass(frozen=True)
class Rest:
    """What is left, in units of the reference.

    `correlation` of both over stretches of about a second, the noise of single epochs and the worst blocks left out;
    `left` is what disagrees over such stretches (root mean square), `noise` that of single epochs.
    """

    correlation: float
    left: float
    noise: float


def proven(pair: Pair, line: Line, *, strict: bool = False) -> Line:
    """Return `line`, with a reason where what is left is too much for two recordings of one motion.

    Parameters
    ----------
    strict : whether it must fit as closely as two recordings of one speed do; else as closely as no two drives were seen to.
    """
    limits = thresholds(LIMITS)
    rest = rest_of(pair, line)
    wanted = limits["rest.inertial"] if pair.inertial else limits["rest.strict" if strict else "rest.least"]
    little = limits["rest.noise"] * rest.noise
    if not strict and pair.kind != "yaw_rate":
        little = max(little, limits["rest.speed_mps"])
    fits = rest.correlation >= wanted and (not strict or rest.left <= limits["rest.strict_noise"] * rest.noise)
    if fits or rest.left <= little:
        return line
    unit = " rad/s" if pair.kind == "yaw_rate" and not pair.detrend_s else " rad" if pair.kind == "yaw_rate" else " m/s"
    return replace(line, reason=f"at the best offset, {line.offset_s:+.1f} s, the two signals stay apart by {rest.left:.2g}{unit}, {rest.left / max(rest.noise, 1e-9):.0f} "
                   f"times their noise (correlation {rest.correlation:.3f}), more than two recordings of one drive: a drive that repeats itself, "
                   "a wrong channel, or another drive")


def rest_of(pair: Pair, line: Line) -> Rest:
    """Return what is left of `pair` at `line`, slow trends taken out of both."""
    limits = thresholds(LIMITS)
    length_s = max(limits["rest.mean_s"], 2.0 * pair.measured.step_s)
    seconds, wanted, columns, _ = laid_out(pair, line, max(pair.width_s, limits["fit.box_s"]))
    if len(seconds) < 3:
        return Rest(0.0, np.nan, np.nan)
    free = detrended(seconds, np.column_stack([wanted, columns[:, 1:]]), pair.detrend_s or limits["fit.trend_s"])
    part, _ = robust(free[:, 1:], free[:, 0])
    shape = free[:, 1:] @ part
    left = free[:, 0] - shape
    noise = 1.4826 * float(np.median(np.abs(np.diff(left)))) / np.sqrt(2.0)
    _, number, count = np.unique(np.floor(seconds / length_s), return_inverse=True, return_counts=True)
    block = np.floor(np.bincount(number, seconds) / count / limits["fit.block_s"])
    _, block = np.unique(block, return_inverse=True)
    moved = np.maximum(np.bincount(block, (np.bincount(number, left) / count) ** 2 - noise**2 / count), 0.0)
    common = np.bincount(block, (np.bincount(number, shape) / count) ** 2)
    return _summed(np.column_stack([moved, common, np.bincount(block)]), noise)


def _summed(blocks: Array, noise: float) -> Rest:
    """Return the sums over `blocks` (what is left, what is common, count), those left out that disagree most (slip, wrong positions)."""
    share = blocks[:, 0] / np.maximum(blocks[:, 0] + blocks[:, 1], 1e-300)
    kept = np.argsort(share, kind="stable")[: max(1, int(np.ceil((1.0 - thresholds(LIMITS)["rest.spoilt"]) * len(share))))]
    moved, common, count = (float(x) for x in blocks[kept].sum(axis=0))
    correlation = np.sqrt(common / (moved + common)) if moved + common > 0 else 0.0
    return Rest(float(correlation), float(np.sqrt(moved / count)), noise)
