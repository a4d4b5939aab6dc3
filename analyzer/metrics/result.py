"""Everything `measure` returns for one recording."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from markupsafe import Markup

from analyzer.html_table import items, table
from analyzer.metrics.metric import Metric
from analyzer.recording import Finding


@dataclass(frozen=True)
class Metrics:
    """Figures and tables of the trade for one recording.

    Attributes
    ----------
    values : one `Metric` per key.
    epochs : one row per epoch of ``Recording.fixes``, same index: ``interval_s`` (time the epoch counts for, NaN across
        a gap), ``distance_m`` (along the route, not growing at rest, no straight line across an interruption), ``east_m``
        ``north_m`` ``up_m`` (local, about `origin`), ``moving`` (bool), ``standstill_id`` and ``dropout_id``
        (Int32, NA for none), ``base_distance_m``.
    stretches : fix-state runs: ``fix_state start_utc end_utc duration_s distance_m n``.
    transitions : ``from_state to_state n``.
    gaps : missing epochs: ``start_utc end_utc duration_s missing start_distance_m bridged_m`` and the places of both ends.
    standstills : layout of standstills.csv.
    dropouts : layout of dropouts.csv; cause and advice are a first reading that the verdict layer may better.
    tables : further tables by name, of what was recorded beside the positions.
    origin : ``(latitude_deg, longitude_deg, height_m)`` of the local frame, or None without a position.

    In a notebook it shows itself as a compact table.
    """

    values: tuple[Metric, ...]
    epochs: pd.DataFrame
    stretches: pd.DataFrame
    transitions: pd.DataFrame
    gaps: pd.DataFrame
    standstills: pd.DataFrame
    dropouts: pd.DataFrame
    origin: tuple[float, float, float] | None = None
    findings: tuple[Finding, ...] = field(default=())
    tables: Mapping[str, pd.DataFrame] = field(default_factory=dict)

    def __getitem__(self, key: str) -> Metric:
        """Return the metric called `key`."""
        for metric in self.values:
            if metric.key == key:
                return metric
        raise KeyError(key)

    def _repr_html_(self) -> str:
        """Return the figures as a compact table, for a notebook; those not evaluated with the reason why."""
        rows = [
            (m.key, _shown(m.value), "" if m.unit == "-" else m.unit, f"{m.n}", m.method) for m in self.values if m.evaluated
        ]
        shown = table(("figure", "value", "unit", "samples", "how"), rows, right=(1, 3))
        missing = [f"{m.key}: {m.not_evaluated}" for m in self.values if not m.evaluated]
        if not missing:
            return str(shown)
        return str(shown + Markup("<details><summary>Not evaluated: {}</summary>{}</details>").format(len(missing), items(missing)))


def _shown(value: float | int | str | None) -> str:
    """Return a value as text: counts whole, other numbers with four digits and never as a power of ten."""
    if isinstance(value, float):
        return np.format_float_positional(value, precision=4, unique=False, fractional=False, trim="-")
    return str(value)
