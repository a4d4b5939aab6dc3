"""Scatter of positions about their mean at one place: short-term repeatability, never accuracy."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analyzer.metrics.accuracy import circle_radius, principal_axes, sigma_factors, sphere_radius
from analyzer.metrics.independence import effective_samples, lag_one
from analyzer.settings import thresholds

Array = NDArray[np.float64]

METHOD = ("short-term repeatability about the mean, not accuracy: CEP50 and R95 counted on the positions, beside them "
          "the radii of the elliptical normal distribution by exact integration; none below the last digit of the log")
#: Below so many positions a 95th percentile cannot be counted and the normal radii stand in.
COUNTED_FROM = 20


@dataclass(frozen=True)
class Scatter:
    """Scatter of a stretch at rest. Lengths in metres, 1-sigma unless the name says otherwise.

    `n_eff` independent samples for the mean, `n_eff_variance` for the variance. `intervals` holds 95 % confidence
    intervals by field name, and is empty with the reason in `no_interval` where too few independent samples stand
    behind them. `cep50_m` and `r95_m` are counted on the positions; `cep50_normal_m` and `r95_normal_m` are those of a
    normal distribution with the same covariance, and differ where the scatter is a drift. `drift_m` is the peak-to-peak
    movement in east or north, the larger; `drifts` says that the scatter is mainly a slow drift; `pinned` that it lies
    far below the noise of the trade. Vertical values are NaN without heights. Radii and root mean squares in plan are never
    below the last digit of the logged position, which hides what is smaller, and have no interval there.
    """

    n: int
    n_eff: float
    n_eff_variance: float
    mean_m: tuple[float, float, float]
    var_ee_m2: float
    var_nn_m2: float
    var_en_m2: float
    var_uu_m2: float
    sigma_major_m: float
    sigma_minor_m: float
    orientation_deg: float
    cep50_m: float
    r95_m: float
    cep50_normal_m: float
    r95_normal_m: float
    drms_m: float
    two_drms_m: float
    vertical_68_m: float
    vertical_95_m: float
    sep_m: float
    lag_one: float
    drift_m: float
    drifts: bool
    pinned: bool
    no_interval: str = ""
    intervals: Mapping[str, tuple[float, float]] = field(default_factory=dict)


def scatter(
    east_m: ArrayLike, north_m: ArrayLike, up_m: ArrayLike | None = None, *, resolution_m: float = 0.0,
) -> Scatter:
    """Return the scatter of equally spaced positions [m] at one place.

    Parameters
    ----------
    east_m, north_m, up_m : (n,) local coordinates; epochs without a horizontal position are left out.
    resolution_m : last digit of the logged position; equal positions below it are no sign of pinning nor of repeatability.
    """
    east, north, up = _placed(east_m, north_m, up_m)
    covariance = np.cov(np.stack([east, north]))
    var_ee, var_nn, var_en = float(covariance[0, 0]), float(covariance[1, 1]), float(covariance[0, 1])
    major, minor, orientation = principal_axes(var_ee, var_nn, var_en)
    drms = float(np.sqrt(var_ee + var_nn))
    worth = np.array([effective_samples(x) for x in (east, north)]).min(axis=0)
    correlation = max(lag_one(east), lag_one(north), key=lambda v: (np.isfinite(v), v))
    drift = float(max(np.ptp(east), np.ptp(north)))
    vertical = _vertical(east, north, up)
    limit = thresholds("analyzer.metrics")
    normal = circle_radius(0.5, major, minor), circle_radius(0.95, major, minor)
    counted = len(east) >= COUNTED_FROM
    radii = (sample_radius(east, north, 0.5), sample_radius(east, north, 0.95)) if counted else normal
    lengths = {"cep50_m": radii[0], "r95_m": radii[1], "drms_m": drms, "two_drms_m": 2.0 * drms}
    spans, reason = _intervals(worth, (major, minor), lengths, vertical)
    spans = {name: span for name, span in spans.items() if lengths.get(name, np.inf) >= resolution_m}
    shown = {name: max(value, resolution_m) for name, value in lengths.items()}
    return Scatter(
        n=len(east), n_eff=float(worth[0]), n_eff_variance=float(worth[1]),
        mean_m=(float(east.mean()), float(north.mean()), vertical["mean"]),
        var_ee_m2=var_ee, var_nn_m2=var_nn, var_en_m2=var_en, var_uu_m2=vertical["variance"],
        sigma_major_m=major, sigma_minor_m=minor, orientation_deg=orientation,
        cep50_m=shown["cep50_m"], r95_m=shown["r95_m"], drms_m=shown["drms_m"], two_drms_m=shown["two_drms_m"],
        cep50_normal_m=max(normal[0], resolution_m), r95_normal_m=max(normal[1], resolution_m),
        vertical_68_m=vertical["sigma"], vertical_95_m=1.959963985 * vertical["sigma"],
        sep_m=float(np.maximum(vertical["sep"], resolution_m)),
        lag_one=correlation, drift_m=drift, drifts=bool(correlation > limit["scatter.drift_lag_one"]),
        pinned=_pinned(len(east), drms, resolution_m), no_interval=reason, intervals=spans,
    )


def _placed(east_m: ArrayLike, north_m: ArrayLike, up_m: ArrayLike | None) -> tuple[Array, Array, Array]:
    """Return east, north, up [m] of the epochs with a horizontal position, heights NaN where none are given."""
    east, north = np.asarray(east_m, dtype=np.float64), np.asarray(north_m, dtype=np.float64)
    up = np.full(len(east), np.nan) if up_m is None else np.asarray(up_m, dtype=np.float64)
    known = np.isfinite(east) & np.isfinite(north)
    if known.sum() < 2:
        raise ValueError(f"scatter needs at least two positions, got {known.sum()}")
    return east[known], north[known], up[known]


def _vertical(east: Array, north: Array, up: Array) -> dict[str, float]:
    """Return mean, variance, sigma, number of independent samples for the variance, and SEP.

    All NaN where fewer than half of the positions have a height: the others would stand for a different time.
    """
    known = np.isfinite(up)
    if known.sum() < max(2, 0.5 * len(up)):
        return dict.fromkeys(("mean", "variance", "sigma", "worth", "sep"), float("nan"))
    height = up[known]
    full = np.cov(np.stack([east[known], north[known], height]))
    sigmas = np.sqrt(np.maximum(np.linalg.eigvalsh(full), 0.0))
    variance = float(full[2, 2])
    return {"mean": float(height.mean()), "variance": variance, "sigma": float(np.sqrt(variance)),
            "worth": effective_samples(height)[1],
            "sep": sphere_radius(0.5, (float(sigmas[0]), float(sigmas[1]), float(sigmas[2])))}


def _intervals(
    worth: Array, axes: tuple[float, float], lengths: Mapping[str, float], vertical: Mapping[str, float],
) -> tuple[dict[str, tuple[float, float]], str]:
    """Return the confidence intervals, or none and the reason.

    The horizontal scale has (n_eff - 1)(a² + b²)²/(a⁴ + b⁴) degrees of freedom (Satterthwaite), between one and two
    per independent sample.
    """
    least = thresholds("analyzer.metrics")["scatter.least_n_eff"]
    if worth[0] < least:
        return {}, (f"only about {worth[0]:.1f} independent samples: the positions move together, so no interval "
                    "can be given")
    if lengths["drms_m"] <= 0:
        return {}, "the positions do not vary at all"
    major, minor = axes
    equivalent = (major**2 + minor**2) ** 2 / (major**4 + minor**4)
    low, high = sigma_factors((worth[1] - 1.0) * equivalent)
    out = {k: (low * v, high * v) for k, v in lengths.items()}
    if vertical["worth"] >= least and vertical["sigma"] > 0:
        low, high = sigma_factors(vertical["worth"] - 1.0)
        out["vertical_68_m"] = (low * vertical["sigma"], high * vertical["sigma"])
        out["vertical_95_m"] = (1.959963985 * low * vertical["sigma"], 1.959963985 * high * vertical["sigma"])
    return out, ""


def _pinned(count: int, drms: float, resolution_m: float) -> bool:
    """Return whether the scatter lies far below the noise of the trade and the resolution would have shown it."""
    limit = thresholds("analyzer.metrics")
    visible = limit["scatter.pinned_resolution"] * resolution_m <= limit["scatter.pinned_m"]
    return bool(count >= limit["scatter.pinned_n"] and drms < limit["scatter.pinned_m"] and visible)


def sample_radius(east_m: ArrayLike, north_m: ArrayLike, probability: float) -> float:
    """Return the empirical radius about the mean that holds `probability` of the positions [m]."""
    east, north = np.asarray(east_m, dtype=np.float64), np.asarray(north_m, dtype=np.float64)
    return float(np.quantile(np.hypot(east - east.mean(), north - north.mean()), probability))
