"""Did the log begin while its receiver was starting: what a log shows of it besides the positions.

Positions of an autonomous receiver wander by as much as they drift after switching on, so that the drift alone is
often hidden. The beginning of such a log still shows in epochs without a position or in a lower fix state, in
satellites that build up, and in the receiver's own claim, which falls while its filter converges.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import intervals, tables
from analyzer.metrics.base_site_drift import blocks_of, find_drift
from analyzer.metrics.base_site_shift import limits

Array = NDArray[np.float64]


@dataclass(frozen=True)
class StartUp:
    """What speaks for a receiver that was still starting.

    Attributes
    ----------
    signs : kind of evidence and its words: ``no_position``, ``fix_state``, ``satellites``, ``claim``.
    until_s : time since the first epoch of the log [s] after which the start is over; 0 without signs.
    """

    signs: tuple[tuple[str, str], ...] = ()
    until_s: float = 0.0

    def __bool__(self) -> bool:
        """Whether anything was seen."""
        return bool(self.signs)


def start_up(fixes: pd.DataFrame, state: str) -> StartUp:
    """Return what the log shows of a start of its receiver.

    Parameters
    ----------
    fixes : all epochs, layout `analyzer.tables.FIXES`.
    state : the fix state that most of the log has.
    """
    seconds = intervals.seconds(pd.DatetimeIndex(fixes.index), fixes.index[0])
    found = [*_states(fixes, seconds, state), *_satellites(fixes, seconds), *_claim(fixes, seconds)]
    if not found:
        return StartUp()
    # a claim alone tells when its receiver had converged; after the other signs the usual wait stands in
    switched_on = [until for key, _, until in found if key != "claim"]
    waited = max(switched_on) + limits()["start.wait_s"] if switched_on else 0.0
    until_s = max(waited, *(until for *_, until in found))
    return StartUp(tuple((key, words) for key, words, _ in found), until_s)


def _states(fixes: pd.DataFrame, seconds: Array, state: str) -> list[tuple[str, str, float]]:
    """Return whether the log begins without a position, or in a fix state below its usual one."""
    states = fixes["fix_state"].astype(object).to_numpy()
    usual = np.flatnonzero(states == state)
    if not len(usual) or not usual[0]:
        return []
    placed = np.flatnonzero(states != "no_fix")
    first_s, usual_s = float(seconds[placed[0]]), float(seconds[usual[0]])
    out, least = [], limits()["start.least_s"]
    if first_s >= least:
        out.append(("no_position", f"there is no position in the first {first_s:.0f} s", first_s))
    order = {name: rank for rank, name in enumerate(tables.FIX_STATES)}
    between = states[placed[0] : usual[0]]
    if usual_s - first_s >= least and all(order[str(s)] > order[state] for s in between):
        out.append(("fix_state", f"it began as {between[0]} and was {state} after {usual_s:.0f} s", usual_s))
    return out


def _satellites(fixes: pd.DataFrame, seconds: Array) -> list[tuple[str, str, float]]:
    """Return whether the satellites used build up at the beginning."""
    placed = (fixes["fix_state"] != "no_fix").to_numpy()
    used = np.where(placed, fixes["satellites_used"].to_numpy(np.float64), np.nan)
    before, later = _begin_and_later(used, seconds)
    if not before < limits()["start.satellites_share"] * later:
        return []
    reached = float(seconds[np.flatnonzero(used >= 0.9 * later)[0]])
    return [("satellites", f"the satellites used rise from {before:.0f} to {later:.0f} in {reached:.0f} s", reached)]


def _claim(fixes: pd.DataFrame, seconds: Array) -> list[tuple[str, str, float]]:
    """Return whether the claimed sigma falls by more than its own wander explains, and until when.

    The logarithm of the claim is held against wander as the positions are, see `find_drift`.
    """
    limit = limits()
    sigma = np.sqrt((fixes[["sigma_north_m", "sigma_east_m"]].to_numpy(np.float64) ** 2).mean(axis=1))
    known = np.isfinite(sigma) & (sigma > 0.0)
    if not known.any() or np.ptp(seconds[known]) < limit["settle.shortest_s"]:
        return []
    blocks, edges, middles = blocks_of(np.log(sigma[known])[None], seconds[known])
    found = find_drift(blocks, middles, detectable=False)
    ratio = float(np.exp(found.vector_m[0]))
    if found.p_value > limit["settle.level"] or ratio < limit["start.claim_ratio"]:
        return []
    later = float(np.median(blocks[0, blocks.shape[1] // 2 :]))
    reached = np.flatnonzero(blocks[0] <= later + np.log(limit["start.claim_reached"]))[0]
    until = float(seconds[known][edges[reached]])
    fall = f"{_metres(ratio * np.exp(later))} to {_metres(np.exp(later))}"
    return [("claim", f"the receiver's own claim falls from {fall} in {max(until, 60.0) / 60:.0f} min", until)]


def _metres(value_m: float) -> str:
    return f"{value_m:.2f} m" if value_m >= 0.095 else f"{value_m * 100:.1f} cm"


def _begin_and_later(values: Array, seconds: Array) -> tuple[float, float]:
    """Return the medians of the beginning, counted from the first value, and of the later half; NaN where unknown."""
    known = np.isfinite(values)
    if known.sum() < 20:
        return float("nan"), float("nan")
    values, seconds = values[known], seconds[known]
    early = seconds - seconds[0] <= limits()["start.first_s"]
    return float(np.median(values[early])), float(np.median(values[len(values) // 2 :]))
