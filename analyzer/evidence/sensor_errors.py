"""Errors of inertial sensors that follow the motion of the car, fitted and taken out.

A pitch gyro that is mounted askew, or leans with the body in a bend, feels part of the yaw rate: a bend then passes for a slope.
A forward accelerometer has a scale of its own, feels part of the lateral force where it is askew, and its clock may be late. These
effects are the same all drive long and follow known series; a wrong fix follows none of them.

Source: error model of strapdown inertial sensors (bias, scale factor, misalignment), e.g. Titterton and Weston, Strapdown Inertial
Navigation Technology, from memory, not re-read; robust regression with the weights of Huber (1964), from memory.
"""

from __future__ import annotations

import numpy as np

from analyzer.evidence.learnt import SIGMA_PER_MEDIAN
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds


def without(values: Floats, parts: list[Floats], moving: Flags, track: Track, *, drift: Floats) -> Floats:
    """Return `values` without what surely follows the `parts` (scale, mounting, delay of sensors, body roll).

    Fitted are the changes between means over half of `independent.lag`, beside a constant bias, whose effect is the series `drift`
    and stays; a part counts from `independent.sigmas` on.

    Parameters
    ----------
    values : (n,) what is held against the inertial data, an angle [rad] or a specific energy [m²/s²].
    parts : series (n,) that errors of sensors follow.
    moving : (n,) epochs that count.
    drift : (n,) what a constant bias makes of it.
    """
    limits = thresholds("analyzer.evidence")
    changes = _changes(np.column_stack([values, drift, *parts]), moving, max(2, round(limits["independent.lag"] / track.nominal_s)))
    if len(changes) < limits["independent.least_windows"] * (1 + len(parts)):
        return values
    scale = np.maximum(np.sqrt((changes**2).mean(axis=0)), 1e-12)
    target, design = changes[:, 0], changes[:, 1:] / scale[1:]
    # windows overlap fourfold, so that only a quarter of them count; the bias stays, certain or not
    share = certain_shares(design, target, limits["independent.sigmas"], widened=2.0, always=1)
    return np.asarray(values - np.nan_to_num(np.column_stack(parts)) @ (share / scale[1:])[1:]) if share[1:].any() else values


def certain_shares(
    design: Floats, target: Floats, sigmas: float, *, widened: float = 1.0, always: int = 0, usual: Floats | None = None
) -> Floats:
    """Return the shares (k,) of the columns of `design` (m, k) in `target` (m,), zero for those not certain; the faintest goes first.

    A share counts from `sigmas` on, its sigma `widened` where rows are not independent. The first `always` columns are fitted in any case.
    `usual` (k,) is sigma of each share before looking; columns that hardly differ in the rows would else take huge shares against each other.
    """
    kept, share = np.ones(design.shape[1], dtype=bool), np.zeros(design.shape[1])
    while kept[always:].any():
        before = None if usual is None else usual[kept]
        found, left = robust_fit(design[:, kept], target, before)
        known = design[:, kept].T @ design[:, kept] + (0.0 if before is None else np.diag((left / before) ** 2))
        variance = np.maximum(np.diag(np.linalg.pinv(known)), 1e-18)
        clear = np.abs(found) / (widened * left * np.sqrt(variance))
        clear[:always] = np.inf
        if clear.min() >= sigmas:
            share[kept] = found
            break
        kept[np.flatnonzero(kept)[int(np.argmin(clear))]] = False
    return share


def _changes(series: Floats, moving: Flags, lag: int) -> Floats:
    """Return the changes (m, k) between means over half a `lag` at both ends of windows of two lags, all of them moving and known."""
    known = moving & np.isfinite(series).all(axis=1)
    sums = np.vstack([np.zeros((1, series.shape[1])), np.cumsum(np.where(known[:, None], series, 0.0), axis=0)])
    whole = np.r_[0, np.cumsum(known)]
    first = np.arange(0, max(0, len(series) - 2 * lag), max(1, lag // 2))
    first = first[whole[first + 2 * lag] - whole[first] == 2 * lag]
    half = lag // 2
    return np.asarray((sums[first + 2 * lag] - sums[first + 2 * lag - half] - sums[first + half] + sums[first]) / half)


def robust_fit(design: Floats, change: Floats, usual: Floats | None = None) -> tuple[Floats, float]:
    """Return the coefficients that explain `change` (m,) by `design` (m, k), and the robust sigma of what is left (Huber).

    `usual` (k,) is sigma of each coefficient before looking (ridge regression); None where all are open.
    """
    weight, scale = np.ones(len(change)), max(SIGMA_PER_MEDIAN * float(np.median(np.abs(change))), 1e-4)
    found: Floats = np.zeros(design.shape[1])
    for _ in range(5):
        rows, target = design * weight[:, None], change * weight
        if usual is not None:
            rows, target = np.vstack([rows, np.diag(scale / usual)]), np.r_[target, np.zeros(len(usual))]
        found = np.asarray(np.linalg.lstsq(rows, target, rcond=None)[0], dtype=np.float64)
        rest = change - design @ found
        scale = max(SIGMA_PER_MEDIAN * float(np.median(np.abs(rest))), 1e-4)
        weight = np.sqrt(np.minimum(1.0, 2.0 * scale / np.maximum(np.abs(rest), 1e-9)))
    return found, scale
