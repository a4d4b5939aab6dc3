"""By how much each satellite's signal weakened over a while, held against the same signal while fixed."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import tables
from analyzer.settings import thresholds

_SIGNAL = ["system", "signal_id", "satellite_id"]


@dataclass(frozen=True)
class Listed:
    """The satellites as the log lists them, and when the solution was fixed.

    Attributes
    ----------
    table : see `analyzer.tables.SATELLITES`.
    epochs : (n,) times of the epochs; seconds count from the first.
    fixed : (n,) whether the solution was fixed there.
    """

    table: pd.DataFrame = field(default_factory=tables.SATELLITES.empty)
    epochs: pd.DatetimeIndex = field(default_factory=lambda: pd.DatetimeIndex([], tz="UTC"))
    fixed: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=bool))


@dataclass(frozen=True)
class SignalDrop:
    """Quartiles of how far the signals weakened [dB], the least weakened first, and how many of those usual were still heard."""

    least_db: float
    middle_db: float
    most_db: float
    heard: int
    usual: int


def signal_drop(start_s: float, end_s: float, seen: Listed) -> SignalDrop | None:
    """Return how far signals weakened from `start_s` up to `end_s`, None where too few can be compared.

    Each signal is held against its own median while fixed in the minutes around, since a low satellite is weak under any sky.
    """
    limit = thresholds("analyzer.metrics")
    if not len(seen.table) or not len(seen.epochs):
        return None
    around_s = limit["cause.signals_around_s"]
    moments = pd.to_timedelta(np.rint(1e6 * np.array([start_s - around_s, start_s, end_s, end_s + around_s])), unit="us")
    first, start, end, last = seen.epochs[0] + moments.as_unit("us")
    near = seen.table[slice(*seen.table.index.searchsorted([first, last]))]
    near = near[near["cn0_dbhz"].notna()]
    within = (near.index >= start) & (near.index < end)
    at = np.minimum(seen.epochs.searchsorted(near.index), len(seen.epochs) - 1)
    usual, meanwhile = (_medians(near[rows]) for rows in (seen.fixed[at] & ~within, within))
    drop = (usual - meanwhile).dropna().to_numpy(dtype=np.float64)
    if len(drop) < limit["cause.signals_compared"]:
        return None
    least, middle, most = (float(q) for q in np.percentile(drop, (25, 50, 75)))
    return SignalDrop(least, middle, most, len(drop), len(usual))


def _medians(rows: pd.DataFrame) -> pd.Series[float]:
    return rows.groupby(_SIGNAL, observed=True)["cn0_dbhz"].median()
