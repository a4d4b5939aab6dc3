"""Has a static log settled: drift or a movement found, settled within stated sizes, or not to be told."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyzer.metrics.base_site_drift import three
from analyzer.metrics.base_site_moves import Move
from analyzer.metrics.base_site_parts import take_apart
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
    moves : steps and steady drifts, in order of time.
    steady_until : index after the last epoch of the steady part.
    p_step, p_steady : of the tests for a step and for a steady drift in the log as a whole, see `find_moves`.
    detectable_step_m, detectable_steady_m : horizontal and vertical step in the middle half of the log, and steady drift
        over the log, that would have been found with the stated power [m]; NaN where one was found.
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
    moves: tuple[Move, ...] = ()
    steady_until: int = 0
    p_step: float = float("nan")
    p_steady: float = float("nan")
    detectable_step_m: tuple[float, float] = (float("nan"), float("nan"))
    detectable_steady_m: tuple[float, float] = (float("nan"), float("nan"))
    reason: str = ""

    @property
    def seen_within(self) -> bool:
        """Whether nothing was found and a drift, step or steady drift that matters would have been."""
        sizes = (*self.detectable_m, *self.detectable_step_m, *self.detectable_steady_m)
        return self.drifts is False and not self.moves and max(sizes) <= limits()["settle.within_m"]


@dataclass(frozen=True)
class Answer:
    """Was the base settled, from all kinds of evidence.

    Attributes
    ----------
    settled : True (no drift, and one that matters would have been found), False, or None where it cannot be told.
    by : kinds of evidence that speak against it: ``drift``, those of `Move` and those of `StartUp`.
    steady_from, steady_until : first epoch of the part that coordinates may be taken from, and the one after its last.
    steady_at_end : whether there is such a part.
    """

    settled: bool | None
    by: tuple[str, ...]
    steady_from: int
    steady_at_end: bool
    steady_until: int


def answer(found: Settling, start: StartUp, seconds: Array) -> Answer:
    """Return the answer from the drift of positions and from what the log shows of a start of the receiver.

    Parameters
    ----------
    seconds : (n,) times of the positions that were looked at, since the first epoch of the log [s].

    Movement of positions decides. Where none is found, a start of the receiver makes the log unsettled unless the
    positions show within `settle.within_m` that it had settled nevertheless.
    """
    moved = tuple(dict.fromkeys(move.kind for move in found.moves))
    by = (*(("drift",) if found.drifts else ()), *moved, *(key for key, _ in start.signs))
    count = len(seconds)
    if found.seen_within:
        return Answer(True, by, 0, True, count)
    if not by:
        return Answer(None, by, 0, found.drifts is not None, count)
    until = found.steady_until if found.steady_at_end else count
    first = max(found.steady_from, min(int(np.searchsorted(seconds, start.until_s)), count))
    if (found.steady_at_end or found.drifts is None) and _long_enough(found, seconds, first, until):
        return Answer(False, by, first, True, until)
    return Answer(False, by, max(found.steady_from if not moved else 0, count // 2), False, count)


def _long_enough(found: Settling, seconds: Array, first: int, until: int) -> bool:
    """Whether a part can stand for the log: three tenths of it, between movements as long as a log must be at least."""
    if found.moves:
        return until > first and float(seconds[until - 1] - seconds[first]) >= 0.95 * limits()["settle.shortest_s"]
    return until - first >= 0.3 * len(seconds)


def settling(points_m: Array, seconds: Array, *, least_m: tuple[float, float] = (0.0, 0.0)) -> Settling:
    """Return whether a static log drifts as a receiver does that has just been switched on, or moved otherwise.

    Parameters
    ----------
    points_m : (3, n) east, north, up [m] of one fix state.
    seconds : (n,) time of each [s], rising.
    least_m : horizontal and vertical size [m] below which a step or a steady drift is not told.

    Movements are looked for in block means, see `find_drift` and `find_moves`; the steady part is that of `take_apart`.
    """
    limit = limits()
    if len(seconds) < 2 or seconds[-1] - seconds[0] < limit["settle.shortest_s"]:
        reason = f"the log is shorter than {limit['settle.shortest_s']:.0f} s, in which drift cannot be seen"
        nothing = float("nan")
        return Settling(
            None, 0, False, _NOTHING, _NOTHING, nothing, nothing, nothing, (nothing, nothing), nothing, reason=reason
        )
    parts = take_apart(points_m, seconds, least_m=least_m)
    drift, moved = parts.drift or parts.first, parts.moves_first
    steady, count, unknown = parts.steady, len(seconds), _NOTHING[:2]
    # what a log moved by would count as its wander
    sizes = (unknown,) * 3 if parts.moves else (parts.first.detectable_m, moved.step_m, moved.steady_m)
    return Settling(
        parts.drift is not None, steady[0] if steady else count // 2, steady is not None, three(drift.vector_m),
        three(drift.sigma_m), drift.decay_s, drift.log_odds, drift.p_value, sizes[0],
        parts.first.detectable_decay_s, parts.moves, steady[1] if steady else count, moved.p_step, moved.p_steady,
        sizes[1], sizes[2],
    )
