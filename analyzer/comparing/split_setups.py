"""Set-ups of the base within which marks show a shift: each part of one becomes a set-up of its own."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.comparing.adjustment import adjust
from analyzer.metrics.base_site_shift import Shift, family_test_level, judge_shift

Codes = NDArray[np.int64]
#: First run, later run, shift of the later one.
Found = tuple[int, int, Shift]


def split_setups(marks: pd.DataFrame, group: Codes, repeat_m: tuple[float, float]) -> tuple[Codes, tuple[Found, ...]]:
    """Return set-up numbers with those parted within which marks show a shift, and these shifts.

    Parameters
    ----------
    marks : stands on marks, layout of `analyzer.comparing.stands.COLUMNS`.
    group : (runs,) set-up of each run.
    repeat_m : repeatability of a stand (horizontal axis, height) [m].

    The part of the first run with stands keeps the number. Runs whose stands link them to no part, or that have none,
    are one more part: which of the others they belong to is not known.
    """
    out, found = group.copy(), list[Found]()
    owner = group[marks["run"].to_numpy(np.int64)] if len(marks) else np.zeros(0, dtype=np.int64)
    for number in np.unique(owner):
        parts, shifts = _parts(marks[owner == number].reset_index(drop=True), repeat_m)
        found += shifts
        if not shifts:
            continue
        rest = sorted(set(np.flatnonzero(group == number).tolist()) - {run for part in parts for run in part})
        for part in [*parts[1:], *([rest] if rest else [])]:
            out[part] = out.max() + 1
    return out, tuple(found)


def _parts(rows: pd.DataFrame, repeat_m: tuple[float, float]) -> tuple[list[list[int]], list[Found]]:
    """Return the runs of one set-up in parts that marks show no shift within, and the shifts between parts."""
    parts, found = list[list[int]](), list[Found]()
    while len(rows):
        members = np.unique(rows["run"].to_numpy(np.int64))
        shifts = _against_first(rows, members, repeat_m)
        moved = [run for run, shift in shifts.items() if shift.found]
        if parts or moved:
            parts.append([int(members[0]), *(run for run, shift in shifts.items() if not shift.found)])
        found += [(int(members[0]), run, shifts[run]) for run in moved] if len(parts) <= 1 else []
        rows = rows[rows["run"].isin(moved)].reset_index(drop=True)
    return parts, found


def _against_first(rows: pd.DataFrame, members: Codes, repeat_m: tuple[float, float]) -> dict[int, Shift]:
    """Return the tested shift of every later run that common marks link to the first."""
    if len(members) < 2:
        return {}
    own = np.searchsorted(members, rows["run"].to_numpy(np.int64))
    fit = adjust(rows, own, reference=0, repeat_m=repeat_m)
    level = family_test_level(len(members) - 1)
    return {
        int(members[k]): judge_shift(fit.shift_m[k], fit.covariance_m2[k], level=level)
        for k in range(1, len(members))
        if k < len(fit.shift_m) and np.isfinite(fit.shift_m[k]).all()
    }
