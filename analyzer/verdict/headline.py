"""The few figures that say how good a run is: bounds of the trusted time, shares, availability, time lost."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import tables
from analyzer.verdict.judge import BOUND_OF_AXIS
from analyzer.verdict.purposes import limit_95

if TYPE_CHECKING:
    from analyzer.assessment import Assessment, Purpose

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
#: Position axes in the order in which they are shown.
AXES = ("horizontal", "across", "along", "vertical")
#: Points of an availability curve; more would not be seen.
CURVE_POINTS = 300
#: Lengths [m] at which the availability is tabled, beside the purpose's own limit.
TABLED_M = (0.01, 0.02, 0.03, 0.05, 0.1, 0.2, 0.3, 0.5, 1.0, 2.0, 5.0, 10.0)
#: Shares of the time for which the bound is reported.
SHARES = (0.5, 0.75, 0.95)


@dataclass(frozen=True)
class Availability:
    """How much of the run has an error bound of at most a given length, on one axis.

    Attributes
    ----------
    axis : horizontal, across, along or vertical.
    limit_m : the purpose's 95 % limit [m], None where it has none on this axis.
    bound_p50_m, bound_p75_m, bound_p95_m : length [m] that the bound keeps within for 50, 75 and 95 % of the time that has a
        bound; NaN where no epoch has one. Percentiles of the bound, not of an error: those take a reference (EN 16803).
    share_time_within_limit, share_distance_within_limit : share (0 to 1) of all recorded time, and of the distance,
        with a bound of at most the limit; time without a bound counts as outside. NaN without a limit.
    share_time_within_margin, share_distance_within_margin : the same for the limit over the purpose's margin.
    curve : ``bound_m share_time share_distance``, rising; its last shares are below 1 where some time has no bound.
    table : ``limit_m share_time share_distance`` at `TABLED_M` and the purpose's limit.
    """

    axis: str
    limit_m: float | None
    bound_p50_m: float
    bound_p75_m: float
    bound_p95_m: float
    share_time_within_limit: float
    share_distance_within_limit: float
    share_time_within_margin: float
    share_distance_within_margin: float
    curve: pd.DataFrame
    table: pd.DataFrame


@dataclass(frozen=True)
class Lost:
    """All dropouts of one kind: their number, whole and longest duration [s], and where the longest begins [m].

    `longest_start_m` is NaN where the longest has no known place.
    """

    kind: str
    n: int
    total_s: float
    longest_s: float
    longest_start_m: float


@dataclass(frozen=True)
class Headline:
    """What the first screen says in figures.

    Attributes
    ----------
    recorded_s : time [s] the epochs count for: each until the next one, or one usual interval where epochs are missing.
    trusted_s, share_trusted : the part of it that is trusted [s], and its share (0 to 1), NaN without an epoch.
    epochs_not_trusted : epochs of any other trust.
    bound_p50_m, bound_p75_m, bound_p95_m : length [m] that the horizontal bound keeps within for that share of the
        trusted time; NaN where nothing is trusted.
    bound_worst_trusted_m : largest horizontal bound [m] of a trusted epoch, NaN where there is none.
    bound_best_m : smallest horizontal bound [m] of any epoch, NaN where there is none.
    availability : one entry per axis.
    lost : one entry per kind of dropout that occurs, in the order of `tables.DROPOUT_KINDS`.
    trusted_p95_m : per axis the length [m] that its bound keeps within for 95 % of the trusted time, NaN where none is trusted; that of the
        horizontal one is `bound_p95_m`.
    """

    recorded_s: float
    trusted_s: float
    share_trusted: float
    epochs_not_trusted: int
    bound_p50_m: float
    bound_p75_m: float
    bound_p95_m: float
    bound_worst_trusted_m: float
    bound_best_m: float
    availability: tuple[Availability, ...]
    lost: tuple[Lost, ...]
    trusted_p95_m: Mapping[str, float]

    def lost_by(self, kind: str) -> Lost | None:
        """Return the dropouts of one kind, None where there is none."""
        return next((entry for entry in self.lost if entry.kind == kind), None)


def headline(epochs: pd.DataFrame, interval_s: Array, dropouts: pd.DataFrame, purpose: Purpose) -> Headline:
    """Return the headline figures of a judged run.

    Parameters
    ----------
    epochs : layout of `tables.EPOCHS`; needs ``trust`` and the bounds.
    interval_s : time [s] to the next epoch, NaN across a gap and for the last epoch, as in `Metrics.epochs`.
    dropouts : layout of dropouts.csv.
    purpose : whose limits and margin are meant.
    """
    time = time_weight(interval_s)
    distance = distance_weight(_number(epochs, "distance_m"), interval_s)
    trusted = np.asarray(epochs["trust"] == "trusted", dtype=bool)
    bound = _number(epochs, BOUND_OF_AXIS["horizontal"])
    held = trusted & np.isfinite(bound)
    p50, p75, p95 = _quantiles(bound, time, held, SHARES)
    return Headline(
        recorded_s=float(time.sum()), trusted_s=float(time[trusted].sum()), share_trusted=_share(time, trusted),
        epochs_not_trusted=int((~trusted).sum()), bound_p50_m=p50, bound_p75_m=p75, bound_p95_m=p95,
        bound_worst_trusted_m=float(bound[held].max()) if held.any() else float("nan"),
        bound_best_m=float(np.nanmin(bound)) if np.isfinite(bound).any() else float("nan"),
        availability=tuple(_availability(axis, epochs, time, distance, purpose=purpose) for axis in AXES),
        lost=tuple(_lost(kind, dropouts[dropouts["kind"] == kind]) for kind in tables.DROPOUT_KINDS
                   if "kind" in dropouts and (dropouts["kind"] == kind).any()),
        trusted_p95_m={axis: _trusted_p95(_number(epochs, BOUND_OF_AXIS[axis]), time, trusted) for axis in AXES if axis != "horizontal"},
    )


def _trusted_p95(bound: Array, time: Array, trusted: Flags) -> float:
    """Return the length [m] that `bound` keeps within for 95 % of the trusted time."""
    return _quantiles(bound, time, trusted & np.isfinite(bound), (0.95,))[0]


def ages_untold_s(assessment: Assessment) -> float:
    """Return for how long [s] of the losses of fixed no age of corrections was logged: what became of them meanwhile nobody knows."""
    epochs, drops = assessment.epochs, assessment.dropouts
    if not len(drops) or "dropout_id" not in epochs:
        return 0.0
    losses = drops.loc[drops["kind"] == "fix_loss", "dropout_id"]
    time = time_weight(_number(assessment.metrics.epochs.reindex(epochs.index), "interval_s"))
    return float(time[epochs["dropout_id"].isin(losses).to_numpy() & ~np.isfinite(_number(epochs, "correction_age_s"))].sum())


def headline_of(assessment: Assessment) -> Headline:
    """Return the headline that `assessment` carries, or form it from its tables."""
    if assessment.headline is not None:
        return assessment.headline
    local = assessment.metrics.epochs.reindex(assessment.epochs.index)
    return headline(assessment.epochs, _number(local, "interval_s"), assessment.dropouts, assessment.purpose)


def time_weight(interval_s: Array) -> Array:
    """Return the time [s] each epoch counts for: until the next one; the median interval where that is unknown.

    An epoch before missing epochs counts for one usual interval, not for the gap. Where no interval is known at all,
    every epoch counts for 1 s.
    """
    known = np.isfinite(interval_s)
    usual = np.median(interval_s[known], overwrite_input=True) if known.any() else 1.0
    return np.where(known, interval_s, usual)


def distance_weight(distance_m: Array, interval_s: Array) -> Array:
    """Return the distance [m] from each epoch to the next; 0 across a gap and where it is unknown."""
    steps = np.full(len(distance_m), np.nan)
    np.subtract(distance_m[1:], distance_m[:-1], out=steps[:-1])
    unknown = ~(np.isfinite(steps) & np.isfinite(interval_s))
    np.maximum(steps, 0.0, out=steps)
    steps[unknown] = 0.0
    return steps


def quantile(values: Array, weight: Array, share: float) -> float:
    """Return the smallest of `values` that at least `share` of the `weight` does not exceed; NaN without values."""
    return _quantiles(values, weight, np.ones(len(values), dtype=bool), (share,))[0]


def _quantiles(values: Array, weight: Array, chosen: Flags, shares: Sequence[float]) -> list[float]:
    """Return the quantiles of the `chosen` rows, see `quantile`."""
    rows = _rising(values, chosen)
    return _at_shares(values, rows, _reached(weight, rows), shares)


def _rising(values: Array, chosen: Flags) -> NDArray[np.int64]:
    """Return the `chosen` rows in rising order of their values; of all rows without a copy of the values."""
    if chosen.all():
        return np.argsort(values, kind="stable")
    rows = np.flatnonzero(chosen)
    return np.asarray(rows[np.argsort(values[rows], kind="stable")])


def _reached(weight: Array, rows: NDArray[np.int64]) -> Array:
    """Return the weight of each of the `rows` and those before it."""
    reached = weight[rows]
    np.cumsum(reached, out=reached)
    return reached


def _at_shares(values: Array, rows: NDArray[np.int64], reached: Array, shares: Sequence[float]) -> list[float]:
    """Return the value of the first of the rising `rows` that has `reached` each share of the weight."""
    if not len(rows):
        return [float("nan")] * len(shares)
    # A sum of many equal weights misses a whole share by rounding alone.
    at = (int(np.searchsorted(reached, share * reached[-1] * (1 - 1e-12))) for share in shares)
    return [float(values[rows[min(place, len(rows) - 1)]]) for place in at]


def _availability(axis: str, epochs: pd.DataFrame, time: Array, distance: Array, *, purpose: Purpose) -> Availability:
    """Return the availability on one axis."""
    bound = _number(epochs, BOUND_OF_AXIS[axis])
    known = np.isfinite(bound)
    found = next((x for x in purpose.limits if x.quantity == "position" and x.axis == axis), None)
    limit = None if found is None else limit_95(found)
    shares = [float("nan")] * 4
    if limit is not None:
        within = (known & (bound * margin <= limit) for margin in (1.0, purpose.margin))
        shares = [_share(weight, inside) for inside in within for weight in (time, distance)]
    percentiles, curve, table = _curve(bound, known, (time, distance), sorted({*TABLED_M, *([] if limit is None else [limit])}))
    return Availability(
        axis, limit, bound_p50_m=percentiles[0], bound_p75_m=percentiles[1], bound_p95_m=percentiles[2], share_time_within_limit=shares[0], share_distance_within_limit=shares[1],
        share_time_within_margin=shares[2], share_distance_within_margin=shares[3], curve=curve, table=table,
    )


def _curve(
    bound: Array, known: Flags, weights: tuple[Array, Array], limits_m: Sequence[float]
) -> tuple[list[float], pd.DataFrame, pd.DataFrame]:
    """Return the bound kept for `SHARES` of the time, the availability curve, and its table at `limits_m`; `weights` are time and distance.

    The curve has `CURVE_POINTS` even steps of the epochs that have a bound. All are sorted once, and one weight is summed
    up after the other: each column of a drive of days takes a hundred megabytes and more.
    """
    rows = _rising(bound, known)
    at = np.unique(np.linspace(0, len(rows) - 1, CURVE_POINTS).astype(int)) if len(rows) else np.empty(0, dtype=int)
    percentiles: list[float] = []
    below = [bisect_right(rows, limit, key=lambda row: bound[row]) for limit in limits_m]
    columns, table = {"bound_m": bound[rows[at]]}, {"limit_m": np.asarray(limits_m, dtype=np.float64)}
    for name, weight in zip(("share_time", "share_distance"), weights, strict=True):
        total = weight.sum()
        reached = _reached(weight, rows)
        percentiles = percentiles or _at_shares(bound, rows, reached, SHARES)
        columns[name] = reached[at] / total if total > 0 else np.full(len(at), np.nan)
        table[name] = np.array([min(reached[n - 1] / total, 1.0) if n else 0.0 for n in below]) if total > 0 else np.full(len(below), np.nan)
        del reached
    return percentiles, pd.DataFrame(columns), pd.DataFrame(table)


def _lost(kind: str, rows: pd.DataFrame) -> Lost:
    """Return what all dropouts of one kind took."""
    lasting = _number(rows, "duration_s")
    known = np.isfinite(lasting).any()
    place = _number(rows, "start_distance_m")[int(np.nanargmax(lasting))] if known else float("nan")
    longest = float(np.nanmax(lasting)) if known else float("nan")
    return Lost(kind, len(rows), float(np.nansum(lasting)), longest, float(place))


def _share(weight: Array, inside: Flags) -> float:
    """Return the share of `weight` that is `inside`; exactly 1 for all of it, NaN for no weight."""
    total = float(weight.sum())
    if not total > 0:
        return float("nan")
    return 1.0 if inside.all() else min(float(weight[inside].sum()) / total, 1.0)


def _number(frame: pd.DataFrame, name: str) -> Array:
    """Return a column as floats; all NaN where it is not there."""
    if name not in frame:
        return np.full(len(frame), np.nan)
    return np.asarray(pd.to_numeric(frame[name], errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan))
