"""The fine offset: least squares on the epochs themselves, robust, with drift and an interval from the scatter of blocks."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import stats

from analyzer.attaching.signals import LIMITS, Array, Pair
from analyzer.settings import thresholds

ROUNDS = 25
CONVERGED_S = 1e-6
NORMAL_95 = 1.96


@dataclass(frozen=True)
class Line:
    """Offset as a straight line of UTC: ``offset_s + drift * (t - centre_s)``, with the 95 % half-widths of both."""

    offset_s: float
    drift: float
    centre_s: float
    half_width_s: float
    drift_half_width: float
    n: int
    correlation: float
    scale: float
    blocks: pd.DataFrame = field(repr=False, default_factory=pd.DataFrame)
    reason: str | None = None

    def at(self, seconds: Array | float) -> Array:
        """Return the offset [s] at UTC `seconds`."""
        return np.asarray(self.offset_s + self.drift * (np.asarray(seconds) - self.centre_s))

    def half_width_at(self, seconds: Array | float) -> Array:
        """Return the 95 % half-width [s] at UTC `seconds`, what is not known of the drift included."""
        away = np.nan_to_num(self.drift_half_width) * (np.asarray(seconds) - self.centre_s)
        return np.asarray(np.hypot(self.half_width_s, away))


def fit(pair: Pair, start_s: float) -> Line:
    """Return the offset line of `pair`, starting from a coarse offset.

    The reference at each epoch t is explained as ``bias + scale * measured(t + offset)``: the measured signal is read
    between its samples, the reference is never interpolated. Weights follow Huber. Offsets of short blocks come from the
    linearised fit; a weighted line through them gives offset and drift, their scatter about it the interval
    (Student's t on the effective number of blocks). A drift is
    kept where it is clear, drawn towards zero by the usual size of such drifts.
    """
    limits = thresholds(LIMITS)
    line = Line(start_s, 0.0, 0.0, np.nan, np.nan, 0, np.nan, np.nan)
    for width in (max(limits["fit.box_first_s"], pair.width_s), max(pair.width_s, 2.0 * pair.measured.step_s)):
        line = _converge(pair, line, width, drifting=False)
        if line.reason:
            return line
    span_s = float(line.blocks["seconds"].iloc[-1] - line.blocks["seconds"].iloc[0])
    unknown = NORMAL_95 * limits["fit.drift_usual_ppm"] * 1e-6
    if span_s < limits["fit.drift_needs_s"]:
        return _checked(Line(**{**line.__dict__, "drift_half_width": unknown}))
    width = max(pair.width_s, 2.0 * pair.measured.step_s)
    drifting = _converge(pair, line, width, drifting=True)
    if drifting.reason:
        return _checked(Line(**{**line.__dict__, "drift_half_width": unknown}))
    if abs(drifting.drift) > limits["fit.drift_clear"] * drifting.drift_half_width:
        return _checked(_drawn(drifting))
    drawn = _drawn(drifting)
    return _checked(Line(**{**line.__dict__, "drift_half_width": abs(drawn.drift) + drawn.drift_half_width}))


def _drawn(line: Line) -> Line:
    """Return `line` with its drift drawn towards zero by what clocks usually do (normal prior, no drift expected)."""
    usual = thresholds(LIMITS)["fit.drift_usual_ppm"] * 1e-6
    share = usual**2 / (usual**2 + (line.drift_half_width / NORMAL_95) ** 2)
    return Line(**{**line.__dict__, "drift": line.drift * share, "drift_half_width": line.drift_half_width * np.sqrt(share)})


def _checked(line: Line) -> Line:
    """Return `line`, with a reason where it is too uncertain to be an answer."""
    limits = thresholds(LIMITS)
    if not line.half_width_s <= limits["fit.widest_s"]:
        return Line(**{**line.__dict__, "reason": f"the offset stays uncertain by {line.half_width_s:.2f} s: "
                       "the drive holds too few changes of speed"})
    return line


def _converge(pair: Pair, line: Line, width_s: float, *, drifting: bool) -> Line:
    """Repeat the linearised fit until the offset stands."""
    for _ in range(ROUNDS):
        new = _step(pair, line, width_s, drifting=drifting)
        if new.reason:
            return new
        moved = abs(float(new.at(line.centre_s)) - float(line.at(line.centre_s)))
        turned = abs(new.drift - line.drift) * float(np.ptp(new.blocks["seconds"]))
        line = new
        if moved < CONVERGED_S and turned < CONVERGED_S:
            return line
    return line


def _step(pair: Pair, line: Line, width_s: float, *, drifting: bool) -> Line:
    """Return the line after one linearised fit."""
    seconds, wanted, columns, pull = laid_out(pair, line, width_s)
    if len(seconds) < 20:
        return _failed(line, "too few epochs of the recording lie within the measurement")
    if pair.detrend_s:
        whole = detrended(seconds, np.column_stack([wanted, pull, columns[:, 1:]]), pair.detrend_s)
        wanted, pull, columns = whole[:, 0], whole[:, 1], np.column_stack([columns[:, 0], whole[:, 2:]])
    part, weight = robust(columns, wanted)
    rest = wanted - columns @ part
    pull = part[1] * pull
    root = np.sqrt(weight)[:, None]
    free = pull - columns @ np.linalg.lstsq(columns * root, pull * root[:, 0], rcond=None)[0]
    correlation = float(np.corrcoef(columns @ part, wanted)[0, 1]) if np.ptp(columns @ part) > 0 else 0.0
    blocks = _blocks(seconds, weight * free * free, weight * free * rest)
    made = _line_of(blocks, line, drifting=drifting)
    return Line(**{**made.__dict__, "n": len(seconds), "correlation": correlation, "scale": float(part[1])})


def laid_out(pair: Pair, line: Line, width_s: float) -> tuple[Array, Array, Array, Array]:
    """Return seconds, reference, the columns that explain it and the slope, where both sides are known at `line`."""
    moment = pair.seconds + line.at(pair.seconds)
    shape = pair.measured.mean(moment, width_s)
    slope = pair.measured.slope(moment, width_s)
    used = np.isfinite(pair.reference) & np.isfinite(shape) & np.isfinite(slope)
    if not used.any():
        return np.empty(0), np.empty(0), np.empty((0, 2)), np.empty(0)
    design = [np.ones(int(used.sum())), shape[used] - shape[used].mean()]
    if pair.lever.size:
        design.append(slope[used] * pair.lever[used])
    return pair.seconds[used], pair.reference[used], np.column_stack(design), slope[used]


def robust(columns: Array, wanted: Array) -> tuple[Array, Array]:
    """Return coefficients and weights of a least-squares fit with Huber's weights."""
    limit = thresholds(LIMITS)["fit.huber"]
    weight: Array = np.ones(len(wanted))
    part: Array = np.zeros(columns.shape[1])
    for _ in range(4):
        root = np.sqrt(weight)[:, None]
        part = np.asarray(np.linalg.lstsq(columns * root, wanted * root[:, 0], rcond=None)[0], dtype=np.float64)
        rest = np.abs(wanted - columns @ part)
        scale = 1.4826 * float(np.median(rest)) + 1e-9
        weight = np.minimum(1.0, limit * scale / np.maximum(rest, 1e-12))
    return part, weight


def detrended(seconds: Array, columns: Array, length_s: float) -> Array:
    """Return `columns` less the straight line over each stretch of `length_s`."""
    _, number = np.unique(np.floor((seconds - seconds[0]) / length_s), return_inverse=True)
    count = np.bincount(number).astype(np.float64)
    away = seconds - (np.bincount(number, seconds) / count)[number]
    lever = np.maximum(np.bincount(number, away * away), 1e-12)
    out = np.empty_like(columns)
    for k in range(columns.shape[1]):
        mean = np.bincount(number, columns[:, k]) / count
        turn = np.bincount(number, away * columns[:, k]) / lever
        out[:, k] = columns[:, k] - mean[number] - turn[number] * away
    return out


def _blocks(seconds: Array, information: Array, score: Array) -> pd.DataFrame:
    """Return for each block its time, its offset against the line so far, and how much it says."""
    limits = thresholds(LIMITS)
    length_s = max(min(float(seconds[-1] - seconds[0]) / limits["fit.blocks_wanted"], limits["fit.block_s"]), limits["fit.block_least_s"])
    number = np.floor((seconds - seconds[0]) / length_s).astype(np.int64)
    weight = np.bincount(number, information)
    centre = np.bincount(number, information * seconds)
    total = np.bincount(number, score)
    kept = weight > 1e-12 * max(float(weight.max()), 1e-300)
    return pd.DataFrame({"seconds": centre[kept] / weight[kept], "offset_s": total[kept] / weight[kept],
                         "weight": weight[kept]})


def _line_of(blocks: pd.DataFrame, line: Line, *, drifting: bool) -> Line:
    """Return the weighted line through the blocks' offsets, added to `line`."""
    limits = thresholds(LIMITS)
    time, offset, weight = (blocks[c].to_numpy(dtype=np.float64) for c in ("seconds", "offset_s", "weight"))
    effective = float(weight.sum() ** 2 / (weight**2).sum()) if len(weight) else 0.0
    if effective < limits["fit.least_blocks"]:
        return _failed(line, "too few changes of speed: they all fall into a few seconds")
    centre = float(np.average(time, weights=weight))
    spread = time - centre
    moved = float(np.average(offset, weights=weight))
    turned = float((weight * spread * offset).sum() / (weight * spread**2).sum()) if drifting else 0.0
    rest = offset - moved - turned * spread
    asked = 2.0 if drifting else 1.0
    swell = effective / max(effective - asked, 1.0)
    student = float(stats.t.ppf(0.975, max(effective - asked, 1.0)))
    sigma = np.sqrt(swell * (weight**2 * rest**2).sum()) / weight.sum()
    turn_sigma = np.nan
    if drifting:
        lever = (weight * spread**2).sum()
        turn_sigma = float(np.sqrt(swell * (weight**2 * spread**2 * rest**2).sum()) / lever)
    at = blocks.assign(offset_s=line.at(time) + offset)
    return Line(
        float(line.at(centre)) + moved, line.drift + turned if drifting else 0.0, centre,
        float(np.hypot(student * sigma, limits["fit.floor_s"])), student * turn_sigma, 0, np.nan, np.nan, at,
    )


def _failed(line: Line, reason: str) -> Line:
    return Line(**{**line.__dict__, "reason": reason})
