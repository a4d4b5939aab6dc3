"""Rows in order of time: single damaged stamps cost their row, a clock that runs backwards is refused."""

from __future__ import annotations

from bisect import bisect_right

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.errors import InputError
from analyzer.parsers.column_map import Clock
from analyzer.recording import Finding
from analyzer.settings import thresholds

_LIMITS = thresholds("analyzer.parsers", "thresholds_sources.toml")


def check_order(
    times: pd.DatetimeIndex, rows: NDArray[np.int64], clock: Clock, where: str
) -> tuple[NDArray[np.bool_], list[Finding]]:
    """Return which rows are kept, and what must be said.

    Parameters
    ----------
    times : DatetimeIndex
        Time of each row, in the order of the file.
    rows : ndarray of int64
        Row numbers for messages.
    clock : Clock
        Says what to do where time runs backwards.
    where : str
        What messages call the file.

    Raises
    ------
    InputError
        Time runs backwards at more than single rows; names the first one and the remedy.
    """
    stamps = times.asi8
    back = np.flatnonzero(np.diff(stamps) < 0)
    keep = np.ones(len(stamps), dtype=bool)
    if not len(back):
        return keep, []
    at = int(back[0]) + 1
    step_s = float(stamps[at - 1] - stamps[at]) / 1e6
    words = (f"{where}: time in column '{clock.column}' runs backwards by {step_s:.3f} s at row {rows[at]} and "
             f"{len(back)} times in all")
    if clock.backwards == "sort":
        text = f"{words}; the rows were sorted as the column map says."
        return keep, [Finding("time_backwards", "warning", text, {"source": where, "count": len(back)})]
    most = int(_LIMITS["table.share_out_of_order"] * len(stamps))
    if len(back) <= most:
        keep = longest_rising(stamps)
    lost = np.flatnonzero(~keep)
    if not len(lost) or len(lost) > most:
        raise InputError(f'{words}: split the file there, or set backwards = "sort" under [time] of the column map.')
    text = (f"{where}: rows whose time in column '{clock.column}' does not fit between those of their neighbours: "
            f"{len(lost)} (first: row {rows[lost[0]]}); they were set aside: correct them if they matter.")
    return keep, [Finding("time_out_of_order", "warning", text, {"source": where, "count": len(lost)})]


def longest_rising(values: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return a mask of a longest subsequence of `values` that never falls (patience sorting, Fredman 1975)."""
    tails: list[int] = []
    places: list[int] = []
    before = np.full(len(values), -1, dtype=np.int64)
    for i, value in enumerate(values.tolist()):
        at = bisect_right(tails, value)
        before[i] = places[at - 1] if at else -1
        if at == len(tails):
            tails.append(value)
            places.append(i)
        else:
            tails[at], places[at] = value, i
    keep = np.zeros(len(values), dtype=bool)
    i = places[-1] if places else -1
    while i >= 0:
        keep[i] = True
        i = int(before[i])
    return keep
