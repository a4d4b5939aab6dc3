"""Every figure of a recording: the positions first, then whatever else was recorded beside them."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from analyzer.metrics.attitude import measure_attitude
from analyzer.metrics.channels import check_recorded_channels
from analyzer.metrics.corrections_link import compare_places, measure_link
from analyzer.metrics.inertial import measure_inertial
from analyzer.metrics.measure import measure
from analyzer.metrics.metric import Metric
from analyzer.metrics.result import Metrics
from analyzer.recording import Finding, Recording
from analyzer.scratch import Scratch


def measure_whole(
    recording: Recording,
    *,
    windows: pd.DataFrame | None = None,
    base: tuple[float, float, float] | None = None,
    asked_rate_hz: float | None = None,
    position_limit_m: float | None = None,
    line_rate: float | None = None,
    station_id: int | None = None,
    scratch: Scratch | None = None,
) -> Metrics:
    """Return the figures of positions, inertial and attitude data, recorded channels and corrections.

    Parameters as in `measure`; `line_rate` [bit/s] of the correction line and `station_id` of the base as the set-up
    sheet states them. ``Metrics.tables`` holds the further tables by name.
    """
    first = measure(
        recording,
        windows=windows,
        base=base,
        asked_rate_hz=asked_rate_hz,
        position_limit_m=position_limit_m,
        scratch=scratch,
    )
    values: list[Metric] = []
    findings: list[Finding] = []
    tables: dict[str, pd.DataFrame] = {}
    parts = [check_recorded_channels(recording)]
    if len(recording.inertial):
        parts.append(measure_inertial(recording))
    if len(recording.attitude) or recording.fixes["heading_deg"].notna().any():
        parts.append(measure_attitude(recording))
    for part, name in zip(parts, ("channels", "inertial", "attitude"), strict=False):
        values += part.metrics
        findings += part.findings
        tables |= {f"{name}_{key}": table for key, table in part.tables.items()}
    if len(recording.corrections):
        _add_link(recording, values, findings, tables, line_rate=line_rate, station_id=station_id)
    return replace(
        first, values=first.values + tuple(values), findings=first.findings + tuple(findings), tables=tables
    )


def _add_link(
    recording: Recording,
    values: list[Metric],
    findings: list[Finding],
    tables: dict[str, pd.DataFrame],
    *,
    line_rate: float | None,
    station_id: int | None,
) -> None:
    """Add the figures of the recorded corrections, and of both places against each other."""
    rows = recording.corrections
    failures: dict[str, int] = {}
    for source in recording.sources:
        if "crc_failures" in source.details:
            failures[source.place] = failures.get(source.place, 0) + int(str(source.details["crc_failures"]))
    link = measure_link(
        rows,
        fixes=recording.fixes,
        line_rate=line_rate,
        crc_failures=failures or None,
        station_id=station_id,
    )
    values += link.values
    findings += link.findings
    tables |= {"correction_gaps": link.gaps, "correction_positions": link.positions}
    places = rows["place"].astype(object)
    if (places == "base").any() and (places == "rover").any():
        both = compare_places(rows[places == "base"], rows[places == "rover"], fixes=recording.fixes)
        values += both.values
        findings += both.findings
        tables["correction_gaps_compared"] = both.gaps
