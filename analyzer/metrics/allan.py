"""Overlapping Allan deviation and what is read from it."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.stats import chi2

from analyzer.intervals import runs
from analyzer.settings import thresholds

#: The flat floor of the Allan deviation lies at this multiple of the bias instability: sqrt(2 ln 2 / pi).
FLOOR = float(np.sqrt(2.0 * np.log(2.0) / np.pi))
#: Slope of the deviation over averaging time, and averaging time at which the coefficient equals it [s].
KINDS = {"quantization": (-1.0, float(np.sqrt(3.0))), "random_walk": (-0.5, 1.0), "rate_random_walk": (0.5, 3.0)}


def averaging_rows(rows: int, *, largest_share: float | None = None) -> NDArray[np.int64]:
    """Return averaging lengths in rows: powers of two up to `largest_share` of the record (default from TOML)."""
    share = thresholds("analyzer.metrics", "thresholds_inertial.toml")["allan.largest_tau_share"]
    largest = int(rows * (share if largest_share is None else largest_share))
    count = max(largest, 0).bit_length()
    return np.asarray(2 ** np.arange(count), dtype=np.int64)


def freedom(rows: int, length: ArrayLike) -> NDArray[np.float64]:
    """Return the equivalent degrees of freedom of the overlapping deviation for white rate noise.

    Formula of NIST SP 1065 (Riley 2008), table of approximate degrees of freedom, white FM; from memory, compared with
    an independent implementation in the tests. `rows` counts rate samples, `length` is in rows.
    """
    m = np.asarray(length, dtype=np.float64)
    phases = rows + 1
    edf = (3.0 * (phases - 1) / (2.0 * m) - 2.0 * (phases - 2) / phases) * 4.0 * m**2 / (4.0 * m**2 + 5.0)
    return np.maximum(edf, 1.0)


def allan_deviation(values: ArrayLike, rate_hz: float, *, lengths: ArrayLike | None = None) -> pd.DataFrame:
    """Return the overlapping Allan deviation of evenly sampled `values`.

    Parameters
    ----------
    values : rates or specific forces, shape (n,), finite, n >= 3.
    rate_hz : sampling rate [Hz], > 0.
    lengths : averaging lengths in rows; default powers of two up to a tenth of the record.

    Returns
    -------
    Table with ``tau_s`` [s], ``deviation`` and its 95 % interval ``low`` ``high`` (unit of `values`), ``n`` (squared
    differences used) and ``freedom``. The interval assumes white noise of `values`.

    Notes
    -----
    sigma^2(m T) = sum (x[k+2m] - 2 x[k+m] + x[k])^2 / (2 (m T)^2 (N - 2m)) over N phases x, the running sum of `values`
    times T: NIST SP 1065 (Riley 2008) section 5.2.5.
    """
    series = np.asarray(values, dtype=np.float64)
    n = len(series)
    chosen = averaging_rows(n) if lengths is None else np.asarray(lengths, dtype=np.int64)
    chosen = chosen[(chosen >= 1) & (2 * chosen <= n)]
    # Without its mean the running sum stays small and keeps its digits; second differences do not see the mean.
    phase = np.concatenate([[0.0], np.cumsum(series - series.mean())]) if n else np.zeros(1)
    deviation = np.asarray([_deviation(phase, int(m)) for m in chosen], dtype=np.float64)
    edf = freedom(n, chosen)
    return pd.DataFrame({
        "tau_s": chosen / rate_hz,
        "deviation": deviation,
        "low": deviation * np.sqrt(edf / chi2.ppf(0.975, edf)),
        "high": deviation * np.sqrt(edf / chi2.ppf(0.025, edf)),
        "n": n + 1 - 2 * chosen,
        "freedom": edf,
    })


def _deviation(phase: NDArray[np.float64], m: int) -> float:
    """Return the overlapping deviation of `phase` (in rows) at averaging length `m`."""
    second = phase[2 * m :] - 2.0 * phase[m:-m] + phase[: -2 * m]
    return float(np.sqrt(second @ second / (2.0 * m**2 * len(second))))


def read_slope(curve: pd.DataFrame, kind: str) -> tuple[float, float, float] | None:
    """Return a noise coefficient and its 95 % interval where `curve` follows the slope of `kind`, else None.

    `kind` is ``quantization`` (slope -1, Q = deviation * tau / sqrt 3), ``random_walk`` (slope -1/2, N is the deviation
    at 1 s) or ``rate_random_walk`` (slope +1/2, K is the deviation at 3 s): IEEE 952-1997 annex C, from memory. The
    longest stretch of the curve with that slope is used, each point weighted by its degrees of freedom.
    """
    slope, at_s = KINDS[kind]
    if len(curve) < 3 or not (curve["deviation"] > 0).all():
        return None
    tau = np.log(curve["tau_s"].to_numpy())
    level = np.log(curve["deviation"].to_numpy())
    near = np.abs(np.diff(level) / np.diff(tau) - slope) <= thresholds(
        "analyzer.metrics", "thresholds_inertial.toml")["allan.slope_tolerance"]
    spans = runs(near)
    if not len(spans) or (spans[:, 1] - spans[:, 0]).max() < 2:
        return None
    start, end = spans[np.argmax(spans[:, 1] - spans[:, 0])]
    part = slice(start, end + 1)
    weight = curve["freedom"].to_numpy()[part]
    coefficient = float(np.exp(np.average(level[part] + slope * (np.log(at_s) - tau[part]), weights=weight)))
    # Points of one curve share their samples: only the best of them counts for the interval.
    best = float(weight.max())
    return (coefficient, coefficient * float(np.sqrt(best / chi2.ppf(0.975, best))),
            coefficient * float(np.sqrt(best / chi2.ppf(0.025, best))))


def read_floor(curve: pd.DataFrame) -> tuple[float, float] | None:
    """Return bias instability (minimum / 0.66428) and its averaging time [s], or None where no floor is reached.

    The floor counts only where the deviation at the longest averaging time is no longer falling: its minimum lies
    before the last point of `curve`.
    """
    if len(curve) < 3:
        return None
    level = curve["deviation"].to_numpy()
    lowest = int(np.argmin(level))
    if lowest == len(level) - 1 or level[lowest] <= 0:
        return None
    return float(level[lowest]) / FLOOR, float(curve["tau_s"].iloc[lowest])
