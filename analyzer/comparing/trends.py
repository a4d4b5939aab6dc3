"""Better or worse over many runs: a rank correlation with time and the slope per day."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from analyzer.comparing.changes import QUANTITIES, Quantity, RunSample, surest_first, tested
from analyzer.comparing.rows import records
from analyzer.settings import thresholds

Array = NDArray[np.float64]
TREND_COLUMNS = (
    "quantity",
    "label",
    "runs",
    "tau",
    "slope_per_day",
    "slope_low",
    "slope_high",
    "unit",
    "worse",
    "p_value",
    "p_holm",
    "found",
    "words",
)


def trends(samples: Sequence[RunSample], days_since: Array) -> pd.DataFrame:
    """Return the trend of every quantity over the runs (`TREND_COLUMNS`): Kendall's τ, Theil-Sen slope per day."""
    rows = []
    for quantity in QUANTITIES:
        own = [s for s in samples if quantity.key in s.value]
        time = np.array([days_since[s.run] for s in own])
        row = _trend(quantity, time, np.array([s.value[quantity.key] for s in own]))
        if row is not None:
            rows.append(row)
    if not rows:
        return pd.DataFrame(columns=list(TREND_COLUMNS))
    table = tested(pd.DataFrame(rows))
    table["words"] = [_trend_words(row) for row in records(table)]
    return surest_first(table)[list(TREND_COLUMNS)]


def _trend(quantity: Quantity, time: Array, values: Array) -> dict[str, object] | None:
    """Return the trend of one quantity over `time` [days], None with too few runs or without any spread."""
    if len(values) < thresholds("analyzer.comparing")["trend.least_runs"] or np.ptp(values) == 0 or np.ptp(time) == 0:
        return None
    tau, p_value = stats.kendalltau(time, values)
    slope, _, low, high = stats.theilslopes(values, time)
    return {
        "quantity": quantity.key,
        "label": quantity.label,
        "runs": len(values),
        "tau": float(tau),
        "slope_per_day": float(slope),
        "slope_low": float(low),
        "slope_high": float(high),
        "unit": quantity.unit,
        "worse": bool(tau * quantity.better < 0),
        "p_value": float(p_value),
    }


def _trend_words(row: Any) -> str:
    said = f"{row.label}: {row.slope_per_day:+.3g} {row.unit.replace('1', '')} a day over {row.runs} runs, "
    if not row.found:
        return f"{said}no trend beyond chance (p {row.p_holm:.2g})"
    return f"{said}{'worse' if row.worse else 'better'} (p {row.p_holm:.2g})"
