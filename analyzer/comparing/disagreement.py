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
    good = passes[(passes["share_fixed"] == 1.0) & passes["up_m"].notna()].copy()
    count = good.groupby("cell")["run"].transform("nunique")
    good = good[count >= 3].copy()
    if not len(good):
        return pd.DataFrame(columns=list(COLUMNS))
    good["height"] = good["up_m"] - good.groupby("cell")["up_m"].transform("median")
    good["height"] -= good.groupby("run")["height"].transform("median")
    good["beside"] = _beside(good, cells)
    good["beside"] -= good.groupby("cell")["beside"].transform("median")
    limit = thresholds("analyzer.comparing")
    out = []
    for axis, least in (("height", limit["disagree.height_m"]), ("beside", limit["disagree.beside_m"])):
        usual = 1.4826 * float(good[axis].abs().median())
        bad = good[good[axis].abs() > max(least, limit["disagree.factor"] * usual)]
        out += _stretches(bad, axis, cells, good)
    return pd.DataFrame(out, columns=list(COLUMNS))


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
            what = "in height" if axis == "height" else "sideways"
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
                    f"fixed throughout, yet {worst:.2f} m off {what} from the other passes ({others} runs)",
                )
            )
    return out
