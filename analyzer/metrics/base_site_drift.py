"""Drift of a static log that dies out, exp(-t/τ), against wander that is itself slow: odds, level and detectable size."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyzer.metrics.base_site_power import decay_size
from analyzer.metrics.base_site_shift import limits
from analyzer.metrics.base_site_wander import DECAYS, DECAYS_S, Sums, Trial, Wander, p_value

Array = NDArray[np.float64]
#: The decay [s] that the detectable size is stated for.
_STATED_S = 280.0


@dataclass(frozen=True)
class Drift:
    """What block means say of a drift.

    Attributes
    ----------
    vector_m, sigma_m : start against the later value per axis and its 1-sigma [m].
    decay_s : its time constant [s].
    log_odds : natural logarithm of the odds of drift against none.
    p_value : share of logs without drift, wandering as this one may, with odds at least as high.
    detectable_m : horizontal and vertical drift found with the stated power, decaying in `detectable_decay_s`; NaN
        where not asked for, or where a drift was found: it would count as wander.
    """

    vector_m: tuple[float, ...]
    sigma_m: tuple[float, ...]
    decay_s: float
    log_odds: float
    p_value: float
    detectable_m: tuple[float, float] = (float("nan"), float("nan"))
    detectable_decay_s: float = float("nan")


def find_drift(blocks_m: Array, time_s: Array, *, detectable: bool = True, trial: Trial | None = None) -> Drift:
    """Return the drift of block means and whether it is more than wander.

    Parameters
    ----------
    blocks_m, time_s : (axes, n) block means [m], and their times since the start of the log [s].
    detectable : whether the size that would be found is wanted, the costlier part; for east, north, up only.
    trial : these blocks with the logs drawn for them, where other movements are looked for in the same.
    """
    level, trial = limits()["settle.level"], Trial(blocks_m, time_s) if trial is None else trial
    wander, sums = trial.wander, trial.sums
    odds = float(trial.fit.log_odds[0])
    drawn = wander.fit(trial.drawn).log_odds
    vector, sigma, decay_s = _estimate(wander, sums)
    chance = p_value(odds, drawn)
    sizes, in_s = (float("nan"), float("nan")), float("nan")
    if detectable and chance > level:
        decay = int(np.flatnonzero(np.array(DECAYS_S) <= max(float(time_s[-1]) / 4.0, DECAYS_S[0]))[-1])
        decay = min(decay, DECAYS_S.index(_STATED_S))
        critical = float(np.quantile(drawn, 1.0 - level))
        sizes = decay_size(trial, decay, critical)
        in_s = DECAYS_S[decay]
    return Drift(vector, sigma, decay_s, odds, chance, sizes, in_s)


def _estimate(wander: Wander, sums: Sums) -> tuple[tuple[float, ...], tuple[float, ...], float]:
    """Return start less later value, its sigma and the decay, averaged over kinds and decays by how well they fit."""
    mean, sigma, weight = wander.estimate(sums.rest[0], sums.size[0][:, DECAYS], wander.reach2[:, DECAYS])
    return tuple(mean.tolist()), tuple(sigma.tolist()), float(np.exp(weight @ np.log(DECAYS_S)))


def three(values: Array | tuple[float, ...]) -> tuple[float, float, float]:
    """Return three values as a tuple of plain numbers."""
    a, b, c = (float(v) for v in values)
    return a, b, c


def blocks_of(values: Array, seconds: Array) -> tuple[Array, NDArray[np.int64], Array]:
    """Return the block means (axes, blocks) of a log, the index of their first epochs and their middles [s].

    Blocks are of `settle.block_s`, shorter where a log would have fewer than twelve, longer where it would have more
    than `settle.most_blocks`.
    """
    span, limit = float(seconds[-1] - seconds[0]), limits()
    length_s = max(min(limit["settle.block_s"], span / 12.0), span / limit["settle.most_blocks"])
    blocks, edges = block_means(values, seconds, length_s)
    return blocks, edges, np.asarray(seconds[edges] - seconds[0] + 0.5 * length_s, dtype=np.float64)


def block_means(points_m: Array, seconds: Array, length_s: float) -> tuple[Array, NDArray[np.int64]]:
    """Return the means (3, blocks) over stretches of `length_s` and the index of the first epoch of each."""
    number = np.floor((seconds - seconds[0]) / length_s + 1e-9).astype(np.int64)
    edges = np.flatnonzero(np.r_[True, np.diff(number) > 0])
    size = np.diff(np.r_[edges, len(seconds)])
    full = size >= 0.5 * np.median(size)
    means = np.stack([np.add.reduceat(row, edges) / size for row in points_m])
    return means[:, full], edges[full]
