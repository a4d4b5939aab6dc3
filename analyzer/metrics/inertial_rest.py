"""Rest seen in inertial data, and what a standing sensor shows: gravity, bias, noise."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from analyzer.intervals import runs, seconds
from analyzer.metrics.inertial_timing import FILE, sampling
from analyzer.settings import thresholds

FORCES = ("acceleration_x_mps2", "acceleration_y_mps2", "acceleration_z_mps2")
RATES = ("rate_x_radps", "rate_y_radps", "rate_z_radps")
AXES = FORCES + RATES


def find_rests(inertial: pd.DataFrame, fixes: pd.DataFrame | None = None) -> tuple[pd.DataFrame, str]:
    """Return the stretches in which the sensor stood still, and in words how they were found.

    Parameters
    ----------
    inertial : rows of one source, schema ``tables.INERTIAL``, times increasing.
    fixes : rows with ``speed_mps`` [m/s] to confirm with, or None.

    Returns
    -------
    Table with ``start_utc end_utc first last duration_s`` (rows ``first`` to ``last`` exclusive, both ends trimmed by
    one block), and the method.

    Notes
    -----
    Variances of blocks of 0.5 s are compared with the quietest blocks of the same recording, after the moving-variance
    and angular-rate-energy detectors of Skog et al., IEEE TBME 57(11) 2010, 2657-2666. Absolute caps keep a drive that
    never stops from calling its smoothest part a rest; where speed is known, moving blocks are no rest.
    """
    limit = thresholds(*FILE)
    timing = sampling(pd.DatetimeIndex(inertial.index))
    present = [c for c in AXES if c in inertial and inertial[c].notna().any()]
    moment = seconds(pd.DatetimeIndex(inertial.index))
    size = round(limit["rest.block_s"] * timing.rate_hz) if np.isfinite(timing.rate_hz) else 0
    if size < 4 or not present or len(moment) < 3 * size:
        return _spans(inertial, np.empty((0, 2), dtype=np.int64)), "needs at least 8 rows per second and a few blocks"
    blocks = len(moment) // size
    cut = blocks * size
    quiet = _whole(moment[:cut].reshape(blocks, size), timing.interval_s) & _quiet(inertial, present, blocks, size)
    speed = _block_speed(inertial, fixes, moment[:cut:size] + 0.5 * limit["rest.block_s"])
    known = np.isfinite(speed)
    moving = known & (np.abs(np.where(known, speed, 0.0)) > limit["rest.largest_speed_mps"])
    method = "variance of blocks against the quietest blocks"
    method += ", confirmed by speed" if known.any() else ", no speed to confirm with"
    spans = runs(quiet & ~moving)
    spans = spans[(spans[:, 1] - spans[:, 0] - 2) * limit["rest.block_s"] >= limit["rest.shortest_s"]]
    return _spans(inertial, np.column_stack([spans[:, 0] + 1, spans[:, 1] - 1]) * size), method


def _whole(times: NDArray[np.float64], interval_s: float) -> NDArray[np.bool_]:
    """Return which blocks, rows of `times`, hold no gap."""
    span = times[:, -1] - times[:, 0]
    return np.asarray(span < 1.5 * interval_s * times.shape[1])


def _quiet(inertial: pd.DataFrame, present: list[str], blocks: int, size: int) -> NDArray[np.bool_]:
    """Return which blocks are as quiet as the quietest of the recording, and below the absolute caps."""
    limit = thresholds(*FILE)
    quiet = np.ones(blocks, dtype=bool)
    groups = ((FORCES, limit["rest.largest_acceleration_spread_mps2"], np.inf),
              (RATES, limit["rest.largest_rate_spread_radps"], limit["rest.largest_rate_mean_radps"]))
    for names, largest_spread, largest_mean in groups:
        used = [c for c in names if c in present]
        if not used:
            continue
        data = np.stack([inertial[c].to_numpy(np.float64)[: blocks * size].reshape(blocks, size) for c in used])
        variance = data.var(axis=2).sum(axis=0)
        finite = np.isfinite(variance)
        if not finite.any():
            return np.zeros(blocks, dtype=bool)
        floor = float(np.quantile(variance[finite], limit["rest.floor_quantile"]))
        # An all-zero stretch at the start would set the floor to nothing.
        positive = variance[finite & (variance > 0)]
        floor = max(floor, float(np.quantile(positive, limit["rest.floor_quantile"])) if len(positive) else 0.0)
        cap = min(limit["rest.floor_ratio"] * floor, largest_spread**2)
        centre = np.abs(data.mean(axis=2)).max(axis=0)
        # A sensor that stands is never noiseless on all axes: without variance the channel is dead or held.
        quiet &= finite & (variance <= cap) & (variance > 0) & (centre <= largest_mean)
    return quiet


def _block_speed(inertial: pd.DataFrame, fixes: pd.DataFrame | None,
                 centre_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the speed [m/s] at the times `centre_s` of the blocks, NaN where no epoch is within 1.5 s."""
    if fixes is None or "speed_mps" not in fixes:
        return np.full(len(centre_s), np.nan)
    known = fixes["speed_mps"].dropna()
    if known.empty:
        return np.full(len(centre_s), np.nan)
    at = seconds(pd.DatetimeIndex(known.index), pd.DatetimeIndex(inertial.index)[0])
    order = np.argsort(at, kind="stable")
    at, value = at[order], np.abs(known.to_numpy(np.float64))[order]
    after = np.clip(np.searchsorted(at, centre_s), 0, len(at) - 1)
    before = np.maximum(after - 1, 0)
    near = np.minimum(np.abs(at[after] - centre_s), np.abs(at[before] - centre_s)) <= 1.5
    return np.where(near, np.maximum(value[after], value[before]), np.nan)


def _spans(inertial: pd.DataFrame, rows: NDArray[np.int64]) -> pd.DataFrame:
    """Return row spans as a table of rests."""
    times = pd.DatetimeIndex(inertial.index)
    start, end = times[rows[:, 0]], times[rows[:, 1] - 1]
    return pd.DataFrame({"start_utc": start, "end_utc": end, "first": rows[:, 0], "last": rows[:, 1],
                         "duration_s": np.asarray((end - start) / pd.Timedelta(seconds=1), dtype=np.float64)})


def rest_figures(inertial: pd.DataFrame, rests: pd.DataFrame, *, gravity_mps2: float | None) -> pd.DataFrame:
    """Return `rests` with the mean and spread of each axis, the norm of the mean specific force and its error.

    Columns added: ``<axis>`` (mean), ``<axis>_sd``, ``norm_mps2``, ``norm_error_mps2`` (norm less `gravity_mps2`; NaN
    where gravity or an axis is unknown). The norm of the mean is used: the mean of the norm grows with noise.
    """
    out = rests.copy()
    first, last = rests["first"].to_numpy(), rests["last"].to_numpy()
    for name in AXES:
        series = inertial[name].to_numpy(np.float64) if name in inertial else np.full(len(inertial), np.nan)
        out[name], out[f"{name}_sd"] = _span_moments(series, first, last)
    mean = out[list(FORCES)].to_numpy(np.float64).reshape(-1, 3)
    out["norm_mps2"] = np.sqrt((mean**2).sum(axis=1))
    out["norm_error_mps2"] = out["norm_mps2"] - (np.nan if gravity_mps2 is None else gravity_mps2)
    return out


def _span_moments(series: NDArray[np.float64], first: ArrayLike, last: ArrayLike,
                  ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return mean and standard deviation of the finite samples of `series` in each span."""
    pieces = [series[a:b][np.isfinite(series[a:b])] for a, b in zip(np.asarray(first), np.asarray(last), strict=True)]
    mean = np.asarray([p.mean() if len(p) else np.nan for p in pieces], dtype=np.float64)
    spread = np.asarray([p.std(ddof=1) if len(p) > 1 else np.nan for p in pieces], dtype=np.float64)
    return mean, spread
