"""What the station ids of a log say of a dropout: another base was heard over one's own, or came in its place."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analyzer.settings import thresholds

if TYPE_CHECKING:
    from analyzer.metrics.dropout_causes import Scene

#: What follows in words on another station that was heard beside another cause.
TOO = " as well"


def replaced_base(start_s: float, end_s: float, scene: Scene) -> str:
    """Return in words that corrections were gone and came back under a station id that stayed, or an empty text.

    A stranger's base is heard over one's own: the age does not climb, and sooner or later one's own is heard again.
    """
    when = scene.station_changes["time_s"].to_numpy(dtype=np.float64)
    ages = scene.during(scene.age_s, start_s, end_s)
    last = len(when) - 1
    if last < 0 or not len(ages) or ages.max() <= scene.fresh_s:
        return ""
    gone_s = start_s + scene.fresh_s
    row = scene.station_changes.iloc[last]
    if not gone_s < when[last] < end_s + thresholds("analyzer.metrics")["cause.near_s"] or (scene.station_changes["from_id"] == row["to_id"]).any():
        return ""
    return (f"corrections stopped, the age climbed to {ages.max():.1f} s, and they came back from station {int(row['to_id'])} in place of "
            f"{int(row['from_id'])}, which was not heard again: another base, or the base set up anew")


def other_station(start_s: float, end_s: float, scene: Scene) -> str:
    """Return in words that another station id appeared at or in a dropout, or an empty text."""
    near = thresholds("analyzer.metrics")["cause.near_s"]
    when = scene.station_changes["time_s"].to_numpy(dtype=np.float64)
    rows = scene.station_changes[(when >= start_s - near) & (when < end_s + 1e-6)]
    if not len(rows):
        return ""
    row = rows.iloc[0]
    return f"the station id changed from {int(row['from_id'])} to {int(row['to_id'])}: another base was heard"
