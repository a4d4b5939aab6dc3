"""Sampling, repeats and clipping of evenly sampled tables."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from analyzer.intervals import equal_runs, seconds
from analyzer.settings import thresholds

FILE = ("analyzer.metrics", "thresholds_inertial.toml")


@dataclass(frozen=True)
class Sampling:
    """How a table was sampled.

    `rate_hz` and `interval_s` come from the intervals that are no gap (NaN below two rows); `jitter_s` is the 95 %
    quantile of their deviation from the mean; `unordered` counts rows at or before the time of their predecessor.
    `gaps` has ``start_utc end_utc duration_s missing``.
    """

    rows: int
    span_s: float
    rate_hz: float
    interval_s: float
    jitter_s: float
    unordered: int
    gaps: pd.DataFrame


def sampling(index: pd.DatetimeIndex) -> Sampling:
    """Return the sampling of the times `index` (any order, NaT are not counted)."""
    times = index[index.notna()]
    moment = seconds(times)
    step = np.diff(moment)
    forward = step[step > 0]
    empty = pd.DataFrame({"start_utc": times[:0], "end_utc": times[:0], "duration_s": np.empty(0), "missing":
                          np.empty(0, dtype=np.int64)})
    if not len(forward):
        return Sampling(len(times), 0.0, np.nan, np.nan, np.nan, len(step), empty)
    longest = longest_usual(forward)
    usual = forward[forward <= longest]
    interval = float(usual.mean())
    at = np.flatnonzero(step > longest)
    gaps = pd.DataFrame({
        "start_utc": times[at], "end_utc": times[at + 1], "duration_s": step[at],
        "missing": np.maximum(np.rint(step[at] / interval).astype(np.int64) - 1, 1),
    })
    jitter = float(np.quantile(np.abs(usual - interval), 0.95))
    unordered = int(np.count_nonzero(step <= 0))
    return Sampling(len(times), float(moment.max() - moment.min()), 1.0 / interval, interval, jitter, unordered, gaps)


def longest_usual(steps: NDArray[np.float64]) -> float:
    """Return the longest interval [s] that is no gap."""
    limit = thresholds(*FILE)
    middle = float(np.median(steps))
    spread = 1.4826 * float(np.median(np.abs(steps - middle)))
    # Half of the rows in bursts leave the median deviation at zero or small; the mean shows them.
    return middle + max(limit["timing.gap_share"] * middle, limit["timing.gap_spreads"] * spread)


def repeats(values: ArrayLike) -> NDArray[np.bool_]:
    """Return for each row of `values`, shape (n, k), whether all its finite columns repeat the row before."""
    array = np.asarray(values, dtype=np.float64)
    if len(array) < 2:
        return np.zeros(len(array), dtype=bool)
    known = np.isfinite(array[1:]) & np.isfinite(array[:-1])
    same = np.all((array[1:] == array[:-1]) | ~known, axis=1) & known.any(axis=1)
    return np.concatenate([[False], same])


def clipped(values: ArrayLike) -> NDArray[np.bool_]:
    """Return which samples of one channel, shape (n,), stand at the end of its range.

    A channel is clipped at its largest or smallest value when that value comes several updates in a row and holds more
    samples than the level next to it, which the tail of a noisy channel never does. A value of zero is an empty channel
    and no clipping; a constant channel is frozen and not clipped.
    """
    array = np.asarray(values, dtype=np.float64)
    out = np.zeros(len(array), dtype=bool)
    known = np.flatnonzero(np.isfinite(array))
    series = array[known]
    if len(series) < 3 or series.min() == series.max():
        return out
    spans = equal_runs(series)
    length = spans[:, 1] - spans[:, 0]
    level = series[spans[:, 0]]
    hold = max(1.0, float(np.median(length)))
    limit = thresholds(*FILE)
    for end in (level.max(), level.min()):
        inner = level[level != end]
        beside = inner.max() if end > inner.max() else inner.min()
        at_end = level == end
        stays = length[at_end].max() >= limit["clipping.run_rows"] * hold
        piled = length[at_end].sum() > limit["clipping.pile_ratio"] * length[level == beside].sum()
        if end != 0.0 and stays and piled:
            out[known[series == end]] = True
    return out
