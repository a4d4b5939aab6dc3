"""Satellites, dilution, C/N0, and whether the claimed sigmas of GST agree with themselves."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from analyzer.geodesy import PIECE
from analyzer.metrics.correction_age import grid, weighted_percentile
from analyzer.metrics.metric import Metric, missing
from analyzer.metrics.rate import Timeline
from analyzer.recording import Finding
from analyzer.settings import thresholds

Array = NDArray[np.float64]


def _column(fixes: pd.DataFrame, name: str, line: Timeline) -> tuple[Array, Array]:
    """Return the known values of a column and the time each counts for."""
    values = fixes[name].to_numpy(dtype=np.float64)
    weight = np.nan_to_num(line.interval_s)
    known = np.isfinite(values) & (weight > 0)
    return values[known], weight[known]


def satellite_metrics(fixes: pd.DataFrame, line: Timeline) -> list[Metric]:
    """Return satellites used and in view, the share of time with at least 12 used, dilution and C/N0."""
    out = [_good_share(fixes, line)]
    method = "as logged, each epoch weighted by the time it counts for"
    wanted = (("satellites_used", "1", (5, 50)), ("satellites_in_view", "1", (5, 50)), ("hdop", "1", (50, 95)),
              ("vdop", "1", (50, 95)), ("pdop", "1", (50, 95)), ("cn0_median_dbhz", "dB-Hz", (5, 50)))
    for name, unit, percents in wanted:
        values, weight = _column(fixes, name, line)
        stem, tail = (name.removesuffix("_dbhz"), "_dbhz") if name.endswith("_dbhz") else (name, "")
        for percent in percents:
            key = f"{stem}_p{percent}{tail}"
            out.append(Metric(key, weighted_percentile(values, weight, percent), unit, len(values), method)
                       if len(values) else missing(key, unit, method, f"{name} is not logged"))
    return out


def _good_share(fixes: pd.DataFrame, line: Timeline) -> Metric:
    """Return the share of time with at least 12 satellites used; advice, as counts may be capped at 12."""
    good = int(thresholds("analyzer.metrics")["satellites.good_count"])
    key, method = f"share_satellites_ge_{good}", f"share of time with at least {good} satellites used"
    values, weight = _column(fixes, "satellites_used", line)
    if not len(values):
        return missing(key, "1", method, "the number of satellites used is not logged")
    most = float(values.max())
    return Metric(key, float(weight[values >= good].sum() / weight.sum()), "1", len(values), method,
                  evidence={"largest_count": most, "capped": bool(most == 12)})


def trace_consistent(
    major_m: ArrayLike, minor_m: ArrayLike, north_m: ArrayLike, east_m: ArrayLike, *, resolution_m: float,
) -> NDArray[np.bool_]:
    """Return whether σ_major² + σ_minor² equals σ_north² + σ_east² within rounding.

    The trace of a covariance does not depend on the rotation, so this holds whatever the orientation convention.
    Values are rounded to `resolution_m`, which moves each square by up to that times the value.
    """
    a, b, c, d = (np.asarray(x, dtype=np.float64) for x in (major_m, minor_m, north_m, east_m))
    room = resolution_m * (a + b + c + d) + resolution_m**2 + 1e-9
    return np.asarray(np.abs(a**2 + b**2 - c**2 - d**2) <= room)


def claim_metrics(fixes: pd.DataFrame) -> tuple[list[Metric], list[Finding]]:
    """Return the share of GST claims that agree with themselves, and a finding where they do not."""
    names = ("sigma_major_m", "sigma_minor_m", "sigma_north_m", "sigma_east_m")
    key, method = "share_gst_consistent", "trace of the claimed ellipse against the claimed axes, within rounding"
    known = np.logical_and.reduce([np.isfinite(fixes[n].to_numpy()) for n in names])
    if not known.any():
        return [missing(key, "1", method, "no GST with an ellipse is logged")], []
    step = max(min(grid(np.round(claim, 5)) for part in _claims(fixes, names, known) for claim in part), 0.001)
    count = int(known.sum())
    share = sum(int(trace_consistent(*part, resolution_m=step).sum()) for part in _claims(fixes, names, known)) / count
    metric = Metric(key, share, "1", count, method, evidence={"resolution_m": step})
    if 1.0 - share <= thresholds("analyzer.metrics")["gst.tolerance_share"]:
        return [metric], []
    return [metric], [Finding("gst_inconsistent", "warning", (
        f"In {100 * (1 - share):.1f} % of the epochs the claimed error ellipse (GST) contradicts the claimed north and "
        "east sigmas: the claims of this receiver cannot be taken at their word."), {"share_consistent": share})]


def _claims(fixes: pd.DataFrame, names: Sequence[str], known: NDArray[np.bool_]) -> Iterator[list[Array]]:
    """Yield the columns `names` of the `known` rows, some at a time."""
    columns = [fixes[n].to_numpy() for n in names]
    for start in range(0, len(known), PIECE):
        part = slice(start, start + PIECE)
        if known[part].any():
            yield [column[part][known[part]].astype(np.float64) for column in columns]
