"""Runs of one day and one entry: which of them are one set-up of the base by the marks; all others are set-ups of their own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.comparing.adjustment import adjust
from analyzer.comparing.runs import Run
from analyzer.comparing.setups import LogMean
from analyzer.metrics.base_site_shift import Shift, family_test_level, judge_shift

Codes = NDArray[np.int64]
#: First run, later run, shift of the later one.
Found = tuple[int, int, Shift]


def split_setups(
    marks: pd.DataFrame, group: Codes, repeat_m: tuple[float, float], first: Codes | None = None,
) -> tuple[Codes, tuple[Found, ...], dict[int, float]]:
    """Return set-up numbers with those parted within which nothing shows that the base stood still.

    Parameters
    ----------
    marks : stands on marks, layout of `analyzer.comparing.stands.COLUMNS`.
    group : (runs,) set-up of each run.
    repeat_m : repeatability of a stand (horizontal axis, height) [m].
    first : (runs,) the first run of the same recording; default each its own.

    Returns
    -------
    numbers : (runs,) set-up of each run.
    shifts : those that marks show between runs of one group.
    unseen : by set-up of several recordings the largest of the smallest shifts between them that marks would have shown [m].

    A base is knocked at noon or set up again for a battery as easily as overnight, so that one date is no evidence: runs
    that no common mark links are set-ups of their own. The part of the first run with stands keeps the number.
    """
    alone = np.arange(len(group))
    own = alone if first is None else np.where(group[first] == group, first, alone)
    out, found, unseen = group.copy(), list[Found](), dict[int, float]()
    of = marks["run"].to_numpy(np.int64) if len(marks) else np.zeros(0, dtype=np.int64)
    for number in np.unique(group):
        parts, shifts = _parts(marks[group[of] == number].reset_index(drop=True), repeat_m)
        found += shifts
        held = {run for runs, _ in parts for run in runs}
        parts += [([run], np.nan) for run in np.flatnonzero((group == number) & (own == alone)).tolist() if run not in held]
        for k, (runs, size_m) in enumerate(parts):
            at = int(number) if k == 0 else int(out.max()) + 1
            out[runs] = at
            if np.isfinite(size_m):
                unseen[at] = size_m
    return out[own], tuple(found), unseen


def _parts(rows: pd.DataFrame, repeat_m: tuple[float, float]) -> tuple[list[tuple[list[int], float]], list[Found]]:
    """Return the runs of one group in parts that marks link and show no shift within, each with the smallest shift they would have shown; and the shifts."""
    parts, found = list[tuple[list[int], float]](), list[Found]()
    while len(rows):
        members = np.unique(rows["run"].to_numpy(np.int64)).tolist()
        shifts = _against_first(rows, np.array(members), repeat_m)
        alike = [run for run, shift in shifts.items() if not shift.found]
        found += [] if found else [(members[0], run, shift) for run, shift in shifts.items() if shift.found]
        parts.append(([members[0], *alike], max((shifts[run].detectable_m for run in alike), default=float("nan"))))
        rows = rows[~rows["run"].isin(parts[-1][0])].reset_index(drop=True)
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


def logs_of_parts(logs: Mapping[int, LogMean], before: Codes, group: Codes, runs: Sequence[Run]) -> dict[int, LogMean]:
    """Return base logs by set-up number `group`: that of the set-up `before` parting serves a part too where it settled and reaches over all of both."""
    out = dict(logs)
    for number, log in logs.items():
        kept = np.flatnonzero(group == number)
        for part in sorted({*group[before == number].tolist()} - {number}):
            both = [runs[int(i)] for i in (*kept, *np.flatnonzero(group == part))]
            if log.settled and log.span_utc and log.span_utc[0] <= min(r.start for r in both) and max(r.end for r in both) <= log.span_utc[1]:
                out[part] = log
    return out
