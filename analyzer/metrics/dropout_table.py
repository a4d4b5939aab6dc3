"""Dropouts with place, cause and advice, in the layout of dropouts.csv."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import geodesy, wording
from analyzer.metrics.dropout_causes import Scene, advice_for, cause_of
from analyzer.metrics.fix_state import NOT_RECORDED
from analyzer.metrics.metric import Metric, missing
from analyzer.metrics.route import nearest_positions
from analyzer.recording import Finding

Array = NDArray[np.float64]

#: What would tell why epochs are missing.
MISSING_LOGS = ("the messages of receiver and logger",)

COLUMNS = (
    "dropout_id", "kind", "cause", "start_utc", "end_utc", "duration_s", "refix_s", "fixed_again_utc",
    "start_distance_m", "end_distance_m", "base_distance_m", "start_latitude_deg", "start_longitude_deg",
    "end_latitude_deg", "end_longitude_deg", "satellites_before", "satellites_min", "evidence", "advice",
)


def dropout_table(
    found: pd.DataFrame, fixes: pd.DataFrame, scene: Scene, *, distance_m: Array,
    base: tuple[float, float, float] | None = None,
) -> pd.DataFrame:
    """Return the dropouts of `found` (from `analyzer.metrics.dropouts.find`) in the layout of dropouts.csv.

    Places are the last position at or before the start and the first at or after the end; ``base_distance_m`` is the
    geodesic distance of the start from the base, NaN where the base is unknown.
    """
    seconds = scene.line.seconds
    count = len(found)
    start, end = found["start_s"].to_numpy(dtype=np.float64), found["end_s"].to_numpy(dtype=np.float64)
    reasons = [cause_of(k, s, e, scene) for k, s, e in zip(found["kind"], start, end, strict=True)]
    low = np.maximum(np.searchsorted(seconds, start + 1e-6, side="right") - 1, 0)
    high = np.minimum(np.searchsorted(seconds, end - 1e-6), max(len(seconds) - 1, 0))
    places = _places(fixes, low, high)
    missed = found["kind"].to_numpy() == "missing_epochs"  # no epoch, so no satellites meanwhile
    near = [np.zeros(0) if m else scene.during(scene.satellites, s, e) for m, s, e in zip(missed, start, end, strict=True)]
    return pd.DataFrame({
        "dropout_id": np.arange(1, count + 1), "kind": found["kind"].to_numpy(), "cause": [c for c, _ in reasons],
        "start_utc": _moments(fixes, start), "end_utc": _moments(fixes, end), "duration_s": end - start,
        "refix_s": found["refix_s"].to_numpy(dtype=np.float64),
        "fixed_again_utc": _moments(fixes, found["fixed_again_s"].to_numpy(dtype=np.float64)),
        "start_distance_m": np.interp(start, seconds, distance_m) if count else np.zeros(0),
        "end_distance_m": np.interp(end, seconds, distance_m) if count else np.zeros(0),
        "base_distance_m": base_distance(places[0], places[1], base),
        "start_latitude_deg": places[0], "start_longitude_deg": places[1],
        "end_latitude_deg": places[2], "end_longitude_deg": places[3],
        "satellites_before": [scene.before(scene.satellites, s) for s in start],
        "satellites_min": [float(n.min()) if len(n) else np.nan for n in near],
        "evidence": [w + (_joined(s, e, scene) if m else "") for (_, w), s, e, m in zip(reasons, start, end, missed, strict=True)], "advice": [advice_for(*r, MISSING_LOGS if m else scene.unlogged) for r, m in zip(reasons, missed, strict=True)],
    }, columns=list(COLUMNS))


def _joined(start_s: float, end_s: float, scene: Scene) -> str:
    """Return in words that a dropout of missing epochs is several gaps with no more than one epoch between neighbours, empty for one gap."""
    inside = scene.line.gap_spans
    inside = inside[(inside[:, 0] >= start_s - 1e-6) & (inside[:, 1] <= end_s + 1e-6)]
    if len(inside) < 2:
        return ""
    between, longest = wording.count(len(inside) - 1, "lone epoch"), float(np.diff(inside, axis=1).max())
    return f"; {len(inside)} gaps parted by {between} are joined, the longest of them is {longest:.1f} s"


def _moments(fixes: pd.DataFrame, seconds: Array) -> pd.DatetimeIndex:
    """Return seconds since the first epoch as times to the microsecond, NaT for NaN."""
    origin = pd.DatetimeIndex(fixes.index)[:1]
    micro = np.where(np.isfinite(seconds), np.rint(np.nan_to_num(seconds) * 1e6), np.iinfo(np.int64).min)
    offset = pd.to_timedelta(micro.astype("timedelta64[us]"))
    if not len(origin):
        return pd.DatetimeIndex([], dtype="datetime64[us, UTC]")
    return pd.DatetimeIndex(origin[0] + offset).as_unit("us")


def _places(fixes: pd.DataFrame, low: NDArray[np.int64], high: NDArray[np.int64]) -> list[Array]:
    """Return latitude and longitude at the start, then at the end; NaN where no position lies outward."""
    before, after = nearest_positions(fixes, low, high)
    latitude, longitude = (fixes[c].to_numpy(dtype=np.float64) for c in ("latitude_deg", "longitude_deg"))
    return [np.where(i >= 0, a[i], np.nan) if len(a) else np.zeros(0) for i in (before, after)
            for a in (latitude, longitude)]


def base_distance(latitude_deg: Array, longitude_deg: Array, base: tuple[float, float, float] | None) -> Array:
    """Return geodesic distances from the base [m], NaN where it is unknown."""
    if base is None:
        return np.full(len(latitude_deg), np.nan)
    return geodesy.distances(latitude_deg, longitude_deg, base[0], base[1])


def dropout_ids(table: pd.DataFrame, found: pd.DataFrame, seconds: Array) -> NDArray[np.int64]:
    """Return the dropout of each epoch, 0 for none.

    The last epoch before missing epochs is not in the gap, and the epoch that ends a dropout is no longer in it.
    """
    out = np.zeros(len(seconds), dtype=np.int64)
    spans = found[["start_s", "end_s"]].to_numpy(dtype=np.float64)
    for number, kind, (start, end) in zip(table["dropout_id"], found["kind"], spans, strict=True):
        if kind != "missing_epochs":
            last = end >= seconds[-1] - 1e-6
            low, high = np.searchsorted(seconds, [start - 1e-6, end - 1e-6])
            out[low:len(seconds) if last else high] = number
    return out


def dropout_metrics(table: pd.DataFrame, hours: float, *, states: bool = True) -> list[Metric]:
    """Return how many dropouts of each kind there are and how long they last together; without `states` most cannot be told."""
    method = "intervals by kind, without overlap"
    out = []
    for kind in ("missing_epochs", "correction_outage", "fix_loss", "no_fix_despite_corrections"):
        rows = table[table["kind"] == kind]
        if not states and kind != "missing_epochs":
            out.append(missing(f"dropouts_{kind}", "1", method, NOT_RECORDED))
            continue
        out.append(Metric(f"dropouts_{kind}", len(rows), "1", len(rows), method,
                          evidence={"duration_s": float(rows["duration_s"].sum())}))
    outage = table.loc[table["kind"] == "correction_outage", "duration_s"]
    key, span = "longest_correction_outage_s", "last correction used to first fresh age"
    out.append(Metric(key, float(outage.max()), "s", len(outage), span) if len(outage)
               else missing(key, "s", span, "no correction outage was found" if states else NOT_RECORDED))
    if hours > 0:
        out.append(Metric("dropouts_per_hour", len(table) / hours, "1/h", len(table), method))
    return out


def link_findings(reason: str, *, used: bool, changes: pd.DataFrame, states: bool = True) -> list[Finding]:
    """Return in words whether outages can be told at all, and whether the station changed; `states` says that fix states are recorded."""
    out = []
    if not states:
        out.append(Finding("age_not_usable", "warning", (
            "Correction outages and losses of fixed cannot be found in this log: the fix state is not recorded. Missing epochs can."),
            {"reason": NOT_RECORDED}))
    elif not used:
        out.append(Finding("no_corrections", "note", (
            "No epoch used corrections, so there are no correction outages: there was nothing to lose."), {}))
    elif reason:
        out.append(Finding("age_not_usable", "warning", (
            f"Correction outages cannot be found in this log: {reason}. Losses of fixed and missing epochs can."),
            {"reason": reason}))
    if len(changes):
        ids = sorted({*changes["from_id"].tolist(), *changes["to_id"].tolist()})
        out.append(Finding("station_id_changes", "warning", (
            f"The reference station id changed {wording.times(len(changes))} (ids {', '.join(map(str, ids))}): positions "
            "before and after may refer to different bases."), {"changes": len(changes), "ids": ids}))
    return out
