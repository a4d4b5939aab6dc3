"""Has a static log settled: drift found, settled within a stated size, or not to be told."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyzer.metrics.base_site_drift import Drift, blocks_of, find_drift, three
from analyzer.metrics.base_site_shift import limits
from analyzer.metrics.base_site_start import StartUp

Array = NDArray[np.float64]
_NOTHING = (float("nan"),) * 3


@dataclass(frozen=True)
class Settling:
    """Whether a static log drifts.

    Attributes
    ----------
    drifts : True, False where none was found, or None where the log is too short to look for it.
    steady_from : index of the first epoch of the steady part (0 where no drift was found).
    steady_at_end : whether a steady part was found at all.
    drift_m : (east, north, up) of the start against the later value [m].
    drift_sigma_m : its own uncertainty, wander counted [m].
    decay_s : time constant that fits best [s].
    log_odds, p_value : of the joint test over three components, see `find_drift`.
    detectable_m : horizontal and vertical drift that would have been found with the stated power [m]; NaN where one was
        found.
    detectable_decay_s : the time constant that size is stated for [s].
    """

    drifts: bool | None
    steady_from: int
    steady_at_end: bool
    drift_m: tuple[float, float, float]
    drift_sigma_m: tuple[float, float, float]
    decay_s: float
    log_odds: float
    p_value: float
    detectable_m: tuple[float, float]
    detectable_decay_s: float
    reason: str = ""

    @property
    def seen_within(self) -> bool:
        """Whether no drift was found and one that matters would have been."""
        return self.drifts is False and max(self.detectable_m) <= limits()["settle.within_m"]


@dataclass(frozen=True)
class Answer:
    """Was the base settled, from all kinds of evidence.

    Attributes
    ----------
    settled : True (no drift, and one that matters would have been found), False, or None where it cannot be told.
    by : kinds of evidence that speak against it: ``drift`` and those of `StartUp`.
    steady_from : index of the first epoch of the part that coordinates may be taken from.
    steady_at_end : whether there is such a part.
    """

    settled: bool | None
    by: tuple[str, ...]
    steady_from: int
    steady_at_end: bool


def answer(found: Settling, start: StartUp, seconds: Array) -> Answer:
    """Return the answer from the drift of positions and from what the log shows of a start of the receiver.

    Parameters
    ----------
    seconds : (n,) times of the positions that were looked at, since the first epoch of the log [s].

    A drift of positions decides. Where none is found, a start of the receiver makes the log unsettled unless the
    positions show within `settle.within_m` that it had settled nevertheless.
    """
    by = (*(("drift",) if found.drifts else ()), *(key for key, _ in start.signs))
    if found.seen_within:
        return Answer(True, by, 0, True)
    if not by:
        return Answer(None, by, 0, found.drifts is not None)
    after = int(np.searchsorted(seconds, start.until_s))
    steady = found.steady_at_end or found.drifts is None
    if steady and len(seconds) - max(after, found.steady_from) >= 0.3 * len(seconds):
        return Answer(False, by, max(after, found.steady_from), True)
    return Answer(False, by, max(found.steady_from, len(seconds) // 2), False)


def settling(points_m: Array, seconds: Array) -> Settling:
    """Return whether a static log drifts as a receiver does that has just been switched on.

    Parameters
    ----------
    points_m : (3, n) east, north, up [m] of one fix state.
    seconds : (n,) time of each [s], rising.

    A decay towards the later value is looked for in block means, see `find_drift`. Where there is one, the steady part
    begins when it has fallen below twice its own uncertainty, or later, in steps of a tenth, until what is left does not
    drift.
    """
    limit = limits()
    if len(seconds) < 2 or seconds[-1] - seconds[0] < limit["settle.shortest_s"]:
        reason = f"the log is shorter than {limit['settle.shortest_s']:.0f} s, in which drift cannot be seen"
        nothing = float("nan")
        return Settling(None, 0, False, _NOTHING, _NOTHING, nothing, nothing, nothing, (nothing, nothing), nothing, reason)
    blocks, edges, middles = blocks_of(points_m, seconds)
    first = find_drift(blocks, middles)
    drifts = first.p_value <= limit["settle.level"]
    start = _steady_block(blocks, middles, first) if drifts else 0
    steady = start is not None
    return Settling(
        drifts, int(edges[blocks.shape[1] // 2 if start is None else start]), steady, three(first.vector_m),
        three(first.sigma_m), first.decay_s, first.log_odds, first.p_value, first.detectable_m, first.detectable_decay_s,
    )


def _steady_block(blocks: Array, middles: Array, first: Drift) -> int | None:
    """Return the first block of the steady part, None where there is none in the first seven tenths."""
    count, level = blocks.shape[1], limits()["settle.level"]
    ratio = 0.5 * float(np.max(np.abs(first.vector_m) / np.maximum(first.sigma_m, 1e-9)))
    start = max(1, int(np.searchsorted(middles, first.decay_s * np.log(max(ratio, 1.0)))))
    while start < int(count * 0.7):
        part = find_drift(blocks[:, start:], middles[start:] - middles[start], detectable=False)
        if part.p_value > level:
            return start
        start += max(1, count // 10)
    return None
