"""What the map formats need of a result: the epochs that have a position, and the places beside them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.exports.lines import kept
from analyzer.metrics.rate import timeline
from analyzer.results.load import LoadedResult

COLUMNS = (
    "latitude_deg", "longitude_deg", "height_m", "geoid_separation_m", "fix_state", "station_id", "correction_age_s",
    "satellites_used", "hdop", "vdop", "pdop", "speed_mps", "horizontal_bound_m", "vertical_bound_m", "trust", "reasons",
    "dropout_id", "window", "distance_m",
)  # fmt: skip


@dataclass(frozen=True)
class Route:
    """The route of a result, ready to write.

    Attributes
    ----------
    run : name of the run.
    title : what is judged, for which purpose, in words.
    points : epochs to write, with `COLUMNS` and ``above_geoid_m`` (height above the geoid [m], NaN where the
        separation or the height is unknown).
    breaks : whether epochs are missing, or had no position, before each point.
    dropouts, windows, standstills : tables of the result; windows with ``longitude_deg latitude_deg`` of their start,
        NaN where nothing was recorded.
    spacing_m : least distance between points [m], 0 for all.
    """

    run: str
    title: str
    points: pd.DataFrame
    breaks: NDArray[np.bool_]
    dropouts: pd.DataFrame
    windows: pd.DataFrame
    standstills: pd.DataFrame
    spacing_m: float


def load_route(result: LoadedResult, *, spacing_m: float) -> Route:
    """Return the route of `result` with points at least `spacing_m` [m] apart along the route, by `lines.rule`."""
    epochs = result.epochs(COLUMNS)
    gaps = timeline(pd.DatetimeIndex(epochs.index)).gap_before
    here = np.isfinite(epochs[["latitude_deg", "longitude_deg"]].to_numpy(np.float64)).all(axis=1)
    here &= (epochs["fix_state"].astype(object) != "no_fix").to_numpy()
    placed = epochs[here]
    breaks = _breaks(gaps, here)
    keep = kept(placed, breaks, spacing_m=spacing_m)
    points = placed[keep]
    purpose = result.summary["verdict"]["purpose"]["title"]
    return Route(
        result.run, f"Position quality of {result.run}, purpose {purpose}",
        points.assign(above_geoid_m=points["height_m"] - points["geoid_separation_m"]), breaks[keep],
        result.table("dropouts"), _placed_windows(result.table("windows"), placed), result.table("standstills"), spacing_m,
    )  # fmt: skip


def _breaks(gap_before: NDArray[np.bool_], here: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return for each epoch that is `here` whether a gap or an epoch without a position lies before it.

    The row after a break is always kept by `kept`, so thinning never moves one.
    """
    at = np.flatnonzero(here)
    holes = np.cumsum(gap_before)[at]
    apart: NDArray[np.bool_] = np.r_[False, (np.diff(at) > 1) | (np.diff(holes) > 0)]
    return apart[: len(at)]


def _placed_windows(windows: pd.DataFrame, placed: pd.DataFrame) -> pd.DataFrame:
    """Return `windows` with the place of the first epoch inside each."""
    starts, ends = (pd.DatetimeIndex(windows[f"{side}_utc"]) for side in ("start", "end"))
    at = placed.index.searchsorted(starts)
    inside = at < placed.index.searchsorted(ends, side="right")
    rows = np.where(inside, at, 0)
    return windows.assign(**{
        name: np.where(inside, placed[name].to_numpy()[rows], np.nan) if len(placed) else np.nan
        for name in ("longitude_deg", "latitude_deg")
    })
