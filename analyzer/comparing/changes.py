"""Better or worse over time: a rank test between days with effective sample sizes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from analyzer.metrics.independence import effective_samples
from analyzer.settings import thresholds

Array = NDArray[np.float64]
_LONGEST = 4096
#: Runs of a day from which on a test between days is worth much: two tell nothing of how runs of a day differ.
ENOUGH_RUNS = 3


@dataclass(frozen=True)
class Quantity:
    """A quantity per epoch that is compared over time; `better` is +1 where more is better, else -1."""

    key: str
    label: str
    unit: str
    edges: Array
    better: int
    part: float


def _log_edges(low: float, high: float, count: int) -> Array:
    return np.asarray(np.r_[-np.inf, np.geomspace(low, high, count), np.inf], dtype=np.float64)


QUANTITIES = (
    Quantity("share_trusted", "share trusted, in motion", "1", np.array([-np.inf, 0.5, np.inf]), 1, -1.0),
    Quantity("share_fixed", "share fixed, in motion", "1", np.array([-np.inf, 0.5, np.inf]), 1, -1.0),
    Quantity("bound_p95_m", "95th percentile of the error bound, in motion", "m", _log_edges(0.005, 200.0, 240), -1, 0.95),
    Quantity("age_p95_s", "95th percentile of the correction age, in motion", "s", _log_edges(0.05, 600.0, 240), -1, 0.95),
    Quantity(
        "satellites_p5", "5th percentile of satellites used, in motion", "1", np.r_[-np.inf, np.arange(0.5, 80.0), np.inf], 1, 0.05
    ),
)


@dataclass(frozen=True)
class RunSample:
    """What a run contributes: counts per bin of each quantity, effective sample size, figure and interval."""

    run: int
    counts: Mapping[str, Array]
    worth: Mapping[str, float]
    value: Mapping[str, float]
    interval: Mapping[str, tuple[float, float]]


def sample_run(run: int, epochs: pd.DataFrame, use: NDArray[np.int64]) -> RunSample:
    """Return the sample of a run from the epochs `use` (those in motion)."""
    state = epochs["fix_state"].astype(object).to_numpy()[use]
    series = {
        "share_trusted": (epochs["trust"] == "trusted").to_numpy()[use].astype(np.float64),
        "share_fixed": (state == "fixed").astype(np.float64),
        "bound_p95_m": epochs["horizontal_bound_m"].to_numpy(np.float64)[use],
        "age_p95_s": epochs["correction_age_s"].to_numpy(np.float64)[use],
        "satellites_p5": epochs["satellites_used"].to_numpy(np.float64)[use],
    }
    counts, worth, value, interval = {}, {}, {}, {}
    for quantity in QUANTITIES:
        values = series[quantity.key]
        values = values[np.isfinite(values)]
        if len(values) < 30:
            continue
        counts[quantity.key] = np.histogram(values, quantity.edges)[0].astype(np.float64)
        thin = values[:: max(1, -(-len(values) // _LONGEST))]
        n_eff = effective_samples(thin)[0] if np.ptp(thin) > 0 else float(min(len(thin), 60))
        worth[quantity.key] = n_eff
        value[quantity.key], interval[quantity.key] = _figure(values, quantity.part, n_eff)
    return RunSample(run, counts, worth, value, interval)


def _figure(values: Array, part: float, n_eff: float) -> tuple[float, tuple[float, float]]:
    """Return a share or a percentile with its 95 % interval: Wilson, or ranks, with the effective sample size."""
    if part < 0:
        share, z2 = float(values.mean()), 1.959964**2
        middle = (share + z2 / (2 * n_eff)) / (1 + z2 / n_eff)
        half = 1.959964 / (1 + z2 / n_eff) * float(np.sqrt(share * (1 - share) / n_eff + z2 / (4 * n_eff**2)))
        return share, (max(0.0, middle - half), min(1.0, middle + half))
    spread = 1.959964 * float(np.sqrt(part * (1 - part) / n_eff))
    low, middle, high = np.quantile(values, [max(0.0, part - spread), part, min(1.0, part + spread)])
    return float(middle), (float(low), float(high))


CHANGE_COLUMNS = (
    "quantity",
    "label",
    "from_day",
    "to_day",
    "from_value",
    "to_value",
    "unit",
    "effect",
    "worse",
    "p_value",
    "p_holm",
    "found",
    "from_runs",
    "to_runs",
    "n_eff_from",
    "n_eff_to",
    "words",
)


def changes(samples: Sequence[RunSample], day: Sequence[str]) -> pd.DataFrame:
    """Return the tested change of every quantity between neighbouring days of `samples` (`CHANGE_COLUMNS`), worse and surest first.

    Rank scores of all epochs (midranks, pooled with equal weight per run) are averaged per run; their variance is
    1/(12 n_eff) within a run, plus what runs of one day differ among each other. `effect` is the chance that an epoch
    of the later day is larger than one of the earlier. Holm over all tests.
    """
    days = sorted({day[s.run] for s in samples})
    rows = []
    for quantity in QUANTITIES:
        own = [s for s in samples if quantity.key in s.counts]
        scores = _scores(own, quantity.key)
        if scores is None:
            continue
        for first, second in pairwise(days):
            row = _change(quantity, own, scores, [day[s.run] for s in own], first, second)
            if row is not None:
                rows.append(row)
    if not rows:
        return pd.DataFrame(columns=list(CHANGE_COLUMNS))
    table = pd.DataFrame(rows)
    table = tested(table)
    table["words"] = [_words(row) for _, row in table.iterrows()]
    return surest_first(table)[list(CHANGE_COLUMNS)]


def tested(table: pd.DataFrame) -> pd.DataFrame:
    """Add Holm's p-value over all rows, and whether it is below the level."""
    adjusted = holm(table["p_value"].to_numpy())
    return table.assign(p_holm=adjusted, found=adjusted < thresholds("analyzer.comparing")["change.level"])


def surest_first(table: pd.DataFrame) -> pd.DataFrame:
    """Order by what was found, then what became worse, then p."""
    order = np.lexsort((table["p_holm"], ~table["worse"], ~table["found"]))
    return table.iloc[order].reset_index(drop=True)


def _scores(samples: Sequence[RunSample], key: str) -> tuple[Array, Array] | None:
    """Return mean rank score (0 to 1) and its variance per run, or None without two runs."""
    if len(samples) < 2:
        return None
    shares = np.stack([s.counts[key] / s.counts[key].sum() for s in samples])
    pooled = shares.mean(axis=0)
    rank = np.cumsum(pooled) - 0.5 * pooled
    mean = shares @ rank
    spread = np.maximum(shares @ rank**2 - mean**2, 0.0)
    overall = float(pooled @ rank**2 - 0.25)
    worth = np.array([s.worth[key] for s in samples])
    worth = np.minimum(worth, np.median(worth))
    return mean, np.maximum(spread, 0.25 * max(overall, 1e-6)) / worth


def _change(
    quantity: Quantity,
    samples: Sequence[RunSample],
    scores: tuple[Array, Array],
    days: Sequence[str],
    first: str,
    second: str,
) -> dict[str, object] | None:
    a, b = (np.array([d == x for d in days]) for x in (first, second))
    if not a.any() or not b.any():
        return None
    mean, variance = scores
    between, degrees = _between(mean, variance, days)
    spread = float(sum((between + variance[m].mean()) / m.sum() for m in (a, b)))
    difference = float(mean[b].mean() - mean[a].mean())
    ratio = abs(difference) / np.sqrt(spread)
    own = np.array([s.worth[quantity.key] for s in samples])
    freedom = float(min(own[a].sum(), own[b].sum())) - 1.0
    freedom = max(min(freedom, float(degrees)) if degrees and between > 0 else freedom, 1.0)
    p_value = float(2 * stats.t.sf(ratio, freedom))
    values = np.array([s.value[quantity.key] for s in samples])
    return {
        "quantity": quantity.key,
        "label": quantity.label,
        "from_day": first,
        "to_day": second,
        "unit": quantity.unit,
        "from_value": float(np.median(values[a])),
        "to_value": float(np.median(values[b])),
        "effect": _chance([s for s, d in zip(samples, days, strict=True) if d == first], [s for s, d in zip(samples, days, strict=True) if d == second], quantity.key),
        "worse": bool(difference * quantity.better < 0),
        "p_value": p_value,
        "from_runs": int(a.sum()),
        "to_runs": int(b.sum()),
        "n_eff_from": float(own[a].sum()),
        "n_eff_to": float(own[b].sum()),
    }


def _chance(earlier: Sequence[RunSample], later: Sequence[RunSample], key: str) -> float:
    """Return the chance that an epoch of `later` is larger than one of `earlier`, ties halved, each run counting alike."""
    before, behind = (np.mean([s.counts[key] / s.counts[key].sum() for s in runs], axis=0) for runs in (earlier, later))
    return float(np.clip(behind @ (np.cumsum(before) - before / 2), 0.0, 1.0))


def _between(mean: Array, variance: Array, days: Sequence[str]) -> tuple[float, int]:
    """Return the variance of runs of one day among each other beyond their own, and its degrees of freedom."""
    squares, degrees, within = 0.0, 0, 0.0
    for day in sorted(set(days)):
        own = np.array([d == day for d in days])
        if own.sum() > 1:
            squares += float(((mean[own] - mean[own].mean()) ** 2).sum())
            degrees += int(own.sum()) - 1
            within += float(variance[own].mean()) * (int(own.sum()) - 1)
    return (max(0.0, (squares - within) / degrees), degrees) if degrees else (0.0, 0)


def holm(p_values: Array) -> Array:
    """Return Holm's adjusted p-values (Holm, Scand. J. Statist. 6, 1979, from memory)."""
    order = np.argsort(p_values)
    raw = p_values[order] * np.arange(len(p_values), 0, -1)
    out = np.empty(len(p_values))
    out[order] = np.minimum(1.0, np.maximum.accumulate(raw))
    return out


def direction(found: bool, worse: bool, *, alike: bool) -> str:
    """Return where a change leads; `alike` where the figure is the same on both days, so that only its distribution changed."""
    if not found:
        return "no change beyond chance"
    return ("worse" if worse else "better") + (" over all epochs" if alike else "")


def _words(row: pd.Series) -> str:
    what = direction(row["found"], row["worse"], alike=row["from_value"] == row["to_value"])
    said = f"{row['label']}: {row['from_value']:.3g} to {row['to_value']:.3g} {row['unit'].replace('1', '')}".rstrip()
    few = (
        ""
        if row["from_runs"] > 1 and row["to_runs"] > 1
        else "; one run on a day, so this is between runs rather than days"
    )
    if not row["found"]:
        scarce = "; so few runs a day show large changes only" if min(row["from_runs"], row["to_runs"]) < ENOUGH_RUNS else ""
        return f"{said} ({row['from_day']} to {row['to_day']}): {what} (p {row['p_holm']:.2g}{scarce})"
    return f"{said} ({row['from_day']} to {row['to_day']}): {what} (p {row['p_holm']:.2g}{few})"
