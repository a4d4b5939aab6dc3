"""Claimed against realised: what the receiver says of its error and what its own scatter shows."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analyzer.evidence.claim import AXIS_95, RADIUS_95
from analyzer.evidence.noise import Noise
from analyzer.evidence.track import Flags, Floats
from analyzer.settings import thresholds


def fixed_base(claimed: Floats, claimed_up: Floats, class_h: Floats, class_v: Floats, noise: Noise) -> tuple[Floats, Floats]:
    """Return the 95 % base bound of fixed epochs, horizontal radius and height [m].

    The claim counts, but not below a floor: the class value, or less where the white noise on this very drive is so low
    that ``total_per_white`` times it stays below the class. White noise itself is a lower bound that no claim undercuts.
    """
    limits = thresholds("analyzer.evidence")
    seen = noise.white_m if noise.learnt else np.inf
    floor = np.maximum(np.minimum(class_h, RADIUS_95 * limits["claim.total_per_white"] * seen), limits["claim.least_radius"])
    if noise.learnt:
        floor = np.maximum(floor, RADIUS_95 * 1.1 * noise.white_m)
    up_floor = floor * limits["class_vertical.ratio"]
    horizontal = np.fmax(RADIUS_95 * claimed, floor)
    vertical = np.fmax(AXIS_95 * claimed_up, up_floor)
    return horizontal, np.where(np.isfinite(claimed_up), vertical, np.fmax(up_floor, horizontal * limits["class_vertical.ratio"]))


def claim_ratio(claimed: Floats, deviation: Floats, sigma: Floats, group: Flags) -> float:
    """Return how many times the claimed sigma the measured deviations of `group` really are, at least 1.

    95th percentile of the deviation over that of a circular normal with the claimed sigma, from epochs whose deviation
    is known better than the claim.
    """
    size = np.hypot(*np.nan_to_num(deviation).T)
    use = group & np.isfinite(claimed) & np.isfinite(sigma) & (sigma < 0.7 * claimed)
    if use.sum() < thresholds("analyzer.evidence")["noise.least_pairs"]:
        return 1.0
    return float(max(1.0, np.quantile(size[use] / claimed[use], 0.95) / RADIUS_95))


def state_codes(fixes: pd.DataFrame) -> pd.Series:
    """Return the fix state as plain strings."""
    return fixes["fix_state"].astype(object)
