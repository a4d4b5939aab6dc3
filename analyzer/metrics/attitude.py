"""What an attitude table is worth: alignment, heading source, mounting yaw, restarts."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.intervals import equal_runs, seconds
from analyzer.metrics.attitude_events import alignment_stretches, heading_events
from analyzer.metrics.attitude_heading import heading_against_course, heading_source
from analyzer.metrics.heading_mode import usable_heading
from analyzer.metrics.inertial import InertialResult, main_fixes, main_source, timing_findings, timing_metrics
from analyzer.metrics.inertial_timing import FILE, sampling
from analyzer.metrics.metric import Metric, missing
from analyzer.recording import Finding, Recording
from analyzer.settings import thresholds


def measure_attitude(recording: Recording) -> InertialResult:
    """Return the figures of the attitude rows of `recording`.

    Tables: ``gaps``, ``alignment`` (``alignment start_utc end_utc duration_s``), ``straights`` (heading against course
    per straight stretch), ``events`` (``time_utc kind size unit evidence``; kinds ``heading_jump sigma_reset
    alignment_lost power_dip``). Without attitude rows the heading of the position source is used.
    """
    findings: list[Finding] = []
    fixes = main_fixes(recording)
    attitude = main_source(recording, recording.attitude, "attitude", findings)
    if attitude.empty and np.isfinite(usable_heading(fixes)).any():
        attitude = fixes.loc[np.isfinite(usable_heading(fixes)), ["source_id", "heading_deg"]]
        findings.append(Finding("attitude_from_fixes", "note", "No attitude rows were read: the heading of the "
                                                               "position "
                                                               "source is measured."))
    if attitude.empty:
        why = "no attitude rows and no heading were read"
        return InertialResult((missing("attitude_rate_hz", "Hz", "rows per second", why),), (), {})
    timing = sampling(pd.DatetimeIndex(attitude.index))
    attitude = attitude[attitude.index.notna()].sort_index(kind="stable")
    attitude = attitude[~attitude.index.duplicated()]
    stretches = alignment_stretches(attitude)
    events = heading_events(attitude, timing, _yaw_rows(recording))
    offset, straights = heading_against_course(attitude, fixes, _yaw_rows(recording))
    source = heading_source(attitude, fixes)
    metrics = [*timing_metrics(timing, "attitude"), *_alignment_metrics(attitude, stretches), source, offset,
               *_event_metrics(events, len(attitude))]
    findings.extend(timing_findings(timing, "attitude"))
    findings.extend(_offset_findings(offset))
    findings.extend(_source_findings(source))
    findings.extend(_event_findings(events))
    return InertialResult(tuple(metrics), tuple(findings), {
        "gaps": timing.gaps, "alignment": stretches, "straights": straights, "events": events})


def _yaw_rows(recording: Recording) -> pd.Series:
    """Return the measured yaw rate [rad/s] of the largest inertial source, empty where there is none."""
    inertial = main_source(recording, recording.inertial, "inertial", [])
    series = inertial["rate_z_radps"].dropna()
    series = series[series.index.notna()].sort_index(kind="stable")
    return series[~series.index.duplicated()]


def _alignment_metrics(attitude: pd.DataFrame, stretches: pd.DataFrame) -> list[Metric]:
    """Return the share of time per alignment state, the changes, and when the heading had settled."""
    method = "alignment state as logged"
    out: list[Metric] = []
    if stretches.empty:
        out.append(missing("alignment_changes", "-", method, "no alignment state is recorded"))
    else:
        total = float(stretches["duration_s"].sum())
        for state, span in stretches.groupby("alignment", observed=True)["duration_s"].sum().items():
            share = float(span) / total if total > 0 else 1.0
            out.append(Metric(f"alignment_share_{state}", share, "-", len(attitude), method))
        out.append(Metric("alignment_changes", len(stretches) - 1, "-", len(attitude), method))
    return [*out, _settled(attitude)]


def _settled(attitude: pd.DataFrame) -> Metric:
    """Return the time until the claimed heading sigma first fell to twice its median over the drive."""
    key, method = "heading_settled_s", "time to the first claimed heading sigma within twice its median"
    known = attitude["sigma_heading_deg"].dropna() if "sigma_heading_deg" in attitude else pd.Series(dtype=np.float64)
    if known.empty:
        return missing(key, "s", method, "no claimed sigma of heading is recorded")
    good = known.to_numpy() <= thresholds(*FILE)["attitude.sigma_ratio"] * float(known.median())
    at = seconds(pd.DatetimeIndex(known.index), pd.DatetimeIndex(attitude.index)[0])
    return Metric(key, float(at[int(np.argmax(good))]), "s", len(known), method)


def _event_metrics(events: pd.DataFrame, rows: int) -> list[Metric]:
    """Return the count of each kind of event; a power dip and the jump it brings are one re-alignment."""
    kinds = {"heading_jump": "heading_jumps", "sigma_reset": "sigma_resets", "alignment_lost": "alignment_losses",
             "power_dip": "power_dips"}
    method = "events of the attitude rows, see table events"
    out = [Metric(f"attitude_{name}", int((events["kind"] == kind).sum()), "-", rows, method)
           for kind, name in kinds.items()]
    groups = equal_runs(_groups(events)) if len(events) else np.empty((0, 2), dtype=np.int64)
    return [*out, Metric("attitude_realignments", len(groups), "-", rows, "events within 10 s of each other count "
                                                                          "once")]


def _groups(events: pd.DataFrame) -> NDArray[np.int64]:
    """Number events so that those within 10 s of the one before share a number."""
    step = np.diff(seconds(pd.DatetimeIndex(events["time_utc"])))
    return np.concatenate([[0], np.cumsum(step > 10.0)]).astype(np.int64)


def _offset_findings(offset: Metric) -> Iterator[Finding]:
    """Yield the mounting yaw in words where it is beyond its own interval and the limit."""
    if not isinstance(offset.value, float):
        return
    limit = thresholds(*FILE)
    if abs(offset.value) > limit["attitude.turned_deg"]:
        yield Finding("heading_turned", "problem",
                      f"Heading differs from course by {offset.value:+.1f} deg in straight driving: unit or "
                      "antenna pair "
                      "mounted the other way round, or all straights were reversed.", {"offset_deg": offset.value})
    elif abs(offset.value) > limit["attitude.heading_limit_deg"] and _excludes_zero(offset):
        side = "right" if offset.value > 0 else "left"
        yield Finding("heading_mounting_yaw", "warning",
                      f"In straight driving heading points {abs(offset.value):.2f} deg to the {side} of course: "
                      "mounting yaw "
                      "that was not entered, or steady side-slip on a cambered road.",
                      {"offset_deg": offset.value, "interval_deg": offset.interval})


def _excludes_zero(metric: Metric) -> bool:
    """Return whether the interval of `metric` lies on one side of zero; without an interval it does not."""
    return metric.interval is not None and metric.interval[0] * metric.interval[1] > 0.0


def _source_findings(source: Metric) -> Iterator[Finding]:
    """Yield a warning where heading is only a copy of course."""
    if source.value == "course":
        yield Finding("heading_is_course", "warning",
                      "The heading channel is a copy of the course: it shows no side-slip, nothing at rest, and "
                      "turns round "
                      "when reversing; it is no independent evidence.", dict(source.evidence))


def _event_findings(events: pd.DataFrame) -> Iterator[Finding]:
    """Yield one finding per kind of event."""
    words = {"heading_jump": "Heading jumped", "sigma_reset": "The claimed heading sigma rose abruptly",
             "alignment_lost": "The usual alignment state was lost", "power_dip": "The unit seems to have restarted"}
    for kind, word in words.items():
        some = events[events["kind"] == kind]
        if len(some):
            first = some.iloc[0]
            times = "once" if len(some) == 1 else f"{len(some)} times"
            yield Finding(f"attitude_{kind}", "problem" if kind == "power_dip" else "warning",
                          f"{word} {times}, first at {first['time_utc']:%H:%M:%S.%f} UTC ({first['evidence']}): "
                          "attitude is "
                          "not to be used until it has settled again.", {"count": len(some)})
