"""Fewer points for a picture, with nothing lost that anyone would look for."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from analyzer import intervals


def decimate(
    frame: pd.DataFrame,
    *,
    buckets: int,
    changes: Sequence[str] = (),
    highest: Sequence[str] = (),
    lowest: Sequence[str] = (),
    within: Sequence[str] = (),
    breaks: ArrayLike | None = None,
) -> NDArray[np.int64]:
    """Return the sorted positions of the rows of `frame` to draw.

    Parameters
    ----------
    frame : table with an increasing time index.
    buckets : number of equal time slots; each keeps its first row and its extremes.
    changes : columns of which every change is kept, with the row before and the row after it.
    highest, lowest : numeric columns of which each slot keeps the highest or lowest value; missing is none.
    within : columns that name groups (a window, a dropout); each group keeps its extremes too.
    breaks : true where a row follows an interruption; the rows on both sides are kept.

    Notes
    -----
    All rows are kept where they are no more than the slots. The number of rows returned is at most
    ``buckets * (1 + len(highest) + len(lowest))`` plus two per change or break, plus the extremes of the groups.
    """
    rows = len(frame)
    if rows <= max(buckets, 2):
        return np.arange(rows, dtype=np.int64)
    slot = _slots(pd.DatetimeIndex(frame.index), buckets)
    kept = [np.array([0, rows - 1], dtype=np.int64), np.flatnonzero(np.r_[True, slot[1:] != slot[:-1]])]
    kept += [_edges(_changed(frame[name])) for name in changes]
    if breaks is not None:
        kept.append(_edges(np.asarray(breaks, dtype=bool)))
    groups = [slot, *(_codes(frame[name]) for name in within)]
    for sign, names in ((1.0, highest), (-1.0, lowest)):
        for name in names:
            values = sign * frame[name].to_numpy(dtype=np.float64, na_value=np.nan)
            kept += [_peaks(values, group) for group in groups]
    return np.unique(np.concatenate(kept)).astype(np.int64)


def _slots(times: pd.DatetimeIndex, buckets: int) -> NDArray[np.int64]:
    """Return the slot number of each time."""
    elapsed = intervals.seconds(times)
    span = float(elapsed[-1]) or 1.0
    return np.minimum((elapsed / span * buckets).astype(np.int64), buckets - 1)


def _codes(column: pd.Series) -> NDArray[np.int64]:
    """Return the values of `column` as whole numbers, -1 for missing."""
    return np.asarray(pd.factorize(column)[0], dtype=np.int64)


def _changed(column: pd.Series) -> NDArray[np.bool_]:
    """Return whether each row differs from the one before it; missing equals missing."""
    codes = _codes(column)
    return np.asarray(np.r_[False, codes[1:] != codes[:-1]], dtype=np.bool_)


def _edges(changed: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return the rows that begin something new and the rows before them."""
    at = np.flatnonzero(changed)
    return np.concatenate([at, np.maximum(at - 1, 0)])


def _peaks(values: NDArray[np.float64], group: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the first row of the highest value of each group; rows without a value or a group (-1) take no part."""
    rows = np.flatnonzero(~np.isnan(values) & (group >= 0))
    if not len(rows):
        return rows
    ordered, height = group[rows], values[rows]
    first = np.flatnonzero(np.r_[True, ordered[1:] != ordered[:-1]])
    # the highest of each run of one group, and of those the first of each group: groups come in few runs
    top = np.maximum.reduceat(height, first)
    at_top = np.flatnonzero(height == np.repeat(top, np.diff(np.r_[first, len(rows)])))
    best = at_top[np.searchsorted(at_top, first)]
    order = best[np.lexsort((best, -height[best], ordered[best]))]
    return rows[order[np.r_[True, np.diff(ordered[order]) != 0]]]
