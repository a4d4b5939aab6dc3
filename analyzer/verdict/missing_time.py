"""For how long epochs are missing from the time that is judged: a position that was not logged is not one that can be used."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analyzer.metrics.result import Metrics
from analyzer.settings import thresholds


def missing_time(judged: pd.DataFrame, metrics: Metrics) -> float:
    """Return the time [s] without epochs inside `judged`, beyond the usual interval each.

    Parameters
    ----------
    judged : epochs that are judged; needs ``source_id``.
    metrics : of the run; a gap counts where both epochs beside it are judged.

    Notes
    -----
    Where one file ends and another begins, and where for `verdict.pause` and more the car stood at one place, or stood before and after,
    the recording paused and nothing is missing: who parks ends the recording, and may begin it anew elsewhere.
    """
    limits, gaps = thresholds("analyzer.verdict"), metrics.gaps
    if not len(gaps) or not len(judged):
        return 0.0
    before, after = (judged.index.get_indexer(pd.DatetimeIndex(gaps[name])) for name in ("start_utc", "end_utc"))
    inside = (before >= 0) & (after >= 0)
    source = judged["source_id"].to_numpy() if "source_id" in judged else np.zeros(len(judged))
    same = inside & (source[before] == source[after])
    duration = gaps["duration_s"].to_numpy(np.float64)
    parked = gaps["bridged_m"].to_numpy(np.float64) < limits["verdict.stood"]
    if "standstill_id" in metrics.epochs:
        ids = metrics.epochs["standstill_id"].reindex(judged.index).notna().to_numpy()
        parked |= ids[before] & ids[after]
    stood = (duration >= limits["verdict.pause"]) & parked
    rate = metrics["rate_hz"].value
    usual = 1 / float(rate) if isinstance(rate, (int, float)) and rate else 0.0
    return float(np.clip(duration[same & ~stood] - usual, 0.0, None).sum())
