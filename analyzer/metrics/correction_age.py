"""Age of corrections: whether the field says anything, its usual sawtooth, its distribution and station changes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import tables
from analyzer.metrics.metric import Metric, missing
from analyzer.metrics.rate import Timeline
from analyzer.settings import thresholds

Array = NDArray[np.float64]
METHOD = "age as logged, each epoch weighted by the time it counts for"
#: Ages [s] above which the time is reported.
ABOVE_S = (2, 5, 10, 30, 60)


@dataclass(frozen=True)
class AgeField:
    """What the age field of a recording is worth.

    Attributes
    ----------
    usable : whether it follows the corrections.
    reason : why not, in words; empty where usable.
    resolution_s : last digit of the logged ages [s].
    constant_s : the only value, or NaN where ages vary.
    interval_s : interval between corrections [s], from the age itself, else from the stream, else the usual one.
    top_s : usual top of the sawtooth [s]: interval plus transport.
    fresh_s : age up to which corrections are fresh [s].
    stale_s : age beyond which corrections have certainly stopped [s].
    """

    usable: bool
    reason: str
    resolution_s: float
    constant_s: float
    interval_s: float
    top_s: float
    fresh_s: float
    stale_s: float


def age_field(
    age_s: Array, codes: NDArray[np.int64], line: Timeline, *, stream_interval_s: float | None = None,
) -> AgeField:
    """Judge the age field: empty, constant 0 or a constant longer than corrections can take to arrive says nothing."""
    limit = thresholds("analyzer.metrics")
    known = np.isfinite(age_s) & (age_s >= 0)
    values = age_s[known]
    usual = stream_interval_s or limit["age.usual_interval_s"]
    resolution = grid(values)
    constant = float(values[0]) if len(values) and np.ptp(values) == 0 else float("nan")
    reason = _no_use(values, constant, usual + resolution)
    if reason:
        return AgeField(False, reason, resolution, constant, usual, *(float("nan"),) * 3)
    interval, top, spread = _sawtooth(age_s, codes, line, resolution_s=resolution, usual_s=usual)
    least = limit["age.least_margin_s"]
    fresh = top + max(limit["age.fresh_margin"] * interval, 0.6 * least, spread, resolution)
    stale = top + max(limit["age.stale_margin"] * interval, least, 2.0 * spread, resolution)
    return AgeField(True, "", resolution, constant, interval, top, fresh, stale)


def _no_use(values: Array, constant: float, longest_s: float) -> str:
    """Return why the field cannot be used, or an empty text."""
    if not len(values):
        return "the age field is empty throughout, or no corrections were used"
    if constant == 0:
        return "the age is constant 0, which no link can deliver: the field is not filled in"
    if len(values) >= thresholds("analyzer.metrics")["age.constant_n"] and constant > longest_s:
        return (f"the age is constant {constant:g} s, longer than corrections take to arrive: "
                "the field does not follow them")
    return ""


def grid(values: Array) -> float:
    """Return the coarsest decimal step that all `values` lie on, 1 to 0.001; 0.001 where none fits."""
    for step in (1.0, 0.1, 0.01):
        if len(values) and np.all(np.abs(values / step - np.rint(values / step)) < 1e-3):
            return step
    return 0.001


def _sawtooth(
    age_s: Array, codes: NDArray[np.int64], line: Timeline, *, resolution_s: float, usual_s: float,
) -> tuple[float, float, float]:
    """Return interval between corrections, usual top of the age and the spread of the tops [s].

    A new correction is one whose time (epoch less age) lies later than the one before by more than rounding; the age
    just before it is the top of a cycle. An outage is one cycle like any other, so the median is robust against
    outages however long they last. With too few cycles the median age stands in.
    """
    at = np.flatnonzero(np.isfinite(age_s) & (age_s >= 0))
    age = age_s[at]
    made = line.seconds[at] - age
    new = np.flatnonzero(np.diff(made) > 0.75 * resolution_s)
    if len(new) < thresholds("analyzer.metrics")["age.least_cycles"]:
        fixed = codes[at] == tables.FIX_STATES.index("fixed")
        return usual_s, float(np.median(age[fixed] if fixed.sum() >= 10 else age)), 0.0
    top = float(np.median(age[new]))
    interval = float(np.median(np.diff(made[np.r_[new, new[-1] + 1]])))
    return interval, top, max(float(np.percentile(age[new], 90)) - top, 0.0)


def weighted_percentile(values: Array, weight: Array, percent: float) -> float:
    """Return the smallest of `values` up to which `percent` of the `weight` lies."""
    order = np.argsort(values, kind="stable")
    total = weight[order]
    np.cumsum(total, out=total)
    at = int(np.searchsorted(total, percent / 100.0 * total[-1] * (1 - 1e-12)))
    return float(values[order[min(at, len(values) - 1)]])


def age_metrics(age_s: Array, codes: NDArray[np.int64], line: Timeline, field: AgeField) -> list[Metric]:
    """Return percentiles of the age, time above limits, and the same by fix state."""
    names = ("age_p50_s", "age_p95_s", "age_max_s", *(f"share_time_age_above_{a}_s" for a in ABOVE_S))
    units = {n: "1" if n.startswith("share") else "s" for n in names}
    count = int(np.isfinite(age_s).sum())
    if not field.usable:
        return [missing(n, units[n], METHOD, field.reason, n=count) for n in names]
    if np.isfinite(field.constant_s):
        return _constant_metrics(field, count, names)
    weight = np.nan_to_num(line.interval_s)
    known = np.isfinite(age_s) & (weight > 0)
    if not known.any():
        return [missing(n, units[n], METHOD, "no epoch with an age has a following epoch", n=count) for n in names]
    age, time = age_s[known], weight[known]
    out = [Metric(f"age_p{p}_s", weighted_percentile(age, time, p), "s", len(age), METHOD) for p in (50, 95)]
    out.append(Metric("age_max_s", float(age.max()), "s", len(age), METHOD))
    out += [Metric(f"share_time_age_above_{a}_s", float(time[age > a].sum() / time.sum()), "1", len(age), METHOD)
            for a in ABOVE_S]
    for code in np.unique(codes[known]):
        here = codes[known] == code
        if code < len(tables.FIX_STATES):
            out.append(Metric(f"age_p95_{tables.FIX_STATES[code]}_s", weighted_percentile(age[here], time[here], 95),
                              "s", int(here.sum()), f"{METHOD}; epochs of that fix state"))
    out.append(Metric("age_usual_top_s", field.top_s, "s", len(age), "median age just before a new correction is used"))
    out.append(Metric("correction_interval_s", field.interval_s, "s", len(age), "median step of epoch time less age"))
    return out


def _constant_metrics(field: AgeField, count: int, names: tuple[str, ...]) -> list[Metric]:
    """Return the figures of an age that always shows one plausible value: at most that plus its resolution."""
    most = field.constant_s + field.resolution_s
    method = f"the age is constant {field.constant_s:g} s: at most that plus its resolution of {field.resolution_s:g} s"
    evidence = {"constant_s": field.constant_s, "resolution_s": field.resolution_s}
    out = [Metric(n, most, "s", count, method, evidence=evidence) for n in names if n.startswith("age")]
    for above in ABOVE_S:
        key = f"share_time_age_above_{above}_s"
        if most <= above:
            out.append(Metric(key, 0.0, "1", count, method, evidence=evidence))
        else:
            out.append(missing(key, "1", METHOD, method, n=count))
    return out


def station_changes(station_id: pd.Series, line: Timeline) -> pd.DataFrame:
    """Return where the station id differs from the one before it: ``index time_s from_id to_id``.

    Epochs without an id, and id 0 in logs that also hold others, say nothing.
    """
    ids = station_id.to_numpy(dtype=np.float64, na_value=np.nan)
    known = np.isfinite(ids)
    if known.any() and np.nanmax(ids) > 0:
        known &= ids > 0
    at = np.flatnonzero(known)
    change = np.flatnonzero(ids[at][1:] != ids[at][:-1]) + 1
    return pd.DataFrame({
        "index": at[change], "time_s": line.seconds[at[change]],
        "from_id": ids[at[change - 1]].astype(np.int64), "to_id": ids[at[change]].astype(np.int64),
    })


def station_metrics(station_id: pd.Series, changes: pd.DataFrame) -> list[Metric]:
    """Return the number of station ids and of changes between them."""
    ids = sorted({int(v) for v in station_id.dropna().unique()})
    method = "differential reference station id as logged"
    if not ids:
        reason = "no station id is logged"
        return [missing("station_id_changes", "1", method, reason), missing("station_ids", "-", method, reason)]
    known = int(station_id.notna().sum())
    return [
        Metric("station_id_changes", len(changes), "1", known, method),
        Metric("station_ids", " ".join(str(i) for i in ids), "-", known, method),
    ]


def stream_interval(corrections: pd.DataFrame) -> float | None:
    """Return the median interval [s] between observation epochs of a recorded correction stream, or None."""
    if not len(corrections):
        return None
    kind = corrections["message_type"]
    observed = corrections[((kind >= 1071) & (kind <= 1137)) | kind.isin([1001, 1002, 1003, 1004])]
    moments = np.unique(observed["epoch_s"].dropna().to_numpy(dtype=np.float64))
    steps = np.diff(moments)
    steps = steps[(steps > 0.05) & (steps < 120)]
    return float(np.median(steps)) if len(steps) >= 10 else None
