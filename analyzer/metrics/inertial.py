"""What an inertial table is worth: sampling, clipping, rest, noise, axes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pandas as pd

from analyzer.geodesy import normal_gravity
from analyzer.metrics.inertial_axes_check import axes_check
from analyzer.metrics.inertial_noise import noise_metrics, rest_findings, rest_metrics
from analyzer.metrics.inertial_rest import AXES, find_rests, rest_figures
from analyzer.metrics.inertial_timing import FILE, Sampling, clipped, repeats, sampling
from analyzer.metrics.metric import Metric, missing
from analyzer.recording import Finding, Recording
from analyzer.settings import thresholds


@dataclass(frozen=True)
class InertialResult:
    """Figures, findings and tables about one kind of table of a recording."""

    metrics: tuple[Metric, ...]
    findings: tuple[Finding, ...]
    tables: Mapping[str, pd.DataFrame]


def measure_inertial(recording: Recording) -> InertialResult:
    """Return the figures of the inertial rows of `recording`.

    The source with the most rows is measured; others are named in a finding. Tables: ``gaps`` (missing rows),
    ``axes`` (``axis rows missing zero_share repeated_share clipped_rows smallest largest``), ``rests`` (one row per
    rest), ``allan`` (curves per axis), ``axis_check`` (inertial axes against the motion of the positions).
    """
    findings: list[Finding] = []
    inertial = main_source(recording, recording.inertial, "inertial", findings)
    if inertial.empty:
        why = "no inertial rows were read"
        return InertialResult((missing("inertial_rate_hz", "Hz", "rows per second", why),), (), {})
    timing = sampling(pd.DatetimeIndex(inertial.index))
    inertial = inertial[inertial.index.notna()]
    if timing.unordered:
        inertial = inertial.sort_index(kind="stable")
        inertial = inertial[~inertial.index.duplicated()]
    axes = axis_table(inertial)
    fixes = main_fixes(recording)
    rests, how = find_rests(inertial, fixes)
    gravity = _gravity(recording.fixes)
    rests = rest_figures(inertial, rests, gravity_mps2=gravity)
    at_rest = rest_metrics(rests, method=how, gravity_mps2=gravity)
    noise, curves = noise_metrics(inertial, rests, rate_hz=timing.rate_hz)
    checks, check_findings, check_table = axes_check(inertial, fixes)
    findings.extend(timing_findings(timing, "inertial"))
    findings.extend(_axis_findings(axes, timing))
    findings.extend(rest_findings(rests, at_rest))
    findings.extend(check_findings)
    metrics = [*timing_metrics(timing, "inertial"), *_axis_metrics(inertial, axes), *at_rest, *noise, *checks]
    return InertialResult(tuple(metrics), tuple(findings), {
        "gaps": timing.gaps, "axes": axes, "rests": rests.drop(columns=["first", "last"]), "allan": curves,
        "axis_check": check_table})


def main_source(recording: Recording, frame: pd.DataFrame, word: str, findings: list[Finding]) -> pd.DataFrame:
    """Return the rows of the source with the most rows; tell in `findings` where there are others."""
    if frame.empty or frame["source_id"].nunique() < 2:
        return frame
    count = frame["source_id"].value_counts()
    names = {i: recording.sources[i].name if 0 <= i < len(recording.sources) else f"source {i}" for i in count.index}
    others = ", ".join(f"{names[i]} ({count[i]} rows)" for i in count.index[1:])
    findings.append(Finding(f"{word}_sources", "note",
                            f"Several sources hold {word} rows; {names[count.index[0]]} with {count.iloc[0]} rows is "
                            f"measured, not measured: {others}.", {"measured": names[count.index[0]]}))
    chosen: pd.DataFrame = frame.loc[frame["source_id"] == count.index[0]]
    return chosen


def main_fixes(recording: Recording) -> pd.DataFrame:
    """Return the fixes of the source with the most epochs that hold both speed and course."""
    fixes = recording.fixes
    if fixes.empty or fixes["source_id"].nunique() < 2:
        return fixes
    both = fixes["speed_mps"].notna() & fixes["course_deg"].notna()
    count = fixes.loc[both, "source_id"].value_counts()
    return fixes if count.empty else fixes.loc[fixes["source_id"] == count.index[0]]


def _gravity(fixes: pd.DataFrame) -> float | None:
    """Return normal gravity [m/s2] at the median position, or None without one; height 0 where it is unknown."""
    latitude = fixes["latitude_deg"].median() if len(fixes) else np.nan
    if not np.isfinite(latitude):
        return None
    # The height term is 3e-6 m/s2 per metre: the geoid separation does not matter where only it is missing.
    height = fixes["height_m"].median()
    height = fixes["height_msl_m"].median() if not np.isfinite(height) else height
    return float(normal_gravity(float(latitude), float(height) if np.isfinite(height) else 0.0))


def timing_metrics(timing: Sampling, prefix: str) -> list[Metric]:
    """Return rate, jitter, longest gap and missing rows of a table."""
    method = "intervals between rows; an interval half as long again as usual, and beyond the jitter, is a gap"
    if not np.isfinite(timing.rate_hz):
        return [missing(f"{prefix}_rate_hz", "Hz", method, "fewer than two rows with increasing time", n=timing.rows)]
    gaps = timing.gaps
    return [
        Metric(f"{prefix}_rate_hz", timing.rate_hz, "Hz", timing.rows, method),
        Metric(f"{prefix}_jitter_s", timing.jitter_s, "s", timing.rows, "95 % quantile of |interval - mean interval|"),
        Metric(f"{prefix}_longest_gap_s", float(gaps["duration_s"].max()) if len(gaps) else 0.0, "s", len(gaps),
               method),
        Metric(f"{prefix}_missing_rows", int(gaps["missing"].sum()), "-", timing.rows, method),
    ]


def timing_findings(timing: Sampling, word: str) -> Iterator[Finding]:
    """Yield gaps, jitter and disorder of a table in words."""
    if timing.unordered:
        yield Finding(f"{word}_time_order", "warning",
                      f"{timing.unordered} {word} rows stand at or before the time of the row before them; "
                      "they were sorted and repeated times left out.", {"rows": timing.unordered})
    if len(timing.gaps):
        worst = timing.gaps.iloc[int(np.argmax(timing.gaps["duration_s"].to_numpy()))]
        yield Finding(f"{word}_gaps", "warning",
                      f"{len(timing.gaps)} gaps in the {word} rows, {int(timing.gaps['missing'].sum())} rows "
                      "missing; the "
                      f"longest lasts {worst['duration_s']:.3f} s from {worst['start_utc']:%H:%M:%S.%f} UTC.",
                      {"gaps": len(timing.gaps), "longest_s": float(worst["duration_s"])})
    if timing.jitter_s > thresholds(*FILE)["timing.jitter_share"] * timing.interval_s:
        yield Finding(f"{word}_jitter", "warning",
                      f"The {word} rows wander by {1e3 * timing.jitter_s:.2f} ms about their interval of "
                      f"{1e3 * timing.interval_s:.2f} ms: times of arrival and not of measurement; do not filter or "
                      "differentiate them as evenly sampled.", {"jitter_s": timing.jitter_s})


def axis_table(inertial: pd.DataFrame) -> pd.DataFrame:
    """Return one row per inertial axis with rows, missing values, zeros, repeats, clipping and range."""
    rows = []
    for name in AXES:
        series = inertial[name].to_numpy(np.float64) if name in inertial else np.full(len(inertial), np.nan)
        known = np.isfinite(series)
        n = int(known.sum())
        rows.append({
            "axis": name, "rows": n, "missing": len(series) - n,
            "zero_share": float(np.mean(series[known] == 0.0)) if n else np.nan,
            "repeated_share": float(np.mean(repeats(series[:, None]))) if n else np.nan,
            "clipped_rows": int(clipped(series).sum()),
            "smallest": float(series[known].min()) if n else np.nan,
            "largest": float(series[known].max()) if n else np.nan,
        })
    return pd.DataFrame(rows)


def _axis_metrics(inertial: pd.DataFrame, axes: pd.DataFrame) -> list[Metric]:
    """Return the share of repeated rows and the clipped rows over all axes."""
    present = [c for c in AXES if c in inertial]
    again = repeats(inertial[present].to_numpy(np.float64))
    return [
        Metric("inertial_repeated_share", float(again.mean()), "-", len(again), "rows that repeat all axes of the "
                                                                                "row before"),
        Metric("inertial_clipped_rows", int(axes["clipped_rows"].sum()), "-", len(inertial),
               "samples at a range end that comes in a row and holds more than the level inside it"),
    ]


def _axis_findings(axes: pd.DataFrame, timing: Sampling) -> Iterator[Finding]:
    """Yield empty, constant, repeated and clipped axes in words."""
    for row in (SimpleNamespace(**{str(k): v for k, v in r.items()}) for r in axes.to_dict("records")):
        if not row.rows:
            yield Finding("inertial_axis_absent", "note", f"The axis {row.axis} is not recorded.", {"axis": row.axis})
        elif row.smallest == row.largest:
            what = "is zero in every row: not connected" if row.largest == 0 else "never changes: frozen"
            yield Finding("inertial_axis_dead", "problem", f"The axis {row.axis} {what}.", {"axis": row.axis})
        elif row.clipped_rows:
            yield Finding("inertial_clipped", "warning",
                          f"{row.axis} stands at its range end ({row.smallest:.4g} to {row.largest:.4g}) in "
                          f"{row.clipped_rows} rows, {row.clipped_rows * timing.interval_s:.2f} s: the true values "
                          "were "
                          "larger; choose a wider range.", {"axis": row.axis, "rows": row.clipped_rows})
