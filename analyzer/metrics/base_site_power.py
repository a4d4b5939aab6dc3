"""The size of a movement that would have been found in a static log: planted in logs drawn as it may wander."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from analyzer.log_sums import log_sum
from analyzer.metrics.base_site_shift import limits
from analyzer.metrics.base_site_wander import DECAYS, SIZES, Sums, Trial, Wander

Array = NDArray[np.float64]
#: Halvings of the interval that a size is found in: to two per cent, as the draws do not tell more.
_HALVINGS = 9


def decay_size(trial: Trial, column: int, critical: float) -> tuple[float, float]:
    """Return the horizontal and vertical drift [m], decaying as that column does, whose odds exceed `critical` often enough."""
    return _detectable(trial, lambda axis: _decaying(trial.wander, trial.noise, axis, column), critical)


def shape_size(trial: Trial, column: int, critical: float, *, places: int) -> tuple[float, float]:
    """Return the same of a shape that is looked for at so many `places`, of which the planted one alone is counted.

    The size is rather too large than too small.
    """
    return _detectable(trial, lambda axis: _alone(trial.wander, trial.noise, axis, column, places=places), critical)


def _detectable(trial: Trial, planted: Callable[[int], Callable[[float], Array]], critical: float) -> tuple[float, float]:
    """Return the size along the worse horizontal axis and in height that is found often enough, by halving intervals."""
    power = limits()["settle.power"]
    spread = np.sqrt(np.median(trial.noise.rest, axis=(0, 1)) / trial.wander.free)
    out = []
    for axis in (int(np.argmax(spread[:2])), 2):
        odds, low, high = planted(axis), np.log(0.1 * spread[axis]), np.log(1000.0 * spread[axis])
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            found = float((odds(float(np.exp(middle))) > critical).mean())
            low, high = (middle, high) if found < power else (low, middle)
        out.append(float(np.exp(high)))
    return out[0], out[1]


def _without(wander: Wander, noise: Sums, axis: int) -> Array:
    """Return how well each kind fits all axes but one (m, kinds), as logarithm."""
    others = np.delete(noise.rest, axis, axis=2)
    return np.asarray(-0.5 * wander.free * np.log(others.prod(axis=2)) - noise.rest.shape[2] * wander.log_size)


def _decaying(wander: Wander, noise: Sums, axis: int, column: int) -> Callable[[float], Array]:
    """Return the odds of a drift along `axis` as a function of its size; what the other axes add is worked out once."""
    axes, half, reach2 = noise.rest.shape[2], 0.5 * wander.free, wander.reach2[:, DECAYS]
    gained = wander.gain / (1.0 + wander.gain)
    others = np.ones((*noise.rest.shape[:2], reach2.shape[1], len(SIZES)))
    for other in set(range(axes)) - {axis}:
        found2 = noise.size[:, :, DECAYS, other] ** 2 * reach2
        others *= noise.rest[:, :, None, None, other] - found2[..., None] * gained
    prior = 0.5 * axes * np.log1p(wander.gain) + axes * wander.log_size[:, None, None] + np.log(gained[0].size)
    without = _without(wander, noise, axis)
    cross = np.einsum("nt,knu->ktu", wander.shapes, wander.shape)[:, column, DECAYS]
    own, mine = noise.size[:, :, DECAYS, axis], noise.size[:, :, column, axis]

    def odds(size_m: float) -> Array:
        rest = noise.rest[:, :, axis] + (2.0 * size_m * mine + size_m**2) * wander.reach2[:, column]
        found2 = (own + size_m * cross) ** 2 * reach2
        left = rest[:, :, None, None] - found2[..., None] * gained
        left *= others
        np.log(left, out=left)
        left *= -half
        left -= prior
        return np.asarray(log_sum(left, axis=(1, 2, 3)) - log_sum(without - half * np.log(rest), axis=1))

    return odds


def _alone(wander: Wander, noise: Sums, axis: int, column: int, *, places: int) -> Callable[[float], Array]:
    """Return the odds of one shape along `axis` as a function of its size: what it leaves does not depend on it."""
    half = 0.5 * wander.free
    some = wander.fits(noise, slice(column, column + 1)) - np.log(places)
    without = _without(wander, noise, axis)
    mine = noise.size[:, :, column, axis]

    def odds(size_m: float) -> Array:
        rest = noise.rest[:, :, axis] + (2.0 * size_m * mine + size_m**2) * wander.reach2[:, column]
        return np.asarray(some - log_sum(without - half * np.log(rest), axis=1))

    return odds
