"""One adjustment of all stands: places, a shift per set-up of the base, and what is fixed to the car."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from analyzer.comparing.least_squares import Fit, Task, empty_fit, fit
from analyzer.metrics.base_site_shift import limits

Array = NDArray[np.float64]
Codes = NDArray[np.int64]
#: A car-fixed error counts as separated only where the directions of the stands separate it this well [m].
LEVER_SIGMA_M = 0.04


@dataclass(frozen=True)
class Adjustment:
    """Shifts of the groups against the reference group.

    Attributes
    ----------
    shift_m : (groups, 3) east, north, up; NaN where no common place links a group to the reference.
    covariance_m2 : (groups, 3, 3).
    lever_m : (groups, 2) forward and left of what is fixed to the car, against the reference; NaN where not separable.
    lever_covariance_m2 : (groups, 2, 2).
    repeat_m : (horizontal, vertical) repeatability that was used [m].
    degrees : (horizontal, vertical) degrees of freedom of the residuals.
    residual_factor : (horizontal, vertical) residuals over what was assumed.
    stands : per group, number of stands used.
    """

    shift_m: Array
    covariance_m2: Array
    lever_m: Array
    lever_covariance_m2: Array
    repeat_m: tuple[float, float]
    degrees: tuple[int, int]
    residual_factor: tuple[float, float]
    stands: Codes


def adjust(
    stands: pd.DataFrame,
    group: Codes,
    *,
    reference: int,
    repeat_m: tuple[float, float],
    levers: bool = False,
    known: bool = False,
) -> Adjustment:
    """Return the shifts of groups of runs from their stands at common places.

    Parameters
    ----------
    stands : layout of `analyzer.comparing.stands.COLUMNS`, every row with a place.
    group : (n,) set-up of the base each stand belongs to, 0 and up.
    reference : group whose shift is zero by definition; with `known` none, and the marks' own coordinates are it.
    repeat_m : 1-sigma per horizontal axis and in height between stands at one place [m].
    levers : whether to estimate what is fixed to the car, per group.
    known : hold the places at the known coordinates of their marks.

    Each stand counts with the larger of the repeatability and the uncertainty of its own mean. Where the residuals
    exceed that at 5 % (chi-square), the repeatability they show is used instead; smaller residuals never narrow it.
    """
    count = int(group.max()) + 1 if len(group) else 0
    linked = _linked(stands["place"].to_numpy(), group, reference) if not known else np.ones(len(stands), dtype=bool)
    if levers:
        linked &= np.isfinite(stands["heading_deg"].to_numpy(np.float64))
    rows, codes = stands[linked].reset_index(drop=True), group[linked]
    fits, factor = (empty_fit(count, 2), empty_fit(count, 1)), (1.0, 1.0)
    for _ in range(3):
        spread = _variances(rows, repeat_m, factor)
        heading = np.radians(rows["heading_deg"].to_numpy(np.float64)) if levers else None
        task = Task(codes, count, reference, None if known else pd.factorize(rows["place"])[0])
        fits = (
            fit(task, _seen(rows, ("east", "north"), known), spread[:2], heading=heading),
            fit(task, _seen(rows, ("up",), known), spread[2:]),
        )
        grown = _scale(fits[0]), _scale(fits[1])
        if grown == (1.0, 1.0):
            break
        factor = factor[0] * grown[0], factor[1] * grown[1]
    used = repeat_m[0] * factor[0], repeat_m[1] * factor[1]
    return _joined(*fits, repeat=used, counts=np.bincount(codes, minlength=count))


def _seen(rows: pd.DataFrame, axes: tuple[str, ...], known: bool) -> Array:
    """Return what was observed (axes, n): positions, or positions minus the known coordinates of the marks."""
    seen = np.stack([rows[f"{a}_m"].to_numpy(np.float64) for a in axes])
    return seen - np.stack([rows[f"mark_{a}_m"].to_numpy(np.float64) for a in axes]) if known else seen


def _linked(place: Array, group: Codes, reference: int) -> NDArray[np.bool_]:
    """Return which stands are tied to the reference group by a chain of common places."""
    reached, places = {reference}, set()
    while True:
        places = {p for p, g in zip(place, group, strict=True) if g in reached}
        more = {int(g) for p, g in zip(place, group, strict=True) if p in places}
        if more <= reached:
            break
        reached |= more
    return np.array([g in reached for g in group], dtype=bool)


def _variances(rows: pd.DataFrame, repeat_m: tuple[float, float], factor: tuple[float, float]) -> Array:
    """Return the variances (3, n) of the stands about their place."""
    own = rows[["var_e_m2", "var_n_m2", "var_u_m2"]].to_numpy(np.float64).T
    sigma = np.array([repeat_m[0] * factor[0], repeat_m[0] * factor[0], repeat_m[1] * factor[1]])
    return np.asarray(np.fmax(own, sigma[:, None] ** 2))


def _scale(fit: Fit) -> float:
    """Return by how much the residuals exceed what was assumed; 1 where they do not at the stated level."""
    if fit.degrees < 2 or stats.chi2.sf(fit.squares, fit.degrees) >= limits()["repeat.scale_level"]:
        return 1.0
    return float(np.sqrt(fit.squares / fit.degrees))


def _joined(plan: Fit, height: Fit, *, repeat: tuple[float, float], counts: Codes) -> Adjustment:
    """Return plan and height as one adjustment; without heights in common the shift stays unknown."""
    groups = len(counts)
    covariance = np.full((groups, 3, 3), np.nan)
    known = np.isfinite(plan.shift).all(axis=1) & np.isfinite(height.shift[:, 0])
    covariance[known] = 0.0
    covariance[known, :2, :2] = plan.covariance[known]
    covariance[known, 2, 2] = height.covariance[known, 0, 0]
    shift = np.where(known[:, None], np.column_stack([plan.shift, height.shift[:, :1]]), np.nan)
    assumed = [float(np.sqrt(f.squares / f.degrees)) if f.degrees else float("nan") for f in (plan, height)]
    return Adjustment(
        shift,
        covariance,
        plan.lever,
        plan.lever_covariance,
        repeat,
        (plan.degrees, height.degrees),
        (assumed[0], assumed[1]),
        counts,
    )


def lever_separable(fit: Adjustment, group: int) -> bool:
    """Return whether the directions of the stands of `group` separate what is fixed to the car from the base.

    A set-up after the last one with stands on marks has no place in the adjustment, so nothing is separated for it.
    """
    if group >= len(fit.lever_covariance_m2):
        return False
    spread = fit.lever_covariance_m2[group]
    return bool(np.isfinite(spread).all() and np.sqrt(np.linalg.eigvalsh(spread)[-1]) < LEVER_SIGMA_M)
