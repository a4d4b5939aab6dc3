"""Static logs of known make-up for the tests of a base site."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Array = NDArray[np.float64]
#: Sigma (east, north, up) of an autonomous and of a fixed position [m]; common practice.
AUTONOMOUS, FIXED = np.array([1.2, 1.2, 2.1]), np.array([0.009, 0.009, 0.015])


def wander(rng: np.random.Generator, count: int, tau_s: float, *, white: float = 0.0) -> Array:
    """Return first-order autoregressive wander of unit variance (3, count) at 1 Hz, a share of it white."""
    fade = np.exp(-1.0 / tau_s)
    drive = rng.normal(0.0, np.sqrt(1.0 - fade**2), (3, count))
    slow = lfilter([1.0], [1.0, -fade], drive, axis=1, zi=fade * rng.normal(size=(3, 1)))[0]
    return np.asarray(np.sqrt(1.0 - white) * slow + np.sqrt(white) * rng.normal(size=(3, count)))


def dying_out(count: int, size_m: float, tau_s: float) -> Array:
    """Return a drift of `size_m` along each of the three axes at the start (3, count)."""
    return np.tile(size_m * np.exp(-np.arange(count) / tau_s), (3, 1))
