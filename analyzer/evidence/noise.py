"""How far residuals wander in a given time on this very drive: the ruler for every step and bridge.

For fixed stretches the differences of the residual over a lag have variance ``2 w² + q lag``: white position noise at
both ends and the random walk of integrated velocity noise. Both are learnt by medians, so that a minority of wrong
fixes or jumps does not stretch the ruler; correlated velocity errors show as faster growth, which `q` takes over by its
largest value over the lags.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analyzer.evidence.displacement import lagged, robust_sigma
from analyzer.evidence.track import Flags, Floats
from analyzer.settings import thresholds

LAGS_S = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0)


@dataclass(frozen=True)
class Noise:
    """Per horizontal axis: `white_m` of a position, `walk_m2ps` growth of variance with time, and the lags that were seen.

    `learnt` is false where too few fixed epochs follow each other and the published values stand in.
    """

    white_m: float
    walk_m2ps: float
    learnt: bool
    lags_s: tuple[float, ...] = ()
    sigma_m: tuple[float, ...] = ()

    def bridge_sigma(self, seconds: Floats) -> Floats:
        """Return sigma [m] per axis of the residual's wander over `seconds`, without white noise."""
        return np.sqrt(self.walk_m2ps * np.clip(seconds, 0, None))


def learn(residual: Floats, usable: Flags, nominal_s: float) -> Noise:
    """Learn the noise from `residual` (n, 2) where `usable` (fixed, moving, velocity known)."""
    limits = thresholds("analyzer.evidence")
    step = robust_sigma(lagged(residual, 1, usable).ravel())
    lags, sigmas = [], []
    for lag_s in LAGS_S:
        lag = max(1, round(lag_s / nominal_s))
        change = lagged(residual, lag, usable)
        if len(change) >= limits["noise.least_pairs"] and abs(lag * nominal_s - lag_s) <= nominal_s:
            lags.append(lag * nominal_s)
            sigmas.append(robust_sigma(change.ravel()))
    if not lags or not np.isfinite(step):
        return Noise(limits["noise.white"], limits["noise.walk"], learnt=False)
    white = max(step / np.sqrt(2), 1e-4)
    growth = [(s**2 - min(step**2, s**2)) / max(lag - nominal_s, nominal_s) for lag, s in zip(lags, sigmas, strict=True)]
    walk = max([*growth, limits["noise.least_walk"]])
    return Noise(white, walk, learnt=True, lags_s=tuple(lags), sigma_m=tuple(sigmas))
