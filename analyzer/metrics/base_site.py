"""A static log at the base: its grade, how well its mean is known, how it swings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.metrics.base_site_drift import block_means
from analyzer.metrics.base_site_shift import limits
from analyzer.metrics.independence import effective_samples

Array = NDArray[np.float64]

#: Grade of a log by its main fix state: what it can see from day to day.
GRADES = {
    "fixed": "centimetre",
    "precise": "decimetre",
    "float": "decimetre",
    "differential": "half_metre",
    "autonomous": "metre",
    "estimated": "metre",
}


def grade_of(fix_state: str) -> str | None:
    """Return the grade of a log by its main fix state, None where it has none."""
    return GRADES.get(fix_state)


def class_sigma(grade: str) -> tuple[float, float]:
    """Return the 1-sigma from day to day of the mean of a log: per horizontal axis and in height [m]."""
    limit = limits()
    return limit[f"log.{grade}_horizontal"], limit[f"log.{grade}_vertical"]


def least_move(grade: str) -> tuple[float, float]:
    """Return the horizontal and vertical size [m] from which on a step or steady drift within a log is told."""
    horizontal, vertical = class_sigma(grade)
    ratio = limits()["moved.least_ratio"]
    return ratio * horizontal, ratio * vertical


@dataclass(frozen=True)
class SiteMean:
    """Mean of the steady part (east, north, up) with its covariance [m²], autocorrelation counted.

    `correlation_s` is the time in which one independent sample comes; `n_eff` their number.
    """

    mean_m: tuple[float, float, float]
    covariance_m2: tuple[tuple[float, ...], ...]
    sigma_m: tuple[float, float, float]
    n: int
    n_eff: float
    correlation_s: float


def site_mean(points_m: Array, seconds: Array) -> SiteMean:
    """Return the mean of points (3, n) at `seconds` with its uncertainty from the effective sample size.

    Where fewer than two independent samples stand behind the mean, the scatter itself is its uncertainty.
    """
    n_eff = float(min(effective_samples(row)[0] for row in points_m))
    spread = np.cov(points_m)
    widened = spread / (1.0 - 1.0 / max(n_eff, 2.0))
    covariance = widened / max(n_eff, 1.0)
    return SiteMean(
        _three(points_m.mean(axis=1)),
        tuple(tuple(float(v) for v in row) for row in covariance),
        _three(np.sqrt(np.diag(covariance))),
        points_m.shape[1],
        n_eff,
        float(seconds[-1] - seconds[0]) / n_eff,
    )


def waiting_curve(points_m: Array, mean: SiteMean, *, reached_s: float) -> pd.DataFrame:
    """Return how well the mean repeats after waiting: ``waited_s repeat_95_m repeat_up_95_m extrapolated``.

    It concerns repeatability within this log only: autonomous positions converge to a biased value, so that no waiting
    makes their mean absolute.
    """
    sigma = np.sqrt(np.maximum(np.diag(np.cov(points_m)), 0.0))
    waited = np.array([60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400], dtype=np.float64)
    samples = np.maximum(waited / mean.correlation_s, 1.0)
    horizontal = 2.4477 * np.sqrt(0.5 * (sigma[0] ** 2 + sigma[1] ** 2) / samples)
    return pd.DataFrame(
        {
            "waited_s": waited,
            "repeat_95_m": horizontal,
            "repeat_up_95_m": 1.96 * sigma[2] / np.sqrt(samples),
            "extrapolated": waited > reached_s,
        }
    )


def time_to_repeat(points_m: Array, mean: SiteMean, accuracy_m: float) -> float:
    """Return how long to wait [s] until the horizontal mean repeats within `accuracy_m` (95 %)."""
    sigma = np.sqrt(np.diag(np.cov(points_m)))
    scale = 2.4477 * np.sqrt(0.5 * (sigma[0] ** 2 + sigma[1] ** 2))
    return float(mean.correlation_s * max(1.0, (scale / accuracy_m) ** 2)) if scale > accuracy_m else 0.0


def multipath_period(points_m: Array, seconds: Array) -> tuple[float | None, float, str]:
    """Return the period [s] of the strongest swing, its amplitude [m] and in words why there is none.

    Periodogram of block means against the spectrum of red noise with the same lag-one correlation; a peak counts only
    if it stands out at 0.1 % over all periods from a minute to a third of the log.
    """
    limit = limits()
    span = float(seconds[-1] - seconds[0]) if len(seconds) else 0.0
    if span < 6 * limit["multipath.shortest_s"]:
        return None, 0.0, "the log is too short for a period to show"
    step = max(span / 600.0, 5.0)
    blocks, _ = block_means(points_m, seconds, step)
    count = blocks.shape[1]
    trend = np.stack([np.polyval(np.polyfit(np.arange(count), row, 1), np.arange(count)) for row in blocks])
    series = blocks - trend
    power = np.abs(np.fft.rfft(series, axis=1)) ** 2
    frequency = np.fft.rfftfreq(count, step)
    inside = (frequency > 3.0 / span) & (frequency < 1.0 / limit["multipath.shortest_s"])
    if not inside.any():
        return None, 0.0, "the log is too short for a period to show"
    best = _stands_out(series, power, np.asarray(frequency * step, dtype=np.float64), inside)
    if best is None:
        return None, 0.0, "no swing stands out from slow noise"
    row, at = best
    return float(1.0 / frequency[at]), float(2.0 * np.sqrt(power[row, at]) / count), ""


def _stands_out(series: Array, power: Array, turns: Array, inside: NDArray[np.bool_]) -> tuple[int, int] | None:
    """Return row and frequency of the highest peak over red noise, None where it is not significant."""
    lag = (series[:, 1:] * series[:, :-1]).sum(axis=1) / np.maximum((series**2).sum(axis=1), 1e-18)
    red = (1 - lag[:, None] ** 2) / (1 + lag[:, None] ** 2 - 2 * lag[:, None] * np.cos(2 * np.pi * turns))
    red = red * (power[:, 1:].sum(axis=1) / np.maximum(red[:, 1:].sum(axis=1), 1e-18))[:, None]
    ratio = np.where(inside, power / np.maximum(red, 1e-18), 0.0)
    row, at = np.unravel_index(int(np.argmax(ratio)), ratio.shape)
    tests = 3 * int(inside.sum())
    critical = -np.log(1.0 - (1.0 - limits()["multipath.level"]) ** (1.0 / tests))
    return (int(row), int(at)) if ratio[row, at] > critical else None


def _three(values: Array) -> tuple[float, float, float]:
    a, b, c = (float(v) for v in values)
    return a, b, c
