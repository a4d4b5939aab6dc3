"""Places where runs disagree in position although all of them were fixed."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.settings import thresholds

Array = NDArray[np.float64]
COLUMNS = ("run", "pass", "axis", "along_m", "length_m", "latitude_deg", "longitude_deg", "largest_m", "runs", "words")


def disagreements(passes: pd.DataFrame, cells: pd.DataFrame) -> pd.DataFrame:
    """Return stretches (`COLUMNS`) where one fixed pass stands off from the other fixed passes of the same cells.

    Heights are held against each other because a road surface is common to all passes; a constant difference of a
    run is taken off first, as it belongs to its base frame. Sideways, lanes differ, so that only metres count there.
    """
    if not len(passes):
        return pd.DataFrame(columns=list(COLUMNS))
    good = passes[(passes["share_fixed"] == 1.0) & passes["up_m"].notna()].copy()
    count = good.groupby("cell")["run"].transform("nunique")
    good = good[count >= 3].copy()
    if not len(good):
        return pd.DataFrame(columns=list(COLUMNS))
    good["height"] = _local_height(good)
    good["beside"] = _beside(good, cells)
    good["beside"] -= good.groupby("cell")["beside"].transform("median")
    limit = thresholds("analyzer.comparing")
    out = []
    for axis, least in (("height", limit["disagree.height_m"]), ("beside", limit["disagree.beside_m"])):
        usual = 1.4826 * float(good[axis].abs().median())
        bad = good[good[axis].abs() > max(least, limit["disagree.factor"] * usual)]
        bad = bad if axis == "height" else bad[bad["speed_mps"] > limit["disagree.steady_mps"]]
        out += _stretches(bad, axis, cells, good)
    return pd.DataFrame(out, columns=list(COLUMNS))


def _local_height(good: pd.DataFrame) -> pd.Series:
    """Return the height of each pass over its cell, less the constant difference of its run (median polish).

    Runs are first levelled against the one with the most cells, so that frames metres apart do not split a cell.
    """
    up = good["up_m"].astype(np.float64)
    most = good["run"].value_counts().index[0]
    known = up[(good["run"] == most).to_numpy()].groupby(good["cell"]).median()
    level = (up - good["cell"].map(known)).groupby(good["run"]).transform("median").fillna(0.0)
    for _ in range(3):
        rest = up - level
        rest = rest - rest.groupby(good["cell"]).transform("median")
        level = level + rest.groupby(good["run"]).transform("median")
    rest = up - level
    return rest - rest.groupby(good["cell"]).transform("median")


def _beside(good: pd.DataFrame, cells: pd.DataFrame) -> Array:
    """Return how far right of a cell's centre a pass drove [m]."""
    own = cells.loc[good["cell"]]
    way = np.radians(own["direction_deg"].to_numpy(np.float64))
    east = good["east_m"].to_numpy(np.float64) - own["east_m"].to_numpy(np.float64)
    north = good["north_m"].to_numpy(np.float64) - own["north_m"].to_numpy(np.float64)
    return np.asarray(east * np.cos(way) - north * np.sin(way))


def _stretches(bad: pd.DataFrame, axis: str, cells: pd.DataFrame, good: pd.DataFrame) -> list[tuple[object, ...]]:
    """Return runs of at least three neighbouring cells of one pass."""
    out: list[tuple[object, ...]] = []
    runs_at = good.groupby("cell")["run"].nunique()
    for (run, number), rows in bad.sort_values(["run", "pass", "start_utc"]).groupby(["run", "pass"], sort=True):
        along = cells.loc[rows["cell"], "along_m"].to_numpy(np.float64)
        for part in np.split(np.arange(len(rows)), np.flatnonzero(np.abs(np.diff(along)) > 45.0) + 1):
            if len(part) < 3:
                continue
            own = rows.iloc[part]
            worst = float(own[axis].abs().max())
            place = cells.loc[own["cell"].iloc[0]]
            others = int(runs_at.loc[own["cell"]].median())
            what = "in height" if axis == "height" else "sideways (another lane, or a wrong position)"
            words = f"fixed throughout, yet {worst:.2f} m off {what} from the other passes ({others} runs)"
            out.append(
                (
                    run,
                    number,
                    axis,
                    float(along[part].min()),
                    float(np.ptp(along[part]) + 10.0),
                    float(place["latitude_deg"]),
                    float(place["longitude_deg"]),
                    worst,
                    others,
                    words,
                )
            )
    return out
