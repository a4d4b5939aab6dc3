"""Figures of the correction link: rates, gaps, load of the line, damage, stations, reference position, repeats.

All times are message times, that is, when the base made a message. When it was received is known only where the logger
wrote it (``arrival_utc``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date as Date

import numpy as np
import pandas as pd

from analyzer.metrics.corrections_clock import TimedMessages, time_messages
from analyzer.metrics.corrections_epochs import GAP_COLUMNS, epochs_s, find_gaps, set_sizes, usual_interval_s
from analyzer.metrics.corrections_findings import damage_findings, line_findings, overlap_findings, repeat_findings
from analyzer.metrics.corrections_places import PlaceComparison, compare_places
from analyzer.metrics.corrections_reference import (
    content_findings,
    main_station,
    position_findings,
    reference_positions,
    station_findings,
)
from analyzer.metrics.metric import Metric, missing
from analyzer.recording import Finding
from analyzer.settings import thresholds

__all__ = ["LinkResult", "PlaceComparison", "compare_places", "measure_link"]


@dataclass(frozen=True)
class LinkResult:
    """Everything about the recorded corrections.

    Attributes
    ----------
    values : metrics, keys ``corrections_<place>_<quantity>``.
    gaps : pauses of the observation messages: `GAP_COLUMNS`; from the last epoch before to the first after it.
    positions : stated reference positions with their changes, and ``place``.
    timed : the messages on their time axis, and repeated stretches.
    """

    values: tuple[Metric, ...]
    findings: tuple[Finding, ...]
    gaps: pd.DataFrame
    positions: pd.DataFrame
    timed: TimedMessages = field(repr=False)


def measure_link(
    corrections: pd.DataFrame, *, fixes: pd.DataFrame | None = None, date: Date | None = None,
    line_rate: float | None = None, crc_failures: Mapping[str, int] | None = None, station_id: int | None = None,
) -> LinkResult:
    """Return the figures of the correction link for every place in `corrections`.

    Parameters
    ----------
    corrections : table of schema ``CORRECTIONS``.
    fixes : rover epochs, for the week, the reference station that the rover names, and a check that both overlap.
    date : UTC date of the stream where there is no rover log.
    line_rate : symbols per second of the serial or radio line, 8N1. [bit/s]
    crc_failures : place to damaged messages, from the account of the stream.
    station_id : the station that the set-up sheet names.
    """
    timed = time_messages(corrections, fixes=fixes, date=date)
    values: list[Metric] = []
    findings: list[Finding] = []
    gaps, positions = [], []
    for place, every in timed.messages.groupby("place", observed=True, sort=False):
        name = str(place)
        rows = every[~every["repeated"]]
        station = station_id if station_id is not None else main_station(rows)
        stated = reference_positions(rows)
        found = find_gaps(rows, name)
        failed = None if crc_failures is None else crc_failures.get(name)
        values += _counts(every, name, failed) + _times(rows, found, name, station) + _rates(rows, name, station)
        values += _load(rows, name, station, line_rate) + _position_values(stated, name)
        findings += station_findings(rows, name, station_id=station_id, fixes=fixes) + content_findings(rows, name)
        findings += position_findings(stated, rows, name) + damage_findings(len(every), name, failed)
        findings += line_findings(values, name, line_rate) + overlap_findings(rows, name, fixes)
        gaps.append(found)
        positions.append(stated.assign(place=name))
    findings += repeat_findings(timed.stretches)
    joined = _join(gaps, GAP_COLUMNS), _join(positions, ["place"])
    return LinkResult(tuple(values), tuple(findings), *joined, timed)


def _join(parts: list[pd.DataFrame], columns: list[str]) -> pd.DataFrame:
    """Return the parts in one table, empty ones left out; an empty table of `columns` where nothing is left."""
    filled = [p for p in parts if len(p)]
    if filled:
        return pd.concat(filled, ignore_index=True)
    return pd.DataFrame(columns=parts[0].columns if parts else columns)


def _counts(rows: pd.DataFrame, place: str, failed: int | None) -> list[Metric]:
    """Return counts of messages, damage and repeats."""
    key = f"corrections_{place}_"
    known = rows["station_id"][rows["system"].notna()].dropna()
    again = int(rows["repeated"].sum())
    name, way = key + "crc_failures", "failed CRC-24Q"
    damaged = (missing(name, "-", way, "the account of the stream was not given", n=len(rows)) if failed is None
               else Metric(name, failed, "-", len(rows) + failed, way))
    same = "same type, station, time, size and CRC as one before"
    return [
        Metric(key + "messages", len(rows), "-", len(rows), "valid frames"), damaged,
        Metric(key + "repeated_messages", again, "-", len(rows), same),
        Metric(key + "stations", int(known.nunique()), "-", len(known), "stations of observation messages"),
    ]


def _times(rows: pd.DataFrame, gaps: pd.DataFrame, place: str, station: int | None) -> list[Metric]:
    """Return interval, gaps and satellites of the epochs of one station."""
    key, times = f"corrections_{place}_", epochs_s(rows, station)
    method = "message time of the observation epochs, repeats left out"
    if len(times) < 2:
        reason = "fewer than two observation epochs"
        return [missing(key + name, "s", method, reason, n=len(times)) for name in ("interval_s", "longest_gap_s")]
    own = gaps[gaps["station_id"] == station]
    observed = rows[rows["system"].notna() & (rows["station_id"] == station)]
    per_epoch = observed.groupby(["message_s", "system"], observed=True)["satellites"].max().groupby("message_s").sum()
    return [
        Metric(key + "interval_s", usual_interval_s(times), "s", len(times), f"median step of {method}"),
        Metric(key + "span_s", float(times[-1] - times[0]), "s", len(times), f"first to last {method}"),
        Metric(key + "gaps", len(own), "-", len(times), method),
        Metric(key + "longest_gap_s", float(own["duration_s"].max()) if len(own) else 0.0, "s", len(times), method),
        Metric(key + "satellites_p50", float(per_epoch.median()), "-", len(per_epoch), "all systems, per epoch"),
    ]


def _rates(rows: pd.DataFrame, place: str, station: int | None) -> list[Metric]:
    """Return the rate of every message type of one station, and of types that name no station."""
    times = epochs_s(rows, station)
    span = float(times[-1] - times[0]) + usual_interval_s(times) if len(times) > 1 else 0.0
    own = rows[(rows["station_id"] == station).fillna(value=False).astype(bool) | rows["station_id"].isna()]
    method = "messages / (time from first to last epoch + one interval)"
    out = []
    for number, count in own["message_type"].value_counts().sort_index().items():
        key = f"corrections_{place}_rate_{number}_hz"
        out.append(Metric(key, float(count) / span, "Hz", int(count), method) if span
                   else missing(key, "Hz", method, "fewer than two observation epochs", n=int(count)))
    return out


def _load(rows: pd.DataFrame, place: str, station: int | None, line_rate: float | None) -> list[Metric]:
    """Return bytes per epoch and second, and what they mean on a serial or radio line."""
    key, sizes, times = f"corrections_{place}_", set_sizes(rows, station), epochs_s(rows, station)
    if len(times) < 2:
        reason = "fewer than two observation epochs"
        return [missing(key + "bytes_per_second", "byte/s", "bytes / time", reason, n=len(times))]
    span = float(times[-1] - times[0]) + usual_interval_s(times)
    mean = float(rows["size_byte"].sum()) / span
    out = [
        Metric(key + "bytes_per_second", mean, "byte/s", len(rows), "bytes of valid frames / time"),
        Metric(key + "set_size_p50_byte", float(np.median(sizes)), "byte", len(sizes), "all messages of one epoch"),
        Metric(key + "set_size_max_byte", int(sizes.max()), "byte", len(sizes), "all messages of one epoch"),
    ]
    if line_rate is None:
        return [*out, missing(key + "set_time_s", "s", "8N1", "no line rate was given", n=len(sizes))]
    per_second = line_rate / thresholds("analyzer.metrics", "thresholds_link.toml")["line.bits_per_byte"]
    method = "8N1, 10 bits per byte; a floor under the age of corrections"
    return [
        *out,
        Metric(key + "line_share", mean / per_second, "-", len(rows), "bytes per second / capacity, 8N1"),
        Metric(key + "set_time_s", float(np.median(sizes)) / per_second, "s", len(sizes), method),
        Metric(key + "set_time_max_s", float(sizes.max()) / per_second, "s", len(sizes), method),
    ]


def _position_values(positions: pd.DataFrame, place: str) -> list[Metric]:
    """Return the largest change of the stated reference position."""
    key, method = f"corrections_{place}_reference_change_m", "largest step of messages 1005 and 1006 of one station"
    if not len(positions):
        return [missing(key, "m", method, "no message 1005 or 1006 came")]
    return [Metric(key, float(np.nan_to_num(positions["change_m"]).max()), "m", len(positions), method)]


