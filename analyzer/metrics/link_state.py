"""Whether corrections were fresh, epoch by epoch, from the rover log alone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analyzer import intervals, tables
from analyzer.metrics.correction_age import AgeField
from analyzer.metrics.rate import Timeline
from analyzer.settings import thresholds

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

NOTHING_YET, FRESH, STALE = 0, 1, 2
FIXED = tables.FIX_STATES.index("fixed")
#: States without satellites enough for a position: an empty age says nothing about the link then.
BLIND = tuple(tables.FIX_STATES.index(s) for s in ("no_fix", "estimated", "manual", "simulated"))


def last_used(age_s: Array, line: Timeline) -> Array:
    """Return when the last correction known at each epoch was made [s]: epoch time less age; NaN before the first."""
    known = np.isfinite(age_s)
    at = np.maximum.accumulate(np.where(known, np.arange(len(age_s)), -1)) if len(age_s) else np.zeros(0, dtype=int)
    made = line.seconds - np.where(known, age_s, 0.0)
    return np.where(at >= 0, made[np.maximum(at, 0)], np.nan)


def freshness(
    age_s: Array, codes: Codes, line: Timeline, *, field: AgeField, reported: NDArray[np.bool_], satellites: Array,
    cn0_dbhz: Array,
) -> NDArray[np.int8]:
    """Return NOTHING_YET, FRESH or STALE per epoch.

    An age beyond ``field.stale_s`` is stale until it is back below ``field.fresh_s``; between the two, the loss of
    fixed after that last correction decides. An age that is absent is stale once the time since the last correction
    passes that limit, unless the receiver could not use corrections: no position, satellites lost, or a start-up.
    """
    if not field.usable:
        return np.zeros(len(age_s), dtype=np.int8)
    limit = thresholds("analyzer.metrics")
    made = last_used(age_s, line)
    known = np.isfinite(age_s)
    mark = np.zeros(len(age_s), dtype=np.int8)
    with np.errstate(invalid="ignore"):
        mark[known & (age_s <= field.fresh_s)] = FRESH
        fixed_since = _last_time(codes == FIXED, line) >= made
        full = ~(satellites < (1 - limit["cause.satellites_drop"]) * _median(satellites[codes == FIXED]))
        doubtful = known & (age_s > field.fresh_s) & (codes != FIXED) & fixed_since & full
        mark[(known & (age_s > field.stale_s)) | doubtful] = STALE
        silent = ~known & reported & ~np.isin(codes, BLIND) & (line.seconds - made > field.stale_s)
    absent = ~known & reported & ~np.isin(codes, BLIND)
    silent &= ~_excused(absent, silent, codes, line, satellites=satellites, cn0_dbhz=cn0_dbhz)
    mark[silent] = STALE
    return _carry(mark)


def _last_time(flags: NDArray[np.bool_], line: Timeline) -> Array:
    """Return the time of the last epoch up to each one where `flags` is true, -inf before the first."""
    at = np.maximum.accumulate(np.where(flags, np.arange(len(flags)), -1)) if len(flags) else np.zeros(0, dtype=int)
    return np.where(at >= 0, line.seconds[np.maximum(at, 0)], -np.inf)


def _carry(mark: NDArray[np.int8]) -> NDArray[np.int8]:
    """Return `mark` with 0 replaced by the last other value before it."""
    at = np.maximum.accumulate(np.where(mark > 0, np.arange(len(mark)), -1)) if len(mark) else np.zeros(0, dtype=int)
    return np.where(at >= 0, mark[np.maximum(at, 0)], 0).astype(np.int8)


def _excused(
    absent: NDArray[np.bool_], silent: NDArray[np.bool_], codes: Codes, line: Timeline, *, satellites: Array,
    cn0_dbhz: Array,
) -> NDArray[np.bool_]:
    """Return the epochs of absent age that a lost sky or a start-up explains; only runs with `silent` epochs matter.

    A run of absent ages is excused where its satellites or C/N0 lie well below what fixed epochs have, or where it
    follows missing epochs or a time without position and lasts less than a minute.
    """
    limit = thresholds("analyzer.metrics")
    excused = np.zeros(len(codes), dtype=bool)
    usual_count, usual_cn0 = (_median(x[codes == FIXED]) for x in (satellites, cn0_dbhz))
    before = np.r_[0, np.cumsum(silent)]
    runs = intervals.runs(absent)
    for start, end in runs[before[runs[:, 1]] > before[runs[:, 0]]]:
        count, cn0 = _median(satellites[start:end]), _median(cn0_dbhz[start:end])
        few = count < (1 - limit["cause.satellites_drop"]) * usual_count or count < limit["cause.satellites_needed"]
        weak = cn0 < usual_cn0 - limit["cause.cn0_drop_db"]
        returning = start > 0 and (line.gap_after[start - 1] or codes[start - 1] in BLIND)
        short = line.seconds[end - 1] - line.seconds[start] < limit["dropout.long_absent_s"]
        excused[start:end] = few or weak or (returning and short)
    return excused


def _median(values: Array) -> float:
    """Return the median of the known values, NaN where there are none (comparisons with it are false)."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")
