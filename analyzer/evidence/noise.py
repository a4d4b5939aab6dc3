"""How far residuals wander in a given time on this very drive: the ruler for every step and bridge.

For fixed stretches the difference of the residual over a lag has the variance::

    D(lag) = 2 w² + q lag + 2 s² T² (lag/T - 1 + exp(-lag/T))

white position noise at both ends, the random walk of integrated white velocity noise, and the integral of a slowly
changing velocity error (standard deviation s, time constant T). D is learnt by medians, so that a minority of wrong
fixes or jumps does not stretch the ruler.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter, uniform_filter1d
from scipy.optimize import nnls

from analyzer.evidence.displacement import lagged
from analyzer.evidence.learnt import Learnt
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds

Ints = NDArray[np.int64]
#: Interval of the rows whose medians show spikes [s].
SPIKE_GRID_S = 0.1
LAGS_S = (0.3, 0.5, 1.0, 2.0, 3.0, 5.0, 8.0, 12.0, 20.0, 30.0)


@dataclass(frozen=True)
class Noise:
    """Per horizontal axis: `white_m` of a position, `walk_m2ps` of its integral, `rate_mps` of the slow velocity error.

    `learnt` is false where too few fixed epochs follow each other and the published values stand in; `lags_s` and
    `sigma_m` are what was seen, in `seconds` of the drive.
    """

    white_m: float
    walk_m2ps: float
    rate_mps: float
    time_s: float
    learnt: bool
    lags_s: tuple[float, ...] = ()
    sigma_m: tuple[float, ...] = ()
    seconds: float = 0.0

    @property
    def unsure(self) -> float:
        """Return by what factor the slow sigma may be larger than learnt: ``1 + 1/sqrt(2 n)``, n independent stretches."""
        return 1.0 + 1.0 / float(np.sqrt(2 * max(self.seconds / self.time_s, 1.0)))

    def wander(self, seconds: float) -> float:
        """Return sigma [m] per axis of the residual's wander over `seconds`, without white noise."""
        ratio = seconds / self.time_s
        slow = 2 * self.rate_mps**2 * self.time_s**2 * (ratio - 1 + np.exp(-ratio))
        return float(np.sqrt(self.walk_m2ps * seconds + slow))


def learn(residual: Floats, usable: Flags, nominal_s: float, *, learnt: Learnt | None = None, key: str = "noise") -> Noise:
    """Learn the noise from `residual` (n, 2) where `usable` (fixed, velocity known); `learnt` knows the whole drive by `key`."""
    learnt = learnt or Learnt()
    limits = thresholds("analyzer.evidence")
    time_s, least = limits["noise.time"], limits["noise.least_pairs"]
    steps = lagged(residual, 1, usable).ravel()
    step, pairs = learnt.sigma(f"{key}.step", steps), int(np.isfinite(steps).sum())
    lags, sigmas = [], []
    for lag in sorted({max(1, round(lag_s / nominal_s)) for lag_s in LAGS_S}):
        change = lagged(residual, lag, usable).ravel()
        sigma = learnt.sigma(f"{key}.{lag}", change)
        if learnt.count(f"{key}.{lag}", len(change)) >= 2 * least and lag * nominal_s <= LAGS_S[-1] * 1.1:
            lags.append(lag * nominal_s)
            sigmas.append(sigma)
    if len(lags) < 2 or not np.isfinite(step):
        return Noise(limits["noise.white"], limits["noise.walk"], limits["noise.rate"], time_s, learnt=False)
    lag_s, seen = np.asarray(lags), np.maximum(np.asarray(sigmas), 1e-4) ** 2
    design = np.column_stack([np.full(len(lag_s), 2.0), lag_s, 2 * time_s**2 * (lag_s / time_s - 1 + np.exp(-lag_s / time_s))])
    parts, _ = nnls(design / seen[:, None], np.ones(len(lag_s)))
    white = min(np.sqrt(parts[0]), step / np.sqrt(2)) if parts[0] > 0 else step / 2
    return Noise(
        max(float(white), 1e-4), max(float(parts[1]), limits["noise.least_walk"]), float(np.sqrt(parts[2])), time_s, learnt=True,
        lags_s=tuple(lags), sigma_m=tuple(sigmas), seconds=learnt.count(f"{key}.step", pairs) / 2 * nominal_s,
    )


def learn_moving(residual: Floats, usable: Flags, track: Track, *, key: str = "noise") -> Noise:
    """Learn the noise from `usable` epochs in motion, or from all where too few of them move.

    At rest the velocity of many receivers is held at zero, so a drive with long stands would show a wander that is too small.
    """
    moving = learn(residual, usable & ~track.standing, track.nominal_s, learnt=track.learnt, key=f"{key}.moving")
    if moving.learnt and not track.learnt.noting:
        return moving
    every = learn(residual, usable, track.nominal_s, learnt=track.learnt, key=key)
    return moving if moving.learnt else every


def roughness(
    values: Floats, nominal_s: float, *, slowest_s: float = 0.26, learnt: Learnt | None = None, key: str = "rough", where: Flags | None = None,
    begins: Ints | None = None,
) -> Floats:
    """Return per epoch how much noisier `values` (n, 2) are than usual on this drive, a factor of at least 1.

    Local mean over two seconds of capped absolute second differences, over its median; what is usual is what holds `where`
    (n,) is true, unless those are too few: velocity is quieter at rest, where receivers hold it. At intervals beyond `slowest_s`
    second differences of a velocity show driving, not noise, and the factor is 1. Differences across the rows `begins`, where another
    stretch begins, are its step and no noise.
    """
    count = len(values)
    width = 2 * max(2, round(1.0 / nominal_s)) + 1
    if nominal_s > slowest_s or count < 3 * width:
        return np.ones(count)
    second = np.abs(np.diff(np.nan_to_num(values), 2, axis=0)).max(axis=1)
    second = np.r_[second[:1], second, second[-1:]]
    learnt = learnt or Learnt()
    counted = where if where is not None and where.sum() >= 3 * width else np.ones(count, dtype=bool)
    usual = learnt.quantile(f"{key}.second", second[(second > 0) & counted], empty=0.0)
    if usual == 0:
        return np.ones(count)
    # the mean of capped values follows a change within seconds and is not moved by a single jump
    own = np.ones(count)
    if begins is not None:
        own[begins], own[np.maximum(begins - 1, 0)] = 0.0, 0.0
    local = uniform_filter1d(np.minimum(second, 8 * usual) * own, width, mode="nearest")
    local = local / np.maximum(uniform_filter1d(own, width, mode="nearest"), 1 / width)
    return np.clip(local / max(learnt.quantile(f"{key}.local", local[counted]), 1e-12), 1.0, 8.0)


def spikes(values: Floats, white_m: Floats, nominal_s: float) -> Flags:
    """Return which rows of `values` (n, 2) stand out from the median of the second around them beyond six times `white_m` (n,).

    At high rates the median is that of ten rows a second: spikes last as long as a receiver needs to see them, not a number of rows.
    """
    limits = thresholds("analyzer.evidence")
    stride = max(1, int(SPIKE_GRID_S / nominal_s + 1e-6))
    width = 2 * min(10, max(1, round(1.0 / nominal_s))) + 1
    rows = np.arange(len(values))
    known = np.nan_to_num(values)
    middle = np.column_stack([
        np.interp(rows, rows[::stride], median_filter(known[::stride, k], width, mode="nearest")) for k in range(values.shape[1])])
    away = np.hypot(*(known - middle).T)
    return np.asarray(away > np.maximum(limits["scatter.spike_sigmas"] * white_m, limits["scatter.least_spike"]))
