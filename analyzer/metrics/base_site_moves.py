"""Movements of a static log that do not die out: a step of the level at any time, and a steady drift.

Both are further shapes beside the decays of `analyzer.metrics.base_site_drift`, held against the same kinds of wander.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from analyzer.log_sums import log_sum
from analyzer.metrics.base_site_power import shape_size
from analyzer.metrics.base_site_shift import limits
from analyzer.metrics.base_site_wander import DECAYS, LINE, STEP, Sums, Trial, Wander, p_value, wander_at

Array = NDArray[np.float64]
Sizes = tuple[float, float]
_UNKNOWN = (float("nan"), float("nan"))


@dataclass(frozen=True)
class Move:
    """A movement within a log.

    Attributes
    ----------
    kind : ``step`` or ``steady_drift``.
    from_s, until_s : when a step happened, as an interval (95 %), or the stretch of a drift [s].
    vector_m : later less earlier place; of a drift over its stretch (east, north, up) [m].
    half_width_m : half widths of its 95 % interval per axis, wander counted [m].
    blocks : first and last border of blocks at which a step may have happened; those around the stretch of a drift.
    """

    kind: str
    from_s: float
    until_s: float
    vector_m: tuple[float, ...]
    half_width_m: tuple[float, ...]
    blocks: tuple[int, int]


@dataclass(frozen=True)
class Moves:
    """Whether a log moved otherwise than in a drift that dies out.

    Attributes
    ----------
    found : the movement that fits best of those that are more than wander, None without one.
    fits_best : whether it fits better than a drift that dies out.
    p_step, p_steady : share of logs without movement, wandering as this one may, that look at least as much like it.
    step_m, steady_m : horizontal and vertical step in the middle half of the log, and steady drift over the log, that
        are found with the stated power [m]; NaN where not asked for, or where something was found.
    """

    found: Move | None
    fits_best: bool
    p_step: float
    p_steady: float
    step_m: Sizes = _UNKNOWN
    steady_m: Sizes = _UNKNOWN


def find_moves(trial: Trial, *, least_m: Sizes = (0.0, 0.0), detectable: bool = True) -> Moves:
    """Return the step or steady drift of a log.

    Parameters
    ----------
    trial : a log of east, north, up with its steps, see `Trial`.
    least_m : horizontal and vertical size [m] below which a movement is not told from what such logs do anyway.
    detectable : whether the sizes that would be found are wanted.
    """
    level, wander = limits()["moved.level"], trial.wander
    fits = {"step": wander.step_fits(trial.sums), "steady_drift": _line(wander, trial.sums)}
    drawn = {"step": wander.step_fits(trial.drawn), "steady_drift": _line(wander, trial.drawn)}
    total = _total(wander, trial.drawn)
    here = float(_total(wander, trial.sums)[0])
    odds = {kind: float(fit[0]) - here for kind, fit in fits.items()}
    chance = {kind: p_value(odds[kind], drawn[kind] - total) for kind in fits}
    seen = sorted((k for k in fits if chance[k] <= level), key=lambda k: -odds[k])
    moves = [m for m in (_step(trial) if k == "step" else _steady(trial) for k in seen) if _matters(m, least_m)]
    decays = float(wander.fits(trial.sums, DECAYS)[0]) - here
    best = bool(moves) and odds[moves[0].kind] > decays
    sizes = [_UNKNOWN, _UNKNOWN]
    if detectable and not moves:
        critical = {k: float(np.quantile(drawn[k] - total, 1.0 - level)) for k in fits}
        sizes = _detectable(trial, critical, least_m)
    return Moves(moves[0] if moves else None, best, chance["step"], chance["steady_drift"], sizes[0], sizes[1])


def _total(wander: Wander, sums: Sums) -> Array:
    return log_sum(wander.none(sums), axis=1)


def _line(wander: Wander, sums: Sums) -> Array:
    return wander.fits(sums, slice(LINE, LINE + 1))


def _matters(move: Move, least_m: Sizes) -> bool:
    east, north, up = move.vector_m
    return float(np.hypot(east, north)) >= least_m[0] or abs(up) >= least_m[1]


def _detectable(trial: Trial, critical: dict[str, float], least_m: Sizes) -> list[Sizes]:
    """Return the sizes of a step after a quarter of the log, and of a steady drift over it, that are found often enough."""
    step = shape_size(trial, STEP, critical["step"], places=trial.wander.free)
    per_hour = shape_size(trial, LINE, critical["steady_drift"], places=1)
    steady = per_hour[0] * _hours(trial), per_hour[1] * _hours(trial)
    return [(max(one[0], least_m[0]), max(one[1], least_m[1])) for one in (step, steady)]


def _hours(trial: Trial) -> float:
    """Return how long the log is, half a block around the middles of its blocks counted [h]."""
    return float(trial.time_s[-1] - trial.time_s[0] + np.median(np.diff(trial.time_s))) / 3600.0


def _half_width(sigma: Array, wander: Wander) -> Array:
    return np.asarray(sigma * stats.t.ppf(0.975, wander.free - 1))


def _steady(trial: Trial) -> Move:
    """Return the steady drift of a log over its length."""
    wander, hours = trial.wander, _hours(trial)
    only = slice(LINE, LINE + 1)
    rate, sigma, _ = wander.estimate(trial.sums.rest[0], trial.sums.size[0][:, only], wander.reach2[:, only])
    half_s = 0.5 * float(np.median(np.diff(trial.time_s)))
    return Move(
        "steady_drift", float(trial.time_s[0]) - half_s, float(trial.time_s[-1]) + half_s,
        tuple((rate * hours).tolist()), tuple(_half_width(sigma * hours, wander).tolist()), (0, len(trial.time_s)),
    )


def _step(trial: Trial) -> Move:
    """Return the step of a log that fits best."""
    wander = trial.wander
    size, sigma, weight = _each_border(wander, trial.blocks_m)
    first, last = _interval(weight)
    return Move(
        "step", float(trial.time_s[first - 1]), float(trial.time_s[last]),
        tuple(size.tolist()), tuple(_half_width(sigma, wander).tolist()), (first, last),
    )


def _each_border(wander: Wander, blocks_m: Array) -> tuple[Array, Array, Array]:
    """Return size and sigma of a step [m], and how likely it is at each border of blocks."""
    rest, size = _borders(wander, blocks_m)
    return wander.estimate(rest, size, wander.step_reach2)


def _borders(wander: Wander, blocks_m: Array) -> tuple[Array, Array]:
    """Return the squares without level (kinds, axes) [m²] and the best step at each border (kinds, borders, axes) [m]."""
    taken = blocks_m @ wander.stepped
    rest = np.einsum("kab,ab->ka", taken, np.diff(blocks_m, axis=1))
    return rest, (taken / wander.step_reach2[:, None, :]).transpose(0, 2, 1)


def _interval(weight: Array) -> tuple[int, int]:
    """Return the first and the last border that a step may have happened at (95 %)."""
    below = np.cumsum(weight) / weight.sum()
    return 1 + int(np.searchsorted(below, 0.025)), 1 + min(int(np.searchsorted(below, 0.975)), len(weight) - 1)


def refine_step(move: Move, trial: Trial, short_m: Array, short_s: Array) -> Move:
    """Return a step with its time from shorter blocks around it, and its size without the blocks that it divides.

    Parameters
    ----------
    move, trial : a step that was found, and the log that it was found in.
    short_m, short_s : (axes, n) means of shorter blocks of a stretch around it [m], and their times as those of the log.
    """
    first, last = _interval(_each_border(wander_at(tuple((short_s - short_s[0]).tolist())), short_m)[2])
    from_s, until_s = max(float(short_s[first - 1]), move.from_s), min(float(short_s[last]), move.until_s)
    if from_s >= until_s:
        from_s, until_s = move.from_s, move.until_s
    half_s = 0.5 * float(np.median(np.diff(trial.time_s)))
    before, after = trial.time_s + half_s <= from_s, trial.time_s - half_s >= until_s
    if not before.any() or not after.any():
        return replace(move, from_s=from_s, until_s=until_s)
    whole, border = before | after, int(before.sum()) - 1
    wander = wander_at(tuple(trial.time_s[whole].tolist()))
    rest, size = _borders(wander, trial.blocks_m[:, whole])
    only = slice(border, border + 1)
    step, sigma, _ = wander.estimate(rest, size[:, only], wander.step_reach2[:, only])
    half = _half_width(sigma, wander)
    return replace(move, from_s=from_s, until_s=until_s, vector_m=tuple(step.tolist()), half_width_m=tuple(half.tolist()))
