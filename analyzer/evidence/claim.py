"""Where every bound starts: the receiver's claim (GST), or a class value of the fix state."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import intervals
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


def carried_claim(fixes: pd.DataFrame) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the claims of `claimed_sigma` with those of epochs without a GST from the last one before.

    A claim holds for `claim.carried` and within one fix state: many receivers log GST once a second beside faster positions.
    """
    t = intervals.seconds(pd.DatetimeIndex(fixes.index))
    states = pd.Categorical(fixes["fix_state"], categories=FIX_STATES).codes
    spans = intervals.equal_runs(states)
    first = np.repeat(spans[:, 0], spans[:, 1] - spans[:, 0])
    horizontal, up = (_carried(values, t, first) for values in claimed_sigma(fixes))
    return horizontal, up


def _carried(values: NDArray[np.float64], t: NDArray[np.float64], first: NDArray[np.int64]) -> NDArray[np.float64]:
    known = np.isfinite(values)
    last = np.maximum.accumulate(np.where(known, np.arange(len(values)), -1))
    out = values.copy()
    held = ~known & (last >= first)
    held[held] = t[held] - t[last[held]] <= thresholds("analyzer.evidence")["claim.carried"]
    out[held] = values[last[held]]
    return out


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
