"""Laying one even series over another: correlation at every move, missing samples left out, and where it is largest."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


def correlate(reference: Array, measured: Array) -> tuple[Array, Array]:
    """Return the correlation coefficient over the common samples, and their number, at every move.

    Row k of both: `measured` moved so that its sample j meets sample i of `reference`, ``j - i = k - (len(reference) - 1)``. Sums over common samples by Fourier transforms of values, squares and masks.
    """
    a_mask, b_mask = np.isfinite(reference), np.isfinite(measured)
    a, b = np.where(a_mask, reference, 0.0), np.where(b_mask, measured, 0.0)
    scale = (np.std(a[a_mask]) if a_mask.any() else 1.0) or 1.0, (np.std(b[b_mask]) if b_mask.any() else 1.0) or 1.0
    a, b = a / scale[0], b / scale[1]
    size = fft.next_fast_len(len(a) + len(b) - 1, real=True)

    def spectrum(values: Array | Flags) -> NDArray[np.complex128]:
        return np.asarray(fft.rfft(np.asarray(values, dtype=np.float64), size))

    def lagged(left: NDArray[np.complex128], right: NDArray[np.complex128]) -> Array:
        both = fft.irfft(np.conj(left) * right, size)
        return np.asarray(np.concatenate([both[size - (len(a) - 1):], both[:len(b)]]))

    fa, fb, fam, fbm = spectrum(a), spectrum(b), spectrum(a_mask), spectrum(b_mask)
    count = np.rint(lagged(fam, fbm))
    sum_a, sum_b = lagged(fa, fbm), lagged(fam, fb)
    with np.errstate(divide="ignore", invalid="ignore"):
        cross = lagged(fa, fb) - sum_a * sum_b / count
        power_a = lagged(spectrum(a * a), fbm) - sum_a**2 / count
        power_b = lagged(fam, spectrum(b * b)) - sum_b**2 / count
        out = cross / np.sqrt(power_a * power_b)
    # Round-off of the transforms makes correlations of what is nearly constant.
    weak = (power_a < 1e-6 * count) | (power_b < 1e-6 * count) | ~np.isfinite(out)
    return np.where(weak, 0.0, np.clip(out, -1.0, 1.0)), count


def top_between(low: float, mid: float, high: float) -> float:
    """Return where the parabola through a largest value and its neighbours has its top, in steps from the middle."""
    bend = low - 2.0 * mid + high
    return float(0.5 * (low - high) / bend) if bend < 0 else 0.0
