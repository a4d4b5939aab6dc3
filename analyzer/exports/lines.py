"""Lines on the globe: cut at ±180°, thinned by distance, nothing lost that changes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import geodesy, intervals

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
#: Columns of which every change keeps the epochs on both sides.
CHANGES = ("fix_state", "trust", "station_id", "dropout_id", "window")
RULE = (
    "Points: one wherever the route, summed from epoch to epoch, passes a multiple of {spacing:g} m; and always both "
    "sides of missing epochs and of every change of fix state, trust, reference station, dropout or manoeuvre, and the "
    "largest error bound of every stretch between such changes."
)
RULE_ALL = "Points: every epoch that has a position."


def rule(spacing_m: float) -> str:
    """Return in words which points are kept at a spacing of `spacing_m` [m]."""
    return RULE.format(spacing=spacing_m) if spacing_m > 0 else RULE_ALL


def kept(placed: pd.DataFrame, breaks: Flags, *, spacing_m: float) -> Flags:
    """Return which rows of `placed` to write, by the rule of `rule`.

    Parameters
    ----------
    placed : epochs with a position, in time order; needs the position, the bound and `CHANGES`.
    breaks : whether epochs are missing, or had no position, right before each row.
    spacing_m : least distance [m] along the route between points that nothing else keeps; 0 keeps all.
    """
    rows = len(placed)
    if not spacing_m > 0 or rows < 3:
        return np.ones(rows, dtype=bool)
    steps = geodesy.step_lengths(placed["latitude_deg"].to_numpy(), placed["longitude_deg"].to_numpy())
    keep: Flags = np.r_[True, np.diff(np.floor(np.r_[0.0, np.cumsum(steps)] / spacing_m)) > 0]
    changed = np.asarray(breaks, dtype=bool).copy()
    for name in CHANGES:
        codes = pd.factorize(placed[name])[0]
        changed |= np.r_[False, codes[1:] != codes[:-1]]
    keep |= changed | np.r_[changed[1:], True]
    keep[_largest(placed["horizontal_bound_m"].to_numpy(dtype=np.float64), np.cumsum(changed))] = True
    return keep


def _largest(values: Array, group: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the first row of the largest value of each group, missing values never."""
    rows = np.flatnonzero(np.isfinite(values))
    order = rows[np.lexsort((rows, -values[rows], group[rows]))]
    return order[np.r_[True, np.diff(group[order]) > 0]] if len(order) else order


def pieces(labels: Sequence[pd.Series], breaks: Flags, joins: Flags) -> NDArray[np.int64]:
    """Return ``start end reach`` of the stretches in which all `labels` are equal and nothing is missing.

    `reach` is `end`, or one more where the next stretch follows at once and `joins` allows it, so that lines meet.
    """
    key = np.zeros(len(breaks), dtype=np.int64)
    for label in labels:
        codes = pd.factorize(label)[0]
        key = key * (int(codes.max(initial=0)) + 2) + codes + 1
    spans = intervals.equal_runs(key, breaks)
    end = spans[:, 1]
    follows = np.r_[~np.asarray(breaks, dtype=bool) & joins, False][end]
    return np.column_stack([spans, end + follows])


def iso_times(times: pd.DatetimeIndex) -> NDArray[np.str_]:
    """Return `times` as ISO 8601 UTC with Z: milliseconds, or microseconds where one needs them."""
    counts = times.as_unit("us").asi8
    unit = "us" if (counts % 1000).any() else "ms"
    text = np.datetime_as_string(counts.astype("datetime64[us]"), unit=unit)  # type: ignore[call-overload]
    return np.asarray(np.char.add(text, "Z"))
