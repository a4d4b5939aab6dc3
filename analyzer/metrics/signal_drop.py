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
    """Outer quartiles over the signals of one moment of how far they weakened [dB], and how many were heard, now and usually.

    All are medians over the moments at which the log lists satellites.
    """

    least_db: float
    most_db: float
    heard: float
    usual: float


def signal_drop(start_s: float, end_s: float, seen: Listed) -> SignalDrop | None:
    """Return how far signals weakened from `start_s` up to `end_s`, NaN where none is heard then; None where too few are known to be compared with.

    Each signal is held against its own median while fixed in the minutes around, since a low satellite is weak under any sky; and
    the signals of one moment against each other, since leaves flicker from second to second and noise in the band does not.
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
    beside, meanwhile = near[seen.fixed[at] & ~within], near[within]
    usual = beside.groupby(_SIGNAL, observed=True)["cn0_dbhz"].median().rename("usual_dbhz")
    if len(usual) < limit["cause.signals_compared"]:
        return None
    drop = (meanwhile.join(usual, on=_SIGNAL)["usual_dbhz"] - meanwhile["cn0_dbhz"]).dropna().groupby(level=0)
    least, most = (float(drop.quantile(q).median()) for q in (0.25, 0.75))
    return SignalDrop(least, most, float(drop.size().median()) if len(drop) else 0.0, float(beside.groupby(level=0).size().median()))
