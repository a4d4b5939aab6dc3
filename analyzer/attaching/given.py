"""Results that are joined: an assessment in memory, a result folder, or several of them one after the other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analyzer.assessment import Assessment
from analyzer.attaching.join import EPOCH_COLUMNS, Quality
from analyzer.attaching.sidecar import result_entry, summary_entry
from analyzer.errors import UsageError
from analyzer.results.load import LoadedResult, load_result

#: What the clocks are proved with, beside what is joined.
MOTION = ("course_deg", "heading_deg", "yaw_rate_radps")
Result = Assessment | LoadedResult | str | Path


@dataclass(frozen=True)
class Given:
    """Quality of one or several results, what the sidecar says of each, and the limits of the purpose."""

    quality: Quality
    entries: tuple[Mapping[str, Any], ...]
    limit_m: float
    margin: float


def given(results: Result | Sequence[Result]) -> Given:
    """Return what is joined from `results`.

    Raises
    ------
    InputError : a folder is no complete result.
    UsageError : no result, or two that cover the same time.
    """
    several = list(results) if isinstance(results, (list, tuple)) else [results]
    if not several:
        raise UsageError("no result was named: pass the folder that 'postdrive assess --out' has written.")
    parts = [_one(r) for r in several]  # type: ignore[arg-type]
    parts.sort(key=lambda p: p[0].epochs.index[0])
    for before, after in pairwise(parts):
        if after[0].epochs.index[0] <= before[0].epochs.index[-1]:
            raise UsageError(f"the results {before[1]['run']} and {after[1]['run']} cover the same time; pass results that follow one another.")
    purpose = dict(parts[0][1].get("verdict", {}).get("purpose") or {})
    limit = next((x["value"] for x in purpose.get("limits", []) if x.get("axis") == "horizontal" and x.get("quantity") == "position"), np.nan)
    quality = parts[0][0] if len(parts) == 1 else _joined([p[0] for p in parts])
    return Given(quality, tuple(p[1] for p in parts), float(limit), float(purpose.get("margin") or 1.0))


def _one(result: Result) -> tuple[Quality, Mapping[str, Any]]:
    columns = [*EPOCH_COLUMNS, *MOTION]
    if isinstance(result, Assessment):
        from analyzer.results.summary import summary

        epochs = result.epochs[[c for c in columns if c in result.epochs]]
        return Quality(epochs, result.dropouts, result.windows), summary_entry(summary(result), folder=None)
    loaded = result if isinstance(result, LoadedResult) else load_result(result)
    known = set(loaded.epoch_columns)
    epochs = loaded.epochs([c for c in columns if c in known])
    return Quality(epochs, loaded.table("dropouts"), loaded.table("windows")), result_entry(loaded)


def _joined(parts: Sequence[Quality]) -> Quality:
    """Return several results as one; numbers of dropouts run on, so that each stays one dropout."""
    dropouts, last = [], 0
    for part in parts:
        table = part.dropouts.assign(dropout_id=part.dropouts["dropout_id"].astype("Int64") + last)
        last = int(table["dropout_id"].max()) if len(table) else last
        dropouts.append(table)
    epochs = pd.concat([p.epochs.astype({c: object for c in ("fix_state", "trust") if c in p.epochs}) for p in parts])
    nominal = float(np.median([p.interval_s for p in parts]))
    filled = [d for d in dropouts if len(d)] or dropouts[:1]
    windows = [p.windows for p in parts if len(p.windows)] or [parts[0].windows]
    return Quality(epochs, pd.concat(filled, ignore_index=True), pd.concat(windows, ignore_index=True), nominal)
