"""Windows from crossing lines: the passes of the route between two lines, or between crossings of one line."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.userfiles.tabular import WINDOW_COLUMNS

Path2 = NDArray[np.float64]


def passes(lines: pd.DataFrame, times_s: NDArray[np.float64], places: Path2, start: pd.Timestamp) -> pd.DataFrame:
    """Return windows ``name start_utc end_utc``, numbered within each name by time.

    Parameters
    ----------
    lines : ``name from_east_m from_north_m to_east_m to_north_m`` in the local frame; two lines of one name are the
        ends of a pass, a single line ends one pass and begins the next.
    times_s : seconds since `start`, increasing, of epochs with a position.
    places : (n, 2) east and north [m] of the same epochs.
    """
    rows = []
    for name, group in lines.groupby("name", sort=False):
        ends = group[["from_east_m", "from_north_m", "to_east_m", "to_north_m"]].to_numpy(np.float64)
        marks = [(t, which) for which, line in enumerate(ends) for t in crossings(line, times_s, places)]
        marks.sort()
        pairs = (
            [(a[0], b[0]) for a, b in pairwise(marks) if len(ends) == 1 or a[1] != b[1]]
            if len(marks) > 1
            else []
        )
        rows += [
            (f"{name} {number}", start + pd.Timedelta(seconds=a), start + pd.Timedelta(seconds=b))
            for number, (a, b) in enumerate(pairs, 1)
        ]
    return pd.DataFrame(rows, columns=list(WINDOW_COLUMNS))


def crossings(line: NDArray[np.float64], times_s: NDArray[np.float64], places: Path2) -> NDArray[np.float64]:
    """Return the times [s] at which the track crosses the segment `line` (from east, north to east, north), interpolated."""
    origin, along = line[:2], line[2:] - line[:2]
    across = np.array([-along[1], along[0]])
    side = (places - origin) @ across
    length = float(along @ along)
    if length == 0 or len(places) < 2:
        return np.empty(0)
    changes = np.flatnonzero((side[:-1] < 0) != (side[1:] < 0))
    share = side[changes] / (side[changes] - side[changes + 1])
    where = places[changes] + share[:, None] * (places[changes + 1] - places[changes])
    on_line = ((where - origin) @ along / length >= 0) & ((where - origin) @ along / length <= 1)
    return np.asarray((times_s[changes] + share * (times_s[changes + 1] - times_s[changes]))[on_line])
