"""A static log at the base: has it settled, how well is its mean known, what does its sky look like."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from analyzer.metrics.base_site_shift import limits
from analyzer.metrics.independence import effective_samples

Array = NDArray[np.float64]

#: Correlation times [s] of the wander of positions at rest, and the decays [s] looked for; common practice.
_FAST_S, _SLOW_S = 70.0, 400.0
_DECAYS_S = (100.0, 180.0, 320.0, 600.0)
#: How many of the decays are clearly different, for the multiplicity of the test.
_DIFFERENT = 1.5

#: Grade of a log by its main fix state: what it can see from day to day.
GRADES = {
    "fixed": "centimetre",
    "precise": "decimetre",
    "float": "decimetre",
    "differential": "half_metre",
    "autonomous": "metre",
    "estimated": "metre",
}


@dataclass(frozen=True)
class Settling:
    """Whether a static log drifts.

    Attributes
    ----------
    settled : True, False, or None where the log is too short to say.
    steady_from : index of the first epoch of the steady part (0 where settled from the start).
    steady_at_end : whether a steady part was found at all.
    drift_m : (east, north, up) of the start against the later value [m].
    drift_sigma_m : its own uncertainty, autocorrelation counted [m].
    statistic, p_value : F statistic of the joint test over three components.
    """

    settled: bool | None
    steady_from: int
    steady_at_end: bool
    drift_m: tuple[float, float, float]
    drift_sigma_m: tuple[float, float, float]
    statistic: float
    p_value: float
    reason: str = ""


def grade_of(fix_state: str) -> str | None:
    """Return the grade of a log by its main fix state, None where it has none."""
    return GRADES.get(fix_state)


def class_sigma(grade: str) -> tuple[float, float]:
    """Return the 1-sigma from day to day of the mean of a log: per horizontal axis and in height [m]."""
    limit = limits()
    return limit[f"log.{grade}_horizontal"], limit[f"log.{grade}_vertical"]


def settling(points_m: Array, seconds: Array) -> Settling:
    """Return whether a static log has settled.

    Parameters
    ----------
    points_m : (3, n) east, north, up [m] of one fix state.
    seconds : (n,) time of each [s], rising.

    A decay towards the later value, exp(-t/τ) with τ from two to ten minutes, is fitted to block means by generalised
    least squares under wander that correlates over one and five minutes, sized from the log itself; one joint F test
    over three components. Where the log drifts, the start is moved on in steps of a tenth until what is left does not.
    """
    limit = limits()
    nothing = (float("nan"),) * 3
    if len(seconds) < 2 or seconds[-1] - seconds[0] < limit["settle.shortest_s"]:
        reason = f"the log is shorter than {limit['settle.shortest_s']:.0f} s, in which drift cannot be seen"
        return Settling(None, 0, False, nothing, nothing, float("nan"), float("nan"), reason)
    length = _block_length(seconds)
    blocks, edges = block_means(points_m, seconds, length)
    first = _decay(blocks, seconds[edges] - seconds[0])
    found = (_three(first[0]), _three(first[1]), first[2], first[3])
    if first[3] >= limit["settle.level"]:
        return Settling(True, 0, True, *found)
    count = blocks.shape[1]
    for start in range(max(1, count // 10), max(2, int(count * 0.7)), max(1, count // 10)):
        part = _decay(blocks[:, start:], seconds[edges[start:]] - seconds[edges[start]])
        if part[3] >= limit["settle.level"]:
            return Settling(False, int(edges[start]), True, *found)
    return Settling(False, int(edges[count // 2]), False, *found)


def _block_length(seconds: Array) -> float:
    """Return the block length [s]: the threshold, shorter for short logs so that twelve blocks remain."""
    return float(min(limits()["settle.block_s"], (seconds[-1] - seconds[0]) / 12.0))


def block_means(points_m: Array, seconds: Array, length_s: float) -> tuple[Array, NDArray[np.int64]]:
    """Return the means (3, blocks) over stretches of `length_s` and the index of the first epoch of each."""
    number = np.floor((seconds - seconds[0]) / length_s + 1e-9).astype(np.int64)
    edges = np.flatnonzero(np.r_[True, np.diff(number) > 0])
    size = np.diff(np.r_[edges, len(seconds)])
    full = size >= 0.5 * np.median(size)
    means = np.stack([np.add.reduceat(row, edges) / size for row in points_m])
    return means[:, full], edges[full]


def _decay(blocks: Array, time_s: Array) -> tuple[Array, Array, float, float]:
    """Return start minus later value, its sigma, and the joint F test of the best of several decays.

    The p-value is multiplied by the number of clearly different decays tried (Bonferroni).
    """
    count = blocks.shape[1]
    apart = np.abs(time_s[:, None] - time_s[None, :])
    shape = 0.25 * np.exp(-apart / _FAST_S) + 0.75 * np.exp(-apart / _SLOW_S) + 0.01 * np.eye(count)
    root = np.linalg.cholesky(shape)
    white = np.linalg.solve(root, blocks.T)
    best: tuple[Array, Array, float, float] | None = None
    for tau in _DECAYS_S:
        design = np.linalg.solve(root, np.column_stack([np.ones(count), np.exp(-time_s / tau)]))
        inverse = np.linalg.inv(design.T @ design)
        value = inverse @ design.T @ white
        rest = white - design @ value
        variance = np.maximum((rest**2).sum(axis=0) / (count - 2), 1e-10)
        sigma = np.sqrt(inverse[1, 1] * variance)
        statistic = float(((value[1] / sigma) ** 2).sum() / 3.0)
        p_value = min(1.0, _DIFFERENT * float(stats.f.sf(statistic, 3, count - 2)))
        if best is None or p_value < best[3]:
            best = value[1], sigma, statistic, p_value
    assert best is not None
    return best


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
