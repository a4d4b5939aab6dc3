"""Random numbers that stay the same on every platform and library version.

Everything is made from the raw 64-bit output of PCG64, whose stream the library guarantees; its distribution methods
carry no such promise. Each purpose has its own named stream, so that one more output never changes another.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter
from scipy.special import ndtri

Array = NDArray[np.float64]
T = TypeVar("T")


class Draws:
    """A named stream of random numbers."""

    def __init__(self, seed: int, name: str) -> None:
        key = (zlib.crc32(name.encode()),)
        self._bits = np.random.PCG64(np.random.SeedSequence(seed, spawn_key=key))

    def unit(self, n: int) -> Array:
        """Return `n` numbers, uniform in the open interval (0, 1)."""
        raw = np.asarray(self._bits.random_raw(n), dtype=np.uint64)
        return ((raw >> np.uint64(11)).astype(np.float64) + 0.5) * 2.0**-53

    def normal(self, n: int) -> Array:
        """Return `n` standard normal numbers."""
        return np.asarray(ndtri(self.unit(n)), dtype=np.float64)

    def between(self, low: float, high: float) -> float:
        """Return one number, uniform in (low, high)."""
        return float(low + (high - low) * self.unit(1)[0])

    def gauss(self, sigma: float = 1.0) -> float:
        """Return one normal number."""
        return float(sigma * self.normal(1)[0])

    def chance(self, probability: float) -> bool:
        """Return True with the given probability."""
        return bool(self.unit(1)[0] < probability)

    def pick(self, items: Sequence[T]) -> T:
        """Return one of `items`."""
        return items[int(self.unit(1)[0] * len(items))]

    def whole(self, low: int, high: int) -> int:
        """Return a whole number, low and high included."""
        return low + int(self.unit(1)[0] * (high - low + 1))

    def direction(self) -> Array:
        """Return a horizontal unit vector (east, north)."""
        angle = self.between(0.0, 2.0 * np.pi)
        return np.array([np.cos(angle), np.sin(angle)])

    def correlated(self, n: int, step_s: float, time_constant_s: float) -> Array:
        """Return a first-order Gauss-Markov series of unit variance.

        Parameters
        ----------
        n : number of samples.
        step_s : time between samples [s].
        time_constant_s : time after which the autocorrelation has fallen to 1/e [s].
        """
        fade = float(np.exp(-step_s / time_constant_s))
        drive = self.normal(n + 1)
        gain = float(np.sqrt(1.0 - fade * fade))
        series, _ = lfilter([gain], [1.0, -fade], drive[1:], zi=np.array([fade * drive[0]]))
        return np.asarray(series, dtype=np.float64)

    def heavy_tailed(self, n: int, *, share: float, factor: float) -> Array:
        """Return white noise of which a `share` of the samples is `factor` times wider (a contaminated normal)."""
        wide = self.unit(n) < share
        return np.asarray(self.normal(n) * np.where(wide, factor, 1.0), dtype=np.float64)
