"""Where a run without windows is not trusted: the longest stretches by place and time, for the first screen."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import intervals, wording
from analyzer.settings import thresholds

#: Stretches that the first screen has room for; the report has a table of them.
MOST_STRETCHES = 4


def where_not_trusted(judged: pd.DataFrame, bad: NDArray[np.bool_]) -> str:
    """Return the longest stretches of the epochs `bad` in the order in which they were driven, each with place and time [UTC].

    Parameters
    ----------
    judged : layout of `tables.EPOCHS`.
    bad : (n,) which of them are not trusted.

    Moments of trust between two stretches (`verdict.stretch_pause`) do not part them: nobody uses those.
    """
    times = pd.DatetimeIndex(judged.index)
    runs = intervals.runs(bad)
    if not len(runs):
        return ""
    since = intervals.seconds(times)
    spans = intervals.join_close(np.stack([since[runs[:, 0]], since[runs[:, 1] - 1]], axis=1), thresholds("analyzer.verdict")["verdict.stretch_pause"])
    kept = np.sort(np.argsort(spans[:, 0] - spans[:, 1], kind="stable")[:MOST_STRETCHES])
    along = judged["distance_m"].to_numpy(np.float64) if "distance_m" in judged else np.full(len(judged), np.nan)
    named = [_stretch(times, along, *(int(np.searchsorted(since, moment)) for moment in spans[k])) for k in kept]
    more = len(spans) - len(kept)
    rest = f"; and {wording.count(more, 'shorter stretch', 'shorter stretches')}" if more else ""
    return f"where it is not trusted: {'; '.join(named)}{rest}"


def _stretch(times: pd.DatetimeIndex, along_m: NDArray[np.float64], first: int, last: int) -> str:
    """Return "km 3.42–3.80 (09:12:03 to 09:12:41 UTC)"."""
    begin, end = times[first], times[last]
    form = "%H:%M:%S" if begin.floor("D") == end.floor("D") == times[0].floor("D") else "%d.%m. %H:%M:%S"
    span = f"{begin:{form}} to {end:{form}} UTC" if begin.floor("s") != end.floor("s") else f"{begin:{form}} UTC"
    place = wording.reach(float(along_m[first]), float(along_m[last]))
    return span if place == wording.ABSENT else f"{place} ({span})"
