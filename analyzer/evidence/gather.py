"""Gather the evidence of a recording into an error bound per epoch.

The rule that combines the parts (all 95 %)::

    base   = claim where GST is logged, but at least the class value of the fix state where the state is fixed
    bound  = sqrt(base² + baseline²) + ageing
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from analyzer import tables
from analyzer.evidence.claim import AXIS_95, RADIUS_95, claimed_sigma, class_bounds, has_position
from analyzer.evidence.result import Evidence
from analyzer.metrics.result import Metrics
from analyzer.recording import Recording
from analyzer.settings import thresholds


def gather(recording: Recording, metrics: Metrics) -> Evidence:
    """Return the evidence on every epoch of `recording`."""
    fixes = recording.fixes
    limits = thresholds("analyzer.evidence")
    claimed, claimed_up = claimed_sigma(fixes)
    class_h, class_v = class_bounds(fixes)
    fixed = (fixes["fix_state"].astype(object) == "fixed").to_numpy()
    claim_h, claim_v = RADIUS_95 * claimed, AXIS_95 * claimed_up
    base_h = np.where(np.isfinite(claim_h), np.where(fixed, np.fmax(claim_h, class_h), claim_h), class_h)
    base_v = np.where(np.isfinite(claim_v), np.where(fixed, np.fmax(claim_v, class_v), claim_v), class_v)
    age = fixes["correction_age_s"].to_numpy(np.float64)
    ageing = limits["ageing.rate"] * np.nan_to_num(np.clip(age - limits["ageing.free"], 0, None))
    ppm = limits["baseline.ppm"] * 1e-6 * np.nan_to_num(metrics.epochs["base_distance_m"].to_numpy(np.float64))
    parts = {
        "bound_claim_m": claim_h, "bound_class_m": class_h, "bound_ageing_m": RADIUS_95 * ageing, "bound_baseline_m": RADIUS_95 * ppm,
        "vertical_bound_claim_m": claim_v, "vertical_bound_class_m": class_v, "vertical_bound_ageing_m": AXIS_95 * ageing,
        "vertical_bound_baseline_m": AXIS_95 * ppm,
    }
    horizontal = np.hypot(base_h, parts["bound_baseline_m"]) + parts["bound_ageing_m"]
    vertical = np.hypot(base_v, parts["vertical_bound_baseline_m"]) + parts["vertical_bound_ageing_m"]
    placed = has_position(fixes)
    bounds = pd.DataFrame(parts, index=fixes.index)
    bounds["horizontal_bound_m"] = np.where(placed, horizontal, np.nan)
    bounds["vertical_bound_m"] = np.where(placed & np.isfinite(fixes["height_m"].to_numpy()), vertical, np.nan)
    bounds["along_bound_m"] = bounds["across_bound_m"] = bounds["horizontal_bound_m"] * AXIS_95 / RADIUS_95
    speed = np.isfinite(fixes["speed_mps"].to_numpy())
    bounds["speed_bound_mps"] = np.where(speed, limits["speed.class"], np.nan)
    bounds["heading_bound_deg"] = np.nan
    bounds["shown_horizontal_m"] = np.where(placed, np.hypot(base_h, parts["bound_baseline_m"]), np.nan)
    bounds["shown_vertical_m"] = np.where(placed, base_v, np.nan)
    bounds["contradicted"] = False
    bounds["undecided"] = False
    return Evidence(
        bounds, tables.SEGMENTS.empty(), tables.JUMPS.empty(), pd.Series(pd.array([None] * len(fixes), dtype="Int32"), index=fixes.index),
        cannot_show=("a constant offset of the whole day: nothing in a rover log shows it without a check point",),
    )
