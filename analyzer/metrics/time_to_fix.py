"""Time to the first position, to the first fixed, and to be fixed again after every loss."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import intervals, tables
from analyzer.metrics.fix_state import NOT_RECORDED, recorded
from analyzer.metrics.metric import Metric, missing
from analyzer.metrics.rate import Timeline
from analyzer.recording import Finding
from analyzer.settings import thresholds

FIXED = tables.FIX_STATES.index("fixed")


def first_true(flags: NDArray[np.bool_]) -> int | None:
    """Return the first index where `flags` is true, or None."""
    at = int(np.argmax(flags)) if len(flags) else 0
    return at if len(flags) and flags[at] else None


def refixes(times: pd.DatetimeIndex, codes: NDArray[np.int64], line: Timeline) -> pd.DataFrame:
    """Return every loss of fixed: ``lost_utc fixed_again_utc refix_s``; NaT and NaN where it never came back.

    A loss begins with the first epoch that is not fixed after one that was, gaps or not.
    """
    runs = intervals.runs(codes != FIXED)
    first = first_true(codes == FIXED)
    runs = runs[runs[:, 0] > first] if first is not None else runs[:0]
    ends = runs[:, 1] < len(codes)
    last = np.minimum(runs[:, 1], max(len(codes) - 1, 0))
    again = pd.Series(times[last]).where(pd.Series(ends))
    took = np.where(ends, line.seconds[last] - line.seconds[runs[:, 0]], np.nan)
    return pd.DataFrame({"lost_utc": times[runs[:, 0]], "fixed_again_utc": again.array, "refix_s": took})


def time_metrics(
    position: NDArray[np.bool_], codes: NDArray[np.int64], line: Timeline, *, fresh: NDArray[np.bool_],
    losses: pd.DataFrame,
) -> list[Metric]:
    """Return the times to first position and first fixed, from the log's first epoch and from the first fresh age."""
    count = len(codes)
    unfixed = "no epoch is fixed" if recorded(codes) else NOT_RECORDED
    first_position, first_fixed = first_true(position), first_true(codes == FIXED)
    out = [
        _since(line, "time_to_first_position_s", first_position, "no epoch has a position"),
        _since(line, "time_to_first_fixed_s", first_fixed, unfixed),
    ]
    began = first_true(fresh)
    method = "first epoch with a fresh correction age to first fixed epoch"
    if began is None or first_fixed is None:
        reason = "no epoch has a usable correction age" if began is None else unfixed
        out.append(missing("time_corrections_to_fixed_s", "s", method, reason, n=count))
    else:
        took = max(float(line.seconds[first_fixed] - line.seconds[began]), 0.0)
        out.append(Metric("time_corrections_to_fixed_s", took, "s", count, method))
    return out + _refix_metrics(losses, "" if first_fixed is not None else unfixed)


def _since(line: Timeline, key: str, index: int | None, reason: str) -> Metric:
    """Return the time from the first epoch of the log to epoch `index`."""
    method = "from the first epoch in the log"
    if index is None:
        return missing(key, "s", method, reason, n=len(line.seconds))
    return Metric(key, float(line.seconds[index]), "s", len(line.seconds), method, evidence={"epoch": index})


def _refix_metrics(losses: pd.DataFrame, unfixed: str) -> list[Metric]:
    """Return median and longest time to be fixed again; `unfixed` is why no epoch is fixed, where none is."""
    method = ("from the first epoch that is not fixed to the next fixed one, median over all losses; "
              "in dropouts.csv refix_s is less: it counts from the end of the dropout")
    took = losses["refix_s"].dropna()
    never = int(losses["refix_s"].isna().sum())
    if not len(took):
        reason = unfixed if unfixed else "fixed was lost and did not come back" if never \
            else "fixed was never lost"
        return [missing(k, "s", method, reason, n=len(losses)) for k in ("refix_s", "refix_max_s")]
    evidence = {"losses": len(losses), "never_fixed_again": never}
    return [
        Metric("refix_s", float(took.median()), "s", len(took), method, evidence=evidence),
        Metric("refix_max_s", float(took.max()), "s", len(took), method.replace("median over", "longest of"),
               evidence=evidence),
    ]


def slow_start(metrics: list[Metric]) -> list[Finding]:
    """Return a finding where the first fixed took longer than the trade expects in clear sky."""
    expected = thresholds("analyzer.metrics")["time_to_fix.expected_s"]
    values = {m.key: m.value for m in metrics if m.evaluated}
    took = values.get("time_corrections_to_fixed_s", values.get("time_to_first_fixed_s"))
    if not isinstance(took, int | float) or took <= expected:
        return []
    since = "corrections began to arrive" if "time_corrections_to_fixed_s" in values else "the log began"
    return [Finding("slow_first_fixed", "warning", (
        f"The first fixed epoch came {took:.0f} s after {since}; in clear sky with corrections arriving "
        f"it takes less than {expected:.0f} s."), {"took_s": took, "expected_s": expected})]
