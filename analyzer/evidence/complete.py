"""Complete the bounds: what check points add, speed and heading, and the axes along and across the track."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analyzer import intervals
from analyzer.evidence.check_point_latency import speeds
from analyzer.evidence.check_points import CheckPointResult, bound_parts
from analyzer.evidence.claim import has_position
from analyzer.evidence.learnt import Learnt
from analyzer.evidence.speed_heading import along_across, heading_bound, speed_bound
from analyzer.metrics.result import Metrics
from analyzer.recording import Recording

#: Parts whose direction nobody knows: they count fully on both axes.
OFFSETS = ("bound_segment_m", "bound_frozen_m", "bound_check_point_m", "bound_alignment_m", "bound_settling_m")


def complete(bounds: pd.DataFrame, recording: Recording, metrics: Metrics, marks: CheckPointResult, *, learnt: Learnt | None = None) -> pd.DataFrame:
    """Return `bounds` of the evidence with the remaining columns.

    An error that check points show is an offset: it is added to the bounds, and to what is shown. What passes show along the track
    (latency, an offset along) is added to the radius and to the bound along, not across.
    """
    fixes = recording.fixes
    out = bounds.copy()
    horizontal, vertical = bound_parts(marks, pd.DatetimeIndex(fixes.index))
    t = intervals.seconds(pd.DatetimeIndex(fixes.index))
    placed = has_position(fixes)
    places = metrics.epochs[["east_m", "north_m", "up_m"]].to_numpy(np.float64).copy()
    places[~placed] = np.nan
    behind = marks.latency.along_m(speeds(fixes, places[:, 0], places[:, 1], t)) if marks.latency is not None else np.zeros(len(fixes))
    out["bound_check_point_m"], out["vertical_bound_check_point_m"] = horizontal + behind, vertical
    for column, part in (
        ("horizontal_bound_m", horizontal + behind),
        ("shown_horizontal_m", horizontal + behind),
        ("vertical_bound_m", vertical),
        ("shown_vertical_m", vertical),
    ):
        out[column] = out[column] + part
    fixed = placed & (fixes["fix_state"] == "fixed").to_numpy()
    out["speed_bound_mps"] = speed_bound(recording, t, places, fixed, learnt=learnt).bound
    out["heading_bound_deg"] = heading_bound(recording, t, learnt=learnt).bound
    offset = np.sum([np.nan_to_num(out[c].to_numpy(np.float64)) for c in OFFSETS if c in out], axis=0) - behind
    along, out["across_bound_m"] = along_across(
        out["horizontal_bound_m"].to_numpy(np.float64) - behind,
        fixes["sigma_north_m"].to_numpy(np.float64),
        fixes["sigma_east_m"].to_numpy(np.float64),
        fixes["course_deg"].to_numpy(np.float64),
        offset_m=offset,
    )
    out["along_bound_m"] = along + behind
    return out
