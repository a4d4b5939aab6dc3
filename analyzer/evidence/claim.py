"""Where every bound starts: the receiver's claim (GST), or a class value of the fix state."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.settings import thresholds
from analyzer.tables import FIX_STATES

#: 95 % radius of a circular normal per sigma of an axis, sqrt(-2 ln 0.05); 95 % of one axis.
RADIUS_95 = math.sqrt(-2 * math.log(0.05))
AXIS_95 = 1.959963984540054


def claimed_sigma(fixes: pd.DataFrame) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the claimed 1-sigma per horizontal axis (RMS of north and east) and in height [m]; NaN without GST."""
    north, east = fixes["sigma_north_m"].to_numpy(np.float64), fixes["sigma_east_m"].to_numpy(np.float64)
    horizontal = np.sqrt((north**2 + east**2) / 2)
    return np.where(horizontal > 0, horizontal, np.nan), fixes["sigma_up_m"].to_numpy(np.float64)


def class_bounds(fixes: pd.DataFrame) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the 95 % class values of each epoch's fix state, horizontal radius and height [m]."""
    limits = thresholds("analyzer.evidence")
    values = np.array([limits[f"class_horizontal.{state}"] for state in FIX_STATES])
    codes = pd.Categorical(fixes["fix_state"], categories=FIX_STATES).codes
    horizontal = np.where(codes >= 0, values[codes], values[FIX_STATES.index("no_fix")])
    return horizontal, horizontal * limits["class_vertical.ratio"]


def has_position(fixes: pd.DataFrame) -> NDArray[np.bool_]:
    """Return whether each epoch holds a position that the receiver stands by."""
    place = np.isfinite(fixes["latitude_deg"].to_numpy(np.float64)) & np.isfinite(
        fixes["longitude_deg"].to_numpy(np.float64)
    )
    return np.asarray(place & (fixes["fix_state"] != "no_fix").to_numpy())
