"""How long, how far and how steadily the solution was in each fix state."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import intervals, tables
from analyzer.metrics.metric import Metric, missing
from analyzer.metrics.rate import Timeline

Array = NDArray[np.float64]

#: States whose shares are always given, even where they do not occur.
USUAL_STATES = ("fixed", "float", "differential", "autonomous", "no_fix")
UNKNOWN = len(tables.FIX_STATES)
NOT_RECORDED = "the fix state is not recorded"


def state_codes(fix_state: pd.Series) -> NDArray[np.int64]:
    """Return the position of each state in tables.FIX_STATES; UNKNOWN where it is missing."""
    categories = pd.Categorical(fix_state, categories=list(tables.FIX_STATES))
    codes = np.asarray(categories.codes, dtype=np.int64)
    return np.where(codes < 0, UNKNOWN, codes)


def recorded(codes: NDArray[np.int64]) -> bool:
    """Return whether any epoch has a fix state; without one its shares, losses and outages are not 0 but not known."""
    return bool((codes != UNKNOWN).any()) or not len(codes)


def state_name(code: int) -> str:
    """Return the name of a state code."""
    return tables.FIX_STATES[code] if code < UNKNOWN else "unknown"


def occurring(codes: NDArray[np.int64]) -> list[str]:
    """Return the states to report: the usual ones and all that occur, best first."""
    present = set(np.unique(codes).tolist())
    return [s for i, s in enumerate(tables.FIX_STATES) if i in present or s in USUAL_STATES]


def stretches(times: pd.DatetimeIndex, codes: NDArray[np.int64], line: Timeline, distance_m: Array) -> pd.DataFrame:
    """Return one row per run of equal state, cut at gaps: ``fix_state start_utc end_utc duration_s distance_m n``.

    A run reaches to the epoch that follows it, but not across a gap.
    """
    runs = intervals.equal_runs(codes, line.gap_before)
    first, last = runs[:, 0], runs[:, 1] - 1
    follows = np.isfinite(line.interval_s[last]) if len(runs) else np.zeros(0, dtype=bool)
    until = np.where(follows, np.minimum(last + 1, max(len(codes) - 1, 0)), last)
    names = np.asarray([*tables.FIX_STATES, "unknown"])
    return pd.DataFrame({
        "fix_state": names[codes[first]], "start_utc": times[first], "end_utc": times[until],
        "duration_s": line.seconds[until] - line.seconds[first], "distance_m": distance_m[until] - distance_m[first],
        "n": runs[:, 1] - runs[:, 0],
    })


def transitions(codes: NDArray[np.int64], line: Timeline) -> pd.DataFrame:
    """Return how often each change of state happened between neighbours without a gap: ``from_state to_state n``."""
    changed = np.flatnonzero((codes[1:] != codes[:-1]) & ~line.gap_after[:-1])
    pairs, counts = np.unique(np.column_stack([codes[changed], codes[changed + 1]]), axis=0, return_counts=True)
    return pd.DataFrame({
        "from_state": [state_name(int(c)) for c in pairs[:, 0]],
        "to_state": [state_name(int(c)) for c in pairs[:, 1]], "n": counts.astype(np.int64),
    })


def shares(
    codes: NDArray[np.int64], weight: Array, *, keep: NDArray[np.bool_] | None = None, prefix: str, method: str,
) -> list[Metric]:
    """Return the share of `weight` (time or distance per epoch) in each state, as ``<prefix>_<state>``.

    `keep` limits the epochs, for example to the moving part.
    """
    weight = np.nan_to_num(weight)
    if keep is not None:
        weight = np.where(keep, weight, 0.0)
    total = float(weight.sum())
    count = int((weight > 0).sum())
    sums = np.bincount(codes, weights=weight, minlength=UNKNOWN + 1)
    out = []
    for state in occurring(codes):
        key = f"{prefix}_{state}"
        if total <= 0 or not recorded(codes):
            out.append(missing(key, "1", method, NOT_RECORDED if total > 0 else _empty_reason(prefix)))
        else:
            out.append(Metric(key, float(sums[tables.FIX_STATES.index(state)] / total), "1", count, method))
    return out


def _empty_reason(prefix: str) -> str:
    """Return why there is nothing to share out."""
    if "distance" in prefix:
        return "no distance was driven"
    if "moving" in prefix:
        return "the vehicle did not move"
    if "windows" in prefix:
        return "no epoch lies in a window"
    return "fewer than two neighbouring epochs"


def state_metrics(
    codes: NDArray[np.int64], line: Timeline, distance_m: Array, *, moving: NDArray[np.bool_],
    in_windows: NDArray[np.bool_] | None = None,
) -> list[Metric]:
    """Return shares of time and distance, the same for the moving part and inside windows, and counts of changes."""
    step = np.r_[np.diff(distance_m), 0.0] if len(distance_m) else np.zeros(0)
    method = "each epoch counts until the next one, never across a gap"
    far = "distance along the route to the next epoch, none at rest or across interruptions"
    out = shares(codes, line.interval_s, prefix="share_time", method=method)
    out += shares(codes, step, prefix="share_distance", method=far)
    out += shares(codes, line.interval_s, keep=moving, prefix="share_time_moving", method=f"{method}; epochs in motion")
    if in_windows is not None:
        out += shares(codes, line.interval_s, keep=in_windows, prefix="share_time_windows",
                      method=f"{method}; epochs inside windows")
    return out


def change_metrics(table: pd.DataFrame, changes: pd.DataFrame) -> list[Metric]:
    """Return the number of changes, losses of fixed, and the longest stretch per state."""
    lost = changes.loc[(changes["from_state"] == "fixed"), "n"].sum()
    known = not len(table) or (table["fix_state"] != "unknown").any()
    out = [
        Metric(key, int(count), "1", len(table), method) if known else missing(key, "1", method, NOT_RECORDED)
        for key, count, method in (
            ("state_changes", changes["n"].sum(), "changes between neighbouring epochs"),
            ("fixed_losses", lost, "changes from fixed to any other state"),
        )
    ]
    for state in table["fix_state"].unique():
        rows = table[table["fix_state"] == state]
        longest = rows.loc[rows["duration_s"].idxmax()]
        out.append(Metric(f"longest_stretch_{state}_s", float(longest["duration_s"]), "s", len(rows),
                          "longest run of equal state without a gap", evidence={"start_utc": longest["start_utc"]}))
    return out


def window_shares(
    windows: pd.DataFrame, times: pd.DatetimeIndex, codes: NDArray[np.int64], line: Timeline,
) -> pd.DataFrame:
    """Return one row per window: ``name n duration_s`` and ``share_time_<state>`` of the states that are reported."""
    rows = []
    for _, row in windows.iterrows():
        inside = in_windows(row.to_frame().T, times)
        weight = np.where(inside, np.nan_to_num(line.interval_s), 0.0)
        total = weight.sum()
        sums = np.bincount(codes, weights=weight, minlength=UNKNOWN + 1)
        parts = {f"share_time_{s}": sums[tables.FIX_STATES.index(s)] / total if total > 0 and recorded(codes) else np.nan
                 for s in occurring(codes)}
        rows.append({"name": row["name"], "n": int(inside.sum()), "duration_s": float(total), **parts})
    return pd.DataFrame(rows)


def in_windows(windows: pd.DataFrame, times: pd.DatetimeIndex) -> NDArray[np.bool_]:
    """Return whether each of `times` lies inside a window of `windows` (name, start_utc, end_utc)."""
    if not len(windows) or not len(times):
        return np.zeros(len(times), dtype=bool)
    origin = times[0]
    spans = np.column_stack([intervals.seconds(pd.DatetimeIndex(windows[c]), origin) for c in ("start_utc", "end_utc")])
    joined = intervals.join_close(spans[np.argsort(spans[:, 0])], 0.0)
    return intervals.covered(intervals.seconds(times, origin), joined)
