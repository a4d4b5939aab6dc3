"""summary.json: what other programs read first. Written last, it marks a result as complete."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np
import pandas as pd

from analyzer.assessment import Assessment
from analyzer.metrics.base_site_sent import sent_positions
from analyzer.metrics.metric import Metric
from analyzer.recording import Source
from analyzer.verdict.headline import Headline, headline_of

SCHEMA_VERSION = 1


def summary(assessment: Assessment) -> dict[str, Any]:
    """Return the content of summary.json (DEVELOPERS.md, Result folder), JSON-safe."""
    epochs = assessment.epochs
    content = {
        "schema_version": SCHEMA_VERSION,
        "run": assessment.run or "run",
        "vehicle": assessment.setup.get("vehicle"),
        "start_utc": epochs.index[0],
        "end_utc": epochs.index[-1],
        "epochs": len(epochs),
        "sources": [source_entry(s) for s in assessment.recording.sources],
        "metrics": [metric_entry(m) for m in assessment.metrics.values],
        "verdict": _verdict_entry(assessment),
        "setup": assessment.setup,
        "setup_items": [asdict(i) for i in assessment.setup_items],
        "base": _base_entry(assessment),
        "bounds": bounds_entry(headline_of(assessment)),
        "dropouts": _rows(assessment.dropouts),
        "windows": _rows(assessment.windows),
        "standstills": _rows(assessment.standstills),
        "frame": {
            "relative_to": "base",
            "name": assessment.setup.get("frame"),
            "origin": assessment.metrics.origin,
            "absolute": assessment.absolute,
        },
        "cannot_show": assessment.cannot_show,
        "versions": assessment.versions,
    }
    safe: dict[str, Any] = json_safe(content)
    return safe


def _base_entry(assessment: Assessment) -> dict[str, Any]:
    """Return where the base is taken to stand, and what it sent."""
    used = asdict(assessment.base) if assessment.base is not None else None
    return {"used": used, "sent": [asdict(x) for x in sent_positions(assessment.recording.corrections)]}


def _verdict_entry(assessment: Assessment) -> dict[str, Any]:
    """Return the verdict with the purpose it was judged for and all findings."""
    verdict, purpose = assessment.verdict, assessment.purpose
    return {
        "level": verdict.level,
        "sentences": verdict.sentences,
        "rules_version": verdict.rules_version,
        "without": assessment.without,
        "purpose": {
            "name": purpose.name,
            "title": purpose.title,
            "sha256": purpose.sha256,
            "margin": purpose.margin,
            "limits": [asdict(x) for x in purpose.limits],
        },
        "findings": [asdict(f) for f in assessment.findings],
        "share_trusted": headline_of(assessment).share_trusted,
    }


def source_entry(source: Source) -> dict[str, Any]:
    """Return one source with its ledger."""
    ledger = source.ledger
    return {
        "name": source.name,
        "format": source.format,
        "place": source.place,
        "sha256": source.sha256,
        "stored_size": source.stored_size,
        "unpacked_size": source.unpacked_size,
        "ledger": {
            "unit": ledger.unit,
            "size": ledger.size,
            "balanced": ledger.balanced,
            "unused": ledger.unused,
            "entries": [asdict(e) for e in ledger.entries],
        },
    }


def bounds_entry(figures: Headline) -> dict[str, Any]:
    """Return percentiles of the bound and the availability by axis.

    ``trusted`` speaks of the horizontal bound of the trusted time, each of ``axes`` of the time that has a bound; the shares of
    ``availability`` (limit, time, distance) count time without a bound as outside. None of them is an accuracy of EN 16803.
    """
    percentiles = ("bound_p50_m", "bound_p75_m", "bound_p95_m")
    own = ("axis", "limit_m", *percentiles, "share_time_within_limit", "share_distance_within_limit", "share_time_within_margin",
           "share_distance_within_margin")
    return {
        "trusted": {name: getattr(figures, name) for name in (*percentiles, "bound_worst_trusted_m")},
        "axes": [{name: getattr(entry, name) for name in own} | {"availability": _rows(entry.table)} for entry in figures.availability],
    }


def metric_entry(metric: Metric) -> dict[str, Any]:
    """Return one metric: key, value, unit, n, method; or not_evaluated with its reason instead of a value."""
    entry: dict[str, Any] = {"key": metric.key, "unit": metric.unit, "n": metric.n, "method": metric.method}
    if metric.not_evaluated is not None:
        return entry | {"value": None, "not_evaluated": metric.not_evaluated}
    return entry | {"value": metric.value, "interval": metric.interval, "evidence": dict(metric.evidence)}


def json_safe(value: object) -> Any:
    """Return `value` with numpy, time and missing values turned into what JSON knows; missing is null."""
    if isinstance(value, Mapping):
        return {str(k): json_safe(v) for k, v in value.items()}
    if isinstance(value, (list, tuple, set, np.ndarray)):
        return [json_safe(v) for v in value]
    if value is None or value is pd.NaT or value is pd.NA:
        return None
    if isinstance(value, pd.Timestamp):
        return value.tz_convert("UTC").isoformat().replace("+00:00", "Z") if value.tzinfo else value.isoformat()
    if isinstance(value, np.generic):
        return json_safe(value.item())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, (str, bool, int)):
        return value
    return str(value)


def _rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [dict(zip(frame.columns, row, strict=True)) for row in frame.itertuples(index=False, name=None)]
