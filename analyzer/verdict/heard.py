"""What recorded corrections tell of single moments: epochs sent and heard, other stations, damage, changed positions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import intervals
from analyzer.metrics.corrections_clock import time_messages
from analyzer.metrics.corrections_epochs import usual_interval_s
from analyzer.metrics.corrections_reference import content_findings, main_station, reference_positions
from analyzer.recording import Recording
from analyzer.settings import thresholds

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Heard:
    """One place's recording; times in seconds since the first rover epoch.

    Attributes
    ----------
    epoch_s : observation epochs of the main station.
    interval_s : their usual step.
    span_s : first and last message of any kind.
    foreign_s, foreign_ids : observation epochs of other stations, and their ids.
    damaged_s, damaged_byte : when bytes that are no frame stood in the stream, and how many; empty without CRC failures.
    byte_rate : usual bytes per second.
    changes : ``time_s before_s change_m station_id`` of reference positions that changed: first message with the new
        position, last one with the old.
    lacking : what a fix needs and never came, in words.
    """

    epoch_s: Array
    interval_s: float
    span_s: tuple[float, float]
    foreign_s: Array
    foreign_ids: tuple[int, ...]
    damaged_s: Array
    damaged_byte: Array
    byte_rate: float
    changes: pd.DataFrame
    lacking: tuple[str, ...]

    def covers(self, start_s: float, end_s: float) -> bool:
        """Return whether the recording reaches over a time."""
        return self.span_s[0] <= start_s and end_s <= self.span_s[1] + 1.5 * self.interval_s

    def count(self, start_s: float, end_s: float) -> int:
        """Return the observation epochs of the main station within a time."""
        return int(np.searchsorted(self.epoch_s, end_s, side="right") - np.searchsorted(self.epoch_s, start_s, side="left"))

    def silent_s(self, start_s: float, end_s: float) -> float:
        """Return for how long within a time the main station paused [s]."""
        return overlap_s(pauses(self.epoch_s, self.interval_s), start_s, end_s)


def pauses(times_s: Array, interval_s: float) -> Array:
    """Return [last before, first after] of the pauses between rising times: 1.5 intervals and at least 1 s."""
    limits = thresholds("analyzer.metrics", "thresholds_link.toml")
    step = np.diff(times_s)
    long = (step > limits["gap.factor"] * interval_s) & (step >= limits["gap.least"])
    return np.column_stack([times_s[:-1][long], times_s[1:][long]])


def overlap_s(spans: Array, start_s: float, end_s: float) -> float:
    """Return how much of a time [s] the spans take."""
    return float(np.clip(np.minimum(spans[:, 1], end_s) - np.maximum(spans[:, 0], start_s), 0.0, None).sum())


def hear(recording: Recording) -> dict[str, Heard]:
    """Return what was heard per place: ``base``, ``rover`` and ``unknown``, as far as recorded and in the drive's time."""
    fixes, corrections = recording.fixes, recording.corrections
    if not len(corrections) or not len(fixes):
        return {}
    messages = time_messages(corrections, fixes=fixes).messages
    out = {}
    for place, rows in messages.groupby("place", observed=True, sort=False):
        one = _one(rows, pd.Timestamp(fixes.index[0]), str(place), _failing(recording))
        if one is not None:
            out[str(place)] = one
    return out


def _failing(recording: Recording) -> frozenset[int]:
    """Return the sources in which frames failed their CRC."""
    return frozenset(i for i, s in enumerate(recording.sources) if int(str(s.details.get("crc_failures", 0) or 0)) > 0)


def _one(rows: pd.DataFrame, zero: pd.Timestamp, place: str, failing: frozenset[int]) -> Heard | None:
    """Return one place's recording, None where it holds no epochs or cannot be timed."""
    rows = rows[rows.index.notna()]
    # a frame that another recording holds too is no damage of this one
    damaged_s, damaged_byte = _damage(rows, intervals.seconds(pd.DatetimeIndex(rows.index), zero), failing)
    rows = rows[~rows["repeated"]]
    station = main_station(rows)
    if station is None or not len(rows):
        return None
    time = intervals.seconds(pd.DatetimeIndex(rows.index), zero)
    observed = (rows["system"].notna() & rows["epoch_s"].notna() & rows["station_id"].notna()).to_numpy()
    ids = rows["station_id"].fillna(-1).to_numpy(np.int64)
    own = np.unique(time[observed & (ids == station)])
    if len(own) < 2:
        return None
    other = observed & (ids != station)
    stated = reference_positions(rows)
    stated = stated[stated["change_m"].notna()]
    changes = _changes(stated, rows["x_m"].notna().to_numpy(), ids, time, zero)
    span = float(time.min()), float(time.max())
    return Heard(
        own, usual_interval_s(own), span, np.unique(time[other]), tuple(sorted({int(i) for i in ids[other]})),
        damaged_s, damaged_byte, float(rows["size_byte"].sum()) / max(span[1] - span[0], 1.0), changes,
        tuple(f.text for f in content_findings(rows, place)),
    )


def _changes(
    stated: pd.DataFrame, says: NDArray[np.bool_], ids: NDArray[np.int64], time: Array, zero: pd.Timestamp,
) -> pd.DataFrame:
    """Return the changes of reference positions on the drive's clock; `says` marks messages that state a position."""
    when = intervals.seconds(pd.DatetimeIndex(stated["time_utc"]), zero)
    station = stated["station_id"].to_numpy(np.int64)
    before = [float(np.max(time[says & (ids == i) & (time < t - 1e-6)], initial=-np.inf))
              for i, t in zip(station, when, strict=True)]
    return pd.DataFrame({"time_s": when, "before_s": np.array(before, dtype=np.float64),
                         "change_m": stated["change_m"].to_numpy(np.float64), "station_id": station})


def _damage(rows: pd.DataFrame, time: Array, failing: frozenset[int]) -> tuple[Array, Array]:
    """Return when and how many bytes between neighbouring frames of one source are no frame."""
    when, size = [], []
    for source, part in rows.assign(_time=time).groupby("source_id", sort=False):
        if int(str(source)) not in failing:
            continue
        part = part.sort_values("byte_offset")
        begin, length = part["byte_offset"].to_numpy(np.float64), part["size_byte"].to_numpy(np.float64)
        extra = begin[1:] - begin[:-1] - length[:-1]
        when.append(part["_time"].to_numpy(np.float64)[1:][extra > 0])
        size.append(extra[extra > 0])
    if not when:
        return np.empty(0), np.empty(0)
    joined = np.concatenate(when), np.concatenate(size)
    order = np.argsort(joined[0], kind="stable")
    return joined[0][order], joined[1][order]
