"""Nominal rate found from the data, missing epochs, gaps and jitter."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import intervals
from analyzer.geodesy import PIECE
from analyzer.metrics.metric import Metric, missing
from analyzer.settings import thresholds

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Timeline:
    """Times of the epochs and what each of them counts for.

    Attributes
    ----------
    seconds : (n,) seconds [s] since the first epoch, increasing.
    nominal_s : nominal interval [s], NaN with fewer than two epochs.
    usual_s : (n - 1,) interval that is usual at that place [s]: the nominal one, longer in stretches of a lower rate.
    gap_after : (n,) whether epochs are missing after this one; False for the last.
    interval_s : (n,) time to the next epoch [s]; NaN across a gap and for the last epoch.
    slow : [start, end) index pairs of the intervals in stretches of a regular lower rate.
    """

    seconds: Array
    nominal_s: float
    usual_s: Array
    gap_after: NDArray[np.bool_]
    interval_s: Array
    slow: NDArray[np.int64]

    @property
    def gap_before(self) -> NDArray[np.bool_]:
        """Whether epochs are missing before this one."""
        return np.r_[False, self.gap_after[:-1]] if len(self.gap_after) else self.gap_after

    @property
    def gap_spans(self) -> Array:
        """[last epoch before, first epoch after] of each gap in seconds."""
        at = np.flatnonzero(self.gap_after)
        return np.column_stack([self.seconds[at], self.seconds[at + 1]])


def nominal_interval(steps_s: Array) -> float:
    """Return the nominal interval [s] of positive `steps_s`, NaN where there are none.

    The densest place of the intervals on a logarithmic scale (5 % wide bins, three together), then the median within
    half of it; the mean where rounding of the times splits the intervals in two (30 Hz printed as 0.03 and 0.04).
    """
    steps = steps_s[np.isfinite(steps_s) & (steps_s > 0)]
    if not len(steps):
        return float("nan")
    bins = np.floor(np.log(steps) / np.log(1.05)).astype(np.int64)
    low = bins.min()
    counts = np.bincount(np.minimum(bins - low, 2000), minlength=3).astype(np.float64)
    dense = int(np.argmax(np.convolve(counts, [1.0, 1.001, 1.0], mode="same"))) + low
    centre = 1.05 ** (dense + 0.5)
    near = steps[(steps > 0.5 * centre) & (steps < 1.5 * centre)]
    median, mean = float(np.median(near)), float(np.mean(near))
    return mean if abs(mean - median) > 0.02 * median else median


def timeline(times: pd.DatetimeIndex) -> Timeline:
    """Return the timeline of increasing `times`."""
    limit = thresholds("analyzer.metrics")
    seconds = intervals.seconds(times)
    count = len(seconds)
    steps = np.diff(seconds)
    nominal = nominal_interval(steps)
    usual = np.full(len(steps), nominal)
    factor = limit["rate.gap_factor"]
    slow = _slow_runs(steps, nominal * factor)
    for start, end in slow:
        usual[start:end] = np.median(steps[start:end])
    gap = np.zeros(count, dtype=bool)
    gap[:-1] = steps > factor * usual + 1e-6
    interval = np.full(count, np.nan)
    interval[:-1] = steps
    interval[gap] = np.nan
    return Timeline(seconds, nominal, usual, gap, interval, slow)


def _slow_runs(steps: Array, longer_than: float) -> NDArray[np.int64]:
    """Return [start, end) of runs of regular intervals that are longer than a gap would be."""
    limit = thresholds("analyzer.metrics")
    kept = []
    for start, end in intervals.runs(steps > longer_than):
        if end - start >= limit["rate.slow_run"]:
            low, middle, high = np.percentile(steps[start:end], [25, 50, 75])
            if high - low <= limit["rate.slow_spread"] * middle:
                kept.append((start, end))
    return np.asarray(kept, dtype=np.int64).reshape(-1, 2)


def missing_after(line: Timeline) -> NDArray[np.int64]:
    """Return the number of epochs missing after each epoch (0 where none)."""
    count = np.zeros(len(line.seconds), dtype=np.int64)
    at = np.flatnonzero(line.gap_after)
    count[at] = np.maximum(np.rint(np.diff(line.seconds)[at] / line.usual_s[at]).astype(np.int64) - 1, 1)
    return count


def rate_metrics(line: Timeline, *, duplicates: int = 0) -> list[Metric]:
    """Return nominal rate, missing epochs, gaps and jitter. `duplicates` comes from the ledger."""
    steps = np.diff(line.seconds)
    count = len(steps)
    duplicate = Metric("duplicate_epochs", duplicates, "1", len(line.seconds), "ledger entries of kind duplicate_epoch")
    if not count:
        reason = "fewer than two epochs"
        keys = {"rate_hz": "Hz", "missing_epochs": "1", "gap_count": "1", "longest_gap_s": "s", "jitter_s": "s",
                "off_grid_epochs": "1"}
        return [*(missing(k, u, "intervals between epochs", reason) for k, u in keys.items()), duplicate]
    gaps = line.gap_after[:-1]
    regular = np.abs(steps - line.usual_s)[~gaps]
    lost = int(missing_after(line).sum())
    method = "interval beyond 1.5 nominal intervals"
    return [
        Metric("rate_hz", round(1.0 / line.nominal_s, 6), "Hz", count, "densest interval of epochs, then its median",
               evidence={"nominal_interval_s": line.nominal_s, "slower_stretches": len(line.slow)}),
        Metric("missing_epochs", lost, "1", count, f"{method}: interval over nominal interval, less one"),
        Metric("gap_count", int(gaps.sum()), "1", count, method),
        Metric("longest_gap_s", float(steps[gaps].max()) if gaps.any() else 0.0, "s", count,
               f"{method}: longest time between two neighbouring epochs; dropouts of missing epochs join gaps that a lone epoch parts, and may be longer"),
        Metric("jitter_s", round(float(np.percentile(regular, 95)), 9) if len(regular) else 0.0, "s", len(regular),
               "95th percentile of the deviation from the nominal interval, gaps left out",
               evidence={"largest_s": float(regular.max()) if len(regular) else 0.0}),
        Metric("off_grid_epochs", int(off_grid(line).sum()), "1", count + 1,
               "epochs away from the usual grid of whole nominal intervals by more than a tenth of one"),
        duplicate,
    ]


def phase(line: Timeline) -> Array:
    """Return the offset of each epoch from the run's usual grid, in nominal intervals, -0.5 to 0.5."""
    if not np.isfinite(line.nominal_s):
        return np.zeros(len(line.seconds))
    bins = np.zeros(50, dtype=np.int64)
    for turn in _turns(line):
        bins += np.bincount(np.floor((np.angle(turn) / (2 * np.pi) % 1.0) * 50).astype(np.int64) % 50, minlength=50)
    spread = np.convolve(np.r_[bins[-1], bins, bins[0]], [1, 1, 1], mode="valid")
    centre = np.exp(2j * np.pi * (int(np.argmax(spread)) + 0.5) / 50)
    near = [turn[np.abs(np.angle(turn / centre)) < 2 * np.pi * 0.05].sum() for turn in _turns(line)]
    middle = sum(near) or centre
    return np.concatenate([np.angle(turn / (middle / abs(middle))) / (2 * np.pi) for turn in _turns(line)])


def _turns(line: Timeline) -> Iterator[NDArray[np.complex128]]:
    """Yield the times as angles on the circle of one nominal interval, some at a time."""
    for start in range(0, len(line.seconds), PIECE):
        yield np.exp(2j * np.pi * line.seconds[start:start + PIECE] / line.nominal_s)


def off_grid(line: Timeline) -> NDArray[np.bool_]:
    """Return whether each epoch lies off the usual grid; none where no grid holds for nine epochs in ten."""
    away = np.abs(phase(line)) > thresholds("analyzer.metrics")["cause.off_grid"]
    return away if away.sum() < 0.1 * len(away) else np.zeros(len(away), dtype=bool)
