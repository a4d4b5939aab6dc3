"""How many independent samples a correlated series is worth."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft

Array = NDArray[np.float64]


def lag_one(values: Array) -> float:
    """Return the lag-one autocorrelation, NaN where there is no variation."""
    if len(values) < 3:
        return float("nan")
    centred = values - values.mean()
    power = float(centred @ centred)
    return float(centred[1:] @ centred[:-1]) / power if power > 0 else float("nan")


def autocorrelation(values: Array) -> Array:
    """Return the autocorrelation at lags 0 … n/2, from a zero-padded Fourier transform."""
    count = len(values)
    centred = values - values.mean()
    size = fft.next_fast_len(2 * count)
    power = np.abs(np.asarray(fft.rfft(centred, size))) ** 2
    raw = np.asarray(fft.irfft(power, size), dtype=np.float64)[: count // 2 + 1]
    return raw / raw[0] if raw[0] > 0 else np.zeros(len(raw))


def effective_samples(values: Array) -> tuple[float, float]:
    """Return the number of independent samples for the mean and for the variance, at least 1 and at most n.

    The smaller of two estimates, so that neither slow drift nor white noise on top of it makes the count too high:
    the integrated autocorrelation (pairs of neighbouring lags summed while positive, Geyer 1992, from memory), and the
    first-order autoregressive formulas n(1-φ)/(1+φ) and n(1-φ²)/(1+φ²) with the small-sample correction of φ by
    (1+3φ)/n (Kendall 1954, from memory).
    """
    array = np.asarray(values, dtype=np.float64)
    array = array[np.isfinite(array)]
    count = len(array)
    if count < 4 or np.ptp(array) == 0:
        return 1.0, 1.0
    rho = autocorrelation(array)
    mean_time, variance_time = 1 + 2 * _initial_sum(rho), 1 + 2 * _initial_sum(rho, square=True)
    phi = lag_one(array)
    phi = min(max(phi + (1 + 3 * phi) / count, 0.0), 1.0 - 1.0 / count)
    by_mean = min(count / mean_time, count * (1 - phi) / (1 + phi))
    by_variance = min(count / variance_time, count * (1 - phi**2) / (1 + phi**2))
    return float(np.clip(by_mean, 1.0, count)), float(np.clip(by_variance, 1.0, count))


def _initial_sum(rho: Array, *, square: bool = False) -> float:
    """Return the sum of autocorrelations from lag 1 until a pair of neighbours is no longer positive."""
    pairs = rho[: len(rho) // 2 * 2].reshape(-1, 2).sum(axis=1)
    stop = np.flatnonzero(pairs <= 0)
    end = 2 * int(stop[0]) if len(stop) else 2 * len(pairs)
    used = rho[1:max(end, 1)]
    return float(np.sum(used**2 if square else used))
