"""Alignment states, heading jumps, sigma resets and power dips of an attitude table."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.intervals import equal_runs, seconds
from analyzer.metrics.inertial_timing import FILE, Sampling
from analyzer.settings import thresholds

EVENT_COLUMNS = ("time_utc", "kind", "size", "unit", "evidence")


def wrap_deg(angle_deg: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return angles [deg] wrapped to [-180, 180)."""
    return np.asarray((angle_deg + 180.0) % 360.0 - 180.0, dtype=np.float64)


def alignment_stretches(attitude: pd.DataFrame) -> pd.DataFrame:
    """Return the stretches of equal alignment state, rows without one left out; each lasts until the next."""
    known = attitude["alignment"].dropna() if "alignment" in attitude else pd.Series(dtype=object)
    if known.empty:
        return pd.DataFrame(columns=["alignment", "start_utc", "end_utc", "duration_s"])
    codes, names = pd.factorize(known.astype(str))
    spans = equal_runs(codes)
    times = pd.DatetimeIndex(known.index)
    start = times[spans[:, 0]]
    end = times[np.minimum(spans[:, 1], len(times) - 1)]
    return pd.DataFrame({"alignment": names[codes[spans[:, 0]]], "start_utc": start, "end_utc": end,
                         "duration_s": np.asarray((end - start) / pd.Timedelta(seconds=1), dtype=np.float64)})


def heading_events(attitude: pd.DataFrame, timing: Sampling, yaw: pd.Series) -> pd.DataFrame:
    """Return what interrupted the attitude solution, in time order.

    Parameters
    ----------
    attitude : rows with increasing times.
    timing : their sampling.
    yaw : measured yaw rate [rad/s], positive to the left, may be empty; without it a step counts against the
        heading's own steps before and behind it.
    """
    parts = [_jumps(attitude, timing, yaw), _resets(attitude), _losses(attitude), _dips(attitude, timing)]
    rows = [row for part in parts for row in part]
    table = pd.DataFrame(rows, columns=list(EVENT_COLUMNS))
    return table.sort_values("time_utc", kind="stable", ignore_index=True) if len(table) else table


def _jumps(attitude: pd.DataFrame, timing: Sampling, yaw: pd.Series) -> list[tuple[object, ...]]:
    """Return heading steps that the yaw rate, or the neighbouring steps, do not explain."""
    limit = thresholds(*FILE)
    known = attitude["heading_deg"].dropna()
    if len(known) < 4:
        return []
    times = pd.DatetimeIndex(known.index)
    moment = seconds(times)
    step_s = np.diff(moment)
    turn = wrap_deg(np.diff(known.to_numpy(np.float64)))
    told, by_yaw = _told_by_yaw(times, step_s, yaw)
    low, high = _beside(turn / step_s)
    middle, nearest = 0.5 * (low + high) * step_s, np.clip(turn, low * step_s, high * step_s)
    whole = step_s <= 1.5 * timing.interval_s
    doubt = np.where(whole, turn - np.where(by_yaw, told, middle), 0.0)
    spread = 1.4826 * float(np.median(np.abs(doubt - np.median(doubt))))
    reach = max(limit["attitude.jump_deg"], limit["attitude.jump_spreads"] * spread)
    expected = np.where(by_yaw, told, nearest)
    return [(times[i + 1], "heading_jump", float(turn[i] - expected[i]), "deg",
             f"step of {turn[i]:+.2f} deg within {step_s[i]:.3f} s, where the "
             f"{'yaw rate tells' if by_yaw[i] else 'steps beside it tell'} {expected[i]:+.2f} deg")
            for i in np.flatnonzero(whole & (np.abs(turn - expected) > reach)).tolist()]


def _beside(rate: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the lower and the higher of the mean rates over two steps before and two steps behind each step.

    Where a turn starts or ends the step belongs to one of them; a jump belongs to neither.
    """
    padded = np.pad(rate, 2, mode="reflect") if len(rate) >= 3 else np.pad(rate, 2, mode="edge")
    count = len(rate)
    before, behind = (0.5 * (padded[k: k + count] + padded[k + 1: k + 1 + count]) for k in (0, 3))
    return np.minimum(before, behind), np.maximum(before, behind)


def _told_by_yaw(times: pd.DatetimeIndex, step_s: NDArray[np.float64],
                 yaw: pd.Series) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return the heading step [deg, clockwise] that the yaw rate tells, and where it was measured."""
    if len(yaw) < 2:
        return np.zeros(len(step_s)), np.zeros(len(step_s), dtype=bool)
    at = seconds(pd.DatetimeIndex(yaw.index), times[0])
    integral = np.concatenate([[0.0], np.cumsum(0.5 * np.diff(at) * (yaw.to_numpy()[1:] + yaw.to_numpy()[:-1]))])
    own = seconds(times)
    measured = -np.rad2deg(np.diff(np.interp(own, at, integral)))
    return measured, np.asarray((own[:-1] >= at[0]) & (own[1:] <= at[-1]))


def _resets(attitude: pd.DataFrame) -> list[tuple[object, ...]]:
    """Return rows whose claimed heading sigma is more than twice that of the row before."""
    known = attitude["sigma_heading_deg"].dropna() if "sigma_heading_deg" in attitude else pd.Series(dtype=np.float64)
    if len(known) < 2:
        return []
    value = known.to_numpy(np.float64)
    ratio = thresholds(*FILE)["attitude.sigma_ratio"]
    times = pd.DatetimeIndex(known.index)
    return [(times[i + 1], "sigma_reset", float(value[i + 1] - value[i]), "deg",
             f"from {value[i]:.3g} to {value[i + 1]:.3g} deg")
            for i in np.flatnonzero((value[1:] > ratio * value[:-1]) & (value[:-1] > 0)).tolist()]


def _losses(attitude: pd.DataFrame) -> list[tuple[object, ...]]:
    """Return the times at which the most frequent alignment state was left."""
    stretches = alignment_stretches(attitude)
    if len(stretches) < 2:
        return []
    usual = stretches.groupby("alignment")["duration_s"].sum().idxmax()
    state, length = stretches["alignment"].tolist(), stretches["duration_s"].astype(float).tolist()
    return [(stretches["start_utc"].iloc[i], "alignment_lost", length[i], "s",
             f"from {state[i - 1]} to {state[i]}") for i in range(1, len(state)) if state[i - 1] == usual]


def _dips(attitude: pd.DataFrame, timing: Sampling) -> list[tuple[object, ...]]:
    """Return gaps after which sigma or alignment started anew: the unit was without power, not only the logger."""
    limit = thresholds(*FILE)
    out: list[tuple[object, ...]] = []
    sigma = attitude["sigma_heading_deg"] if "sigma_heading_deg" in attitude else pd.Series(np.nan, attitude.index)
    states = attitude["alignment"] if "alignment" in attitude else pd.Series(None, attitude.index, dtype=object)
    for _, gap in timing.gaps[timing.gaps["duration_s"] > limit["attitude.power_gap_s"]].iterrows():
        before, after = sigma.get(gap.start_utc, np.nan), sigma.get(gap.end_utc, np.nan)
        first, second = states.get(gap.start_utc), states.get(gap.end_utc)
        restarted = after > limit["attitude.sigma_ratio"] * before
        changed = bool(pd.notna(first) and pd.notna(second) and first != second)
        if restarted or changed:
            how = f"sigma from {before:.3g} to {after:.3g} deg" if restarted else f"alignment from {first} to {second}"
            out.append((gap.end_utc, "power_dip", float(gap.duration_s), "s",
                        f"no rows for {gap.duration_s:.2f} s, then {how}"))
    return out
