"""Observation epochs of timed correction messages, the pauses between them, and the bytes of each."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pandas.api.typing import NaTType

from analyzer.settings import thresholds

GAP_COLUMNS = [
    "start_utc", "end_utc", "duration_s", "place", "station_id", "start_s", "end_s", "interval_s", "missing_epochs",
]
_Float = NDArray[np.float64]


def epochs_s(messages: pd.DataFrame, station_id: int | None = None) -> _Float:
    """Return the rising message times [s] of the observation epochs, of one station or of all."""
    has = messages["system"].notna() & messages["epoch_s"].notna()
    if station_id is not None:
        has &= messages["station_id"].eq(station_id).fillna(value=False).astype(bool)
    return np.unique(messages.loc[has, "message_s"].dropna().to_numpy(dtype=np.float64))


def usual_interval_s(times: _Float) -> float:
    """Return the usual step [s] of rising `times`: the median; NaN for fewer than two."""
    return float(np.median(np.diff(times))) if len(times) > 1 else float("nan")


def find_gaps(messages: pd.DataFrame, place: str) -> pd.DataFrame:
    """Return the pauses in the observation epochs of each station, columns `GAP_COLUMNS`.

    A pause is longer than 1.5 times the usual interval and not shorter than 1 s (thresholds_link.toml).
    """
    limits = thresholds("analyzer.metrics", "thresholds_link.toml")
    out = []
    for station in messages.loc[messages["system"].notna(), "station_id"].dropna().unique().tolist():
        times = epochs_s(messages, station)
        usual, step = usual_interval_s(times), np.diff(times)
        for at in np.flatnonzero((step > limits["gap.factor"] * usual) & (step >= limits["gap.least"])).tolist():
            missed = max(round(float(step[at]) / usual) - 1, 1)
            out.append((*utc_of(messages, times[at:at + 2]), float(step[at]), place, int(station),
                        float(times[at]), float(times[at + 1]), usual, missed))
    return pd.DataFrame(out, columns=GAP_COLUMNS)


def utc_of(messages: pd.DataFrame, times: _Float) -> tuple[pd.Timestamp | NaTType, ...]:
    """Return message times as UTC; NaT where the stream is not anchored."""
    known = np.flatnonzero(messages.index.notna() & messages["message_s"].notna().to_numpy())
    if not len(known):
        return tuple(pd.NaT for _ in times)
    at = known[0]
    first, zero = messages.index[at], float(messages["message_s"].iloc[at])
    return tuple(first + pd.Timedelta(milliseconds=round((float(t) - zero) * 1e3)) for t in times)


def set_sizes(rows: pd.DataFrame, station: int | None) -> NDArray[np.int64]:
    """Return the bytes of every full epoch: all messages from one message time on, stations without epoch included."""
    times = epochs_s(rows, station)
    total = rows.groupby("message_s")["size_byte"].sum()
    return total[total.index.isin(times)].to_numpy(dtype=np.int64)
