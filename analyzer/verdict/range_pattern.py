"""Losses of corrections against distance and bearing from the base, reported only where chance does not explain them."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from analyzer import geodesy
from analyzer.recording import Finding
from analyzer.settings import thresholds

Array = NDArray[np.float64]
#: Causes that place can explain.
BY_PLACE = ("corrections_stopped", "correction_link", "unknown")
SECTORS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


def range_pattern(
    dropouts: pd.DataFrame, epochs: pd.DataFrame, *, base: tuple[float, float, float] | None = None,
) -> Finding | None:
    """Return the pattern of lost corrections in distance and bearing from the base, or None.

    Parameters
    ----------
    dropouts : layout of dropouts.csv; outages that the base or another station caused are left out.
    epochs : ``base_distance_m``, and where known ``interval_s`` (time the epoch counts for) and ``latitude_deg
        longitude_deg`` (for the bearing).
    base : latitude, longitude [deg] and height [m] of the base, for the bearing.

    Under chance each outage begins at a moment of the drive drawn evenly, so its distance has the distribution that the
    drive spent its time at. Distance: the smallest binomial tail over all "k of n beyond d", with its exact distribution
    (Berk and Jones 1979, boundary crossing by recursion). Bearing: the smallest binomial tail over eight sectors, times
    eight. Both together stay below `pattern.chance`.
    """
    limits = thresholds("analyzer.verdict", "thresholds_causes.toml")
    rows = dropouts[(dropouts["kind"] == "correction_outage") & dropouts["cause"].isin(BY_PLACE)]
    rows = rows[rows["base_distance_m"].notna()]
    weight = epochs["interval_s"].fillna(0.0).to_numpy(np.float64) if "interval_s" in epochs else np.ones(len(epochs))
    away = epochs["base_distance_m"].to_numpy(np.float64)
    weight = np.where(np.isfinite(away), weight, 0.0)
    if len(rows) < limits["pattern.least"] or weight.sum() <= 0:
        return None
    alpha = limits["pattern.chance"] / 2.0
    parts = [_distance(rows["base_distance_m"].to_numpy(np.float64), away, weight, alpha)]
    if base is not None and {"latitude_deg", "longitude_deg"} <= set(epochs.columns):
        parts.append(_bearing(rows, epochs, weight, base, alpha))
    found = [p for p in parts if p is not None]
    if not found:
        return None
    text = "; ".join(w for w, _ in found)
    advice = "raise the base antenna, add power or a repeater, or move the base before the next drive there"
    return Finding("dropouts_by_range", "warning", f"{text[0].upper()}{text[1:]}: {advice}.",
                   {k: v for _, e in found for k, v in e.items()})


def _distance(distance: Array, away: Array, weight: Array, alpha: float) -> tuple[str, dict[str, object]] | None:
    """Return the pattern in distance in words, or None."""
    beyond = np.array([weight[np.nan_to_num(away, nan=-1.0) >= d].sum() for d in distance]) / weight.sum()
    order = np.argsort(beyond)
    tails = binomial_tails(beyond[order])
    at = int(np.argmin(tails))
    chance = chance_of_smallest_tail(float(tails[at]), len(distance))
    if chance >= alpha:
        return None
    edge, count = float(distance[order[at]]), at + 1
    share = float(beyond[order[at]])
    text = (f"{count} of {len(distance)} losses of corrections began {edge / 1000:.2f} km or more from the base, where the "
            f"drive spent {share:.0%} of its time (chance {chance:.1g})")
    return text, {"beyond_m": edge, "count": count, "of": len(distance), "share_of_time": share, "chance": chance}


def _bearing(
    rows: pd.DataFrame, epochs: pd.DataFrame, weight: Array, base: tuple[float, float, float], alpha: float,
) -> tuple[str, dict[str, object]] | None:
    """Return the pattern in bearing in words, or None."""
    place = _sector(epochs["latitude_deg"].to_numpy(np.float64), epochs["longitude_deg"].to_numpy(np.float64), base)
    lost = _sector(rows["start_latitude_deg"].to_numpy(np.float64), rows["start_longitude_deg"].to_numpy(np.float64), base)
    lost = lost[lost >= 0]
    known = np.where(place >= 0, weight, 0.0)
    if not len(lost) or known.sum() <= 0:
        return None
    share = np.bincount(place[place >= 0], weights=weight[place >= 0], minlength=8) / known.sum()
    count = np.bincount(lost, minlength=8)
    tails = np.where(count > 0, stats.binom.sf(count - 1, len(lost), share), 1.0)
    at = int(np.argmin(tails))
    chance = min(1.0, 8.0 * float(tails[at]))
    if chance >= alpha:
        return None
    text = (f"{count[at]} of {len(lost)} losses of corrections began {SECTORS[at]} of the base, where the drive spent "
            f"{share[at]:.0%} of its time (chance {chance:.1g})")
    return text, {"sector": SECTORS[at], "sector_count": int(count[at]), "sector_chance": chance}


def _sector(latitude_deg: Array, longitude_deg: Array, base: tuple[float, float, float]) -> NDArray[np.int64]:
    """Return the sector of 45 degrees, 0 about north, clockwise; -1 where the place is unknown."""
    out = np.empty(len(latitude_deg), dtype=np.int64)
    for start in range(0, len(out), geodesy.PIECE):  # long drives need no more memory than the result
        part = slice(start, start + geodesy.PIECE)
        latitude, longitude = latitude_deg[part], longitude_deg[part]
        east, north, _ = geodesy.to_enu(latitude, longitude, np.full(len(latitude), base[2]), origin=base)
        angle = np.degrees(np.arctan2(east, north)) % 360.0
        out[part] = np.where(np.isfinite(angle), np.nan_to_num((angle + 22.5) // 45.0) % 8, -1)
    return out


def binomial_tails(sorted_shares: Array) -> Array:
    """Return for the j-th smallest of n shares the probability that j or more of n even draws lie below it."""
    n = len(sorted_shares)
    return np.asarray(stats.binom.sf(np.arange(n), n, sorted_shares), dtype=np.float64)


def chance_of_smallest_tail(tail: float, n: int) -> float:
    """Return the probability that n even draws have a smallest binomial tail of `tail` or less; exact.

    The j-th smallest draw must stay above the quantile of its own tail: a walk of counts over these boundaries.
    """
    if tail >= 1.0:
        return 1.0
    edges = np.maximum.accumulate(stats.beta.ppf(tail, np.arange(1, n + 1), np.arange(n, 0, -1)))
    alive = np.zeros(n + 1)
    alive[0] = 1.0
    last = 0.0
    for j, edge in enumerate(edges, 1):
        step = (edge - last) / (1.0 - last) if last < 1.0 else 0.0
        moved = np.zeros(n + 1)
        for held in np.flatnonzero(alive[:j]):
            more = np.arange(0, j - held)  # fewer than j draws below the j-th boundary
            moved[held + more] += alive[held] * stats.binom.pmf(more, n - held, step)
        alive, last = moved, float(edge)
    return float(np.clip(1.0 - alive.sum(), 0.0, 1.0))
