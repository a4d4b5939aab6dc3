"""The only interval arithmetic: runs of equal state, gaps, joins, overlaps. All half-open in index, closed in time."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray


def seconds(times: pd.DatetimeIndex | pd.Series, origin: pd.Timestamp | None = None) -> NDArray[np.float64]:
    """Return `times` as seconds [s] since `origin` (default: the first time)."""
    index = pd.DatetimeIndex(times)
    if not len(index):
        return np.empty(0)
    start = index[0] if origin is None else origin
    return np.asarray((index - start) / pd.Timedelta(seconds=1), dtype=np.float64)


def runs(flags: ArrayLike) -> NDArray[np.int64]:
    """Return an (n, 2) array of [start, end) index pairs of the stretches where `flags` is true."""
    mask = np.asarray(flags, dtype=bool)
    edge = np.diff(np.r_[False, mask, False].astype(np.int8))
    return np.column_stack([np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)]).astype(np.int64)


def equal_runs(values: ArrayLike, breaks: ArrayLike | None = None) -> NDArray[np.int64]:
    """Return [start, end) pairs of stretches of equal `values`; `breaks[i]` true starts a new stretch at i."""
    array = np.asarray(values)
    if not len(array):
        return np.empty((0, 2), dtype=np.int64)
    change = np.r_[True, array[1:] != array[:-1]]
    if breaks is not None:
        change |= np.asarray(breaks, dtype=bool)
    starts = np.flatnonzero(change)
    return np.column_stack([starts, np.r_[starts[1:], len(array)]]).astype(np.int64)


def join_close(spans: ArrayLike, shorter_than: float) -> NDArray[np.float64]:
    """Join sorted [start, end] spans whose pause is shorter than `shorter_than` (same unit as the spans)."""
    array = np.asarray(spans, dtype=np.float64).reshape(-1, 2)
    if not len(array):
        return array
    reach = np.maximum.accumulate(array[:, 1])
    first = np.r_[True, array[1:, 0] - reach[:-1] >= shorter_than]
    last = np.r_[np.flatnonzero(first)[1:] - 1, len(array) - 1]
    return np.column_stack([array[first, 0], reach[last]])


def subtract(spans: ArrayLike, taken: ArrayLike) -> NDArray[np.float64]:
    """Return the parts of sorted [start, end] `spans` that no span of `taken` covers."""
    out: list[tuple[float, float]] = []
    cuts = join_close(np.sort(np.asarray(taken, dtype=np.float64).reshape(-1, 2), axis=0), 0.0)
    for start, end in np.asarray(spans, dtype=np.float64).reshape(-1, 2):
        position = start
        for low, high in cuts[(cuts[:, 1] > start) & (cuts[:, 0] < end)]:
            if low > position:
                out.append((position, low))
            position = max(position, high)
        if position < end:
            out.append((position, end))
    return np.asarray(out, dtype=np.float64).reshape(-1, 2)


def covered(times: ArrayLike, spans: ArrayLike) -> NDArray[np.bool_]:
    """Return whether each of `times` lies in one of the [start, end] `spans` (sorted, not overlapping)."""
    moment = np.asarray(times, dtype=np.float64)
    array = np.asarray(spans, dtype=np.float64).reshape(-1, 2)
    if not len(array):
        return np.zeros(len(moment), dtype=bool)
    at = np.searchsorted(array[:, 0], moment, side="right") - 1
    return np.asarray((at >= 0) & (moment <= array[np.maximum(at, 0), 1]))
