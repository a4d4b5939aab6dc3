"""Measurement files (ASAM MDF 4) through column maps: signals by name, raw bus frames by a bus description."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.errors import InputError, UsageError
from analyzer.parsers.column_map import Clock, ColumnMap, maps_for
from analyzer.parsers.column_map_apply import RawTable, apply_map
from analyzer.parsers.column_map_source import build_part, no_map
from analyzer.parsers.mdf4_channels import Channel
from analyzer.parsers.mdf4_process import Fetched, fetch
from analyzer.parsers.raw import RawSource, digest
from analyzer.parsers.reader import Reader, ReadOptions, ReadPart
from analyzer.recording import Finding, Source
from analyzer.settings import thresholds

_LIMITS = thresholds("analyzer.parsers", "thresholds_sources.toml")
#: Identification block, ASAM MDF 4.1: file identifier of a finalised and of an unfinalised file.
MAGICS = (b"MDF     ", b"UnFinMF ")
#: Name under which the logger's stamp of a row stands beside the channels.
STAMP = "logger stamp"
_POINTS = 500


def recognise(head: bytes, name: str) -> float:
    """Return how much `head` looks like a measurement file."""
    return 1.0 if head.startswith(MAGICS) else 0.0


def read(raw: RawSource, options: ReadOptions) -> ReadPart:
    """Read a measurement file through the column maps that serve it.

    Raises
    ------
    MissingExtraError
        The extra ``mdf4`` is not installed.
    UsageError
        No map serves the file, or a map or the bus description does not fit it.
    InputError
        The file is cut off or damaged, or its content contradicts the map.
    """
    maps = maps_for(raw.base_name, options.maps)
    if not maps:
        raise no_map(raw)
    wanted = dict.fromkeys(column for used in maps for column in used.used_columns)
    with raw.local_file() as path:
        opened = fetch(path, raw.name, bus=options.bus, wanted=list(wanted))
    placed = [_table(opened, used) for used in maps]
    names, start, span = opened.names, opened.start_utc, _span(opened, maps)
    applied = [(used, apply_map(used, table, options)) for used, table, _ in placed]
    part = build_part(raw, applied, options, digest=digest(raw), format_name="mdf4",
                      findings=(*raw.findings, *(f for _, _, found in placed for f in found)), columns=names)
    details = {**part.source.details, "header_start_utc": start, **span}
    return replace(part, source=replace(part.source, details=details))


def repeated_starts(sources: Sequence[Source]) -> list[Finding]:
    """Return what must be said where several measurement files of a drive carry one header start time."""
    files = [s for s in sources if s.format == "mdf4" and "first_s" in s.details]
    out = []
    for start in {s.details["header_start_utc"] for s in files}:
        parts = sorted((s for s in files if s.details["header_start_utc"] == start), key=_first)
        if len(parts) < 2:
            continue
        names = ", ".join(s.name for s in parts)
        overlap = any(_first(b) < _last(a) for a, b in pairwise(parts))
        words = (f"{names} carry one start time in their headers ({start}); ")
        if overlap:
            text = (
                words
                + "their rows overlap on it, so their order in time is not known: give start_utc in a column map "
                "for each file."
            )
            out.append(Finding("repeated_start", "problem", text, {"files": [s.name for s in parts]}))
        else:
            text = (
                words
                + "their rows follow one another on it: the start is that of the first file, which the others continue."
            )
            out.append(Finding("repeated_start", "note", text, {"files": [s.name for s in parts]}))
    return out


def _first(source: Source) -> float:
    return float(str(source.details["first_s"]))


def _last(source: Source) -> float:
    return float(str(source.details["last_s"]))


def _table(opened: Fetched, used: ColumnMap) -> tuple[ColumnMap, RawTable, list[Finding]]:
    """Return the channels of one map on the rows of its leading channel, and the map with its clocks placed."""
    channels = {name: opened.channels[name] for name in used.used_columns}
    leader = channels[used.time.column or used.columns[0].column]
    if not len(leader.seconds):
        raise InputError(
            f"{opened.name}: channel '{leader.name}' holds no samples: name another one in the column map."
        )
    tolerance_s = used.join_tolerance_s or _LIMITS["table.join_tolerance_s"]
    columns = {name: _joined(channel, leader, tolerance_s) for name, channel in channels.items()}
    columns[STAMP] = pd.Series(leader.seconds)
    findings: list[Finding] = []
    time = _clock(used.time, opened, channels, columns, findings=findings)
    arrival = None
    if used.arrival is not None:
        arrival = _clock(used.arrival, opened, channels, columns, findings=findings)
    if used.time.column is None and leader.seconds[0] > 1.0:
        findings.append(
            Finding(
                "late_first_row",
                "note",
                f"{opened.name}: the first row of table {used.table} stands {leader.seconds[0]:.2f} s after the start"
                f" time of the header ({opened.start_utc:%Y-%m-%dT%H:%M:%SZ}): the start is that of an earlier file or"
                " of an earlier channel.",
                {"source": opened.name, "first_s": float(leader.seconds[0])},
            )
        )
    units = {name: channel.unit for name, channel in channels.items()}
    table = RawTable(opened.name, columns, len(leader.seconds), units)
    return replace(used, time=time, arrival=arrival), table, findings


def _clock(clock: Clock, opened: Fetched, channels: dict[str, Channel], columns: dict[str, pd.Series], *,
           findings: list[Finding]) -> Clock:
    """Return `clock` placed: without a column it is the stamp of the logger since the start time of the header."""
    if clock.column is not None:
        return clock
    if clock.scale != "relative":
        raise UsageError(
            f"{opened.name}: without a time channel the rows carry seconds since the start of the file; set "
            'scale = "relative" for it in the column map.'
        )
    placed = replace(clock, column=STAMP, utc_column=None, taken_by="logger")
    if clock.utc_column is not None:
        ahead_s, drift = _clock_line(channels[clock.utc_column], opened)
        columns[STAMP] = columns[STAMP] * (1.0 + drift) + ahead_s
        findings.append(Finding(
            "clock_placed", "note",
            f"{opened.name}: the stamps of the logger were placed in UTC by a straight line through channel "
            f"'{clock.utc_column}' ({ahead_s + drift * float(columns[STAMP].iloc[0]):+.3f} s at the first row, "
            f"{drift * 1e6:+.1f} ppm).", {"source": opened.name, "offset_s": ahead_s, "drift_ppm": drift * 1e6}))
        return replace(placed, start_utc=opened.start_utc)
    if clock.start_utc is None and clock.anchor_utc is None:
        return replace(placed, start_utc=opened.start_utc)
    return placed


def _clock_line(channel: Channel, opened: Fetched) -> tuple[float, float]:
    """Return how far UTC of the channel (Unix seconds) is ahead of the logger's clock at its start [s], and the drift.

    The median of the slopes between all pairs of points (Theil 1950, Sen 1968) is not moved by late messages.
    """
    values = pd.to_numeric(pd.Series(channel.values), errors="coerce").to_numpy(dtype=np.float64)
    ahead = values - channel.seconds - opened.start_utc.timestamp()
    good = np.flatnonzero(np.isfinite(ahead))
    if not len(good):
        raise InputError(f"{opened.name}: channel '{channel.name}' holds no Unix seconds to place the clock with: name "
                         "another utc_column in the column map.")
    # all pairs of 500 points are enough for 0.1 ppm over minutes and keep the cost constant
    good = good[np.linspace(0, len(good) - 1, min(len(good), _POINTS)).astype(np.int64)]
    seconds, ahead = channel.seconds[good], ahead[good]
    if seconds[-1] - seconds[0] < _LIMITS["table.drift_needs_s"]:
        return float(np.median(ahead)), 0.0
    first, second = np.triu_indices(len(seconds), k=1)
    steps = seconds[second] - seconds[first]
    drift = float(np.median((ahead[second] - ahead[first])[steps > 0] / steps[steps > 0]))
    return float(np.median(ahead - drift * seconds)), drift


def _joined(channel: Channel, leader: Channel, tolerance_s: float) -> pd.Series:
    """Return the samples of `channel` nearest to the rows of `leader`, missing beyond `tolerance_s`."""
    if channel.seconds is leader.seconds or np.array_equal(channel.seconds, leader.seconds):
        return pd.Series(channel.values)
    at = _nearest(channel.seconds, leader.seconds)
    if at is None:
        return pd.Series(np.full(len(leader.seconds), np.nan))
    near = np.abs(channel.seconds[at] - leader.seconds) <= tolerance_s + 1e-9  # stamps are rounded
    values = pd.Series(channel.values[at])
    return values.where(pd.Series(near))


def _nearest(times: NDArray[np.float64], wanted: NDArray[np.float64]) -> NDArray[np.int64] | None:
    """Return for each of `wanted` the index of the nearest of the sorted `times`."""
    if not len(times):
        return None
    right = np.clip(np.searchsorted(times, wanted), 1, max(len(times) - 1, 1))
    left = right - 1
    right = np.minimum(right, len(times) - 1)
    return np.where(wanted - times[left] <= times[right] - wanted, left, right).astype(np.int64)


def _span(opened: Fetched, maps: Sequence[ColumnMap]) -> dict[str, float]:
    """Return the first and last stamp of all mapped rows [s since the start of the header]."""
    stamps = [opened.channels[used.time.column or used.columns[0].column].seconds for used in maps]
    return {"first_s": min(float(s[0]) for s in stamps), "last_s": max(float(s[-1]) for s in stamps)}


READER = Reader("mdf4", "Measurement file (ASAM MDF 4) through a column map", recognise, read, extra="mdf4")
