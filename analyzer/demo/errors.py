"""Position, velocity and claim errors as the trade knows them: per fix state white and time-correlated parts.

Sizes are common practice of the trade (facts of the trade, no published source): fixed about 8 mm per axis, mostly
correlated over tens of seconds, larger in height; plus about 1 ppm of the baseline; float decimetres that converge;
differential half a metre to a metre; autonomous one to three metres over minutes. The age term follows the order of
1 mm/s that one published measurement shows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyzer.demo.draws import Draws
from analyzer.demo.states import AUTONOMOUS, DIFFERENTIAL, ESTIMATED, FIXED, FLOAT, NO_FIX
from analyzer.intervals import runs

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

#: Height error over horizontal error per axis.
HEIGHT_RATIO = 1.7
#: Per state: parts of the error of one horizontal axis as (sigma [m], time constant [s]); 0 s is white.
PARTS: dict[int, tuple[tuple[float, float], ...]] = {
    FIXED: ((0.0026, 0.0), (0.0056, 35.0), (0.0048, 200.0)),
    FLOAT: ((0.010, 0.0), (0.11, 45.0)),
    DIFFERENTIAL: ((0.08, 0.0), (0.34, 45.0), (0.36, 280.0)),
    AUTONOMOUS: ((0.15, 0.0), (0.55, 60.0), (1.10, 300.0)),
}
BASELINE_PPM = 0.8


def sigma_of(state: int) -> float:
    """Return the standard deviation [m] of one horizontal axis in a fix state, at unit dilution scale."""
    return float(np.sqrt(sum(s * s for s, _ in PARTS[state])))


@dataclass(frozen=True)
class Conditions:
    """What the errors depend on; arrays over epochs."""

    step_s: float
    state: Codes
    age_s: Array
    usual_age_s: float
    dilution: Array
    multipath: Array
    baseline_m: Array
    speed_mps: Array
    noise_factor: float
    fused: bool


def state_error(conditions: Conditions, draws: Draws) -> Array:
    """Return the error (east, north, up) [m] that follows from state and sky, without planted faults; shape (n, 3)."""
    count = len(conditions.state)
    style = _Style(draws)
    scale = conditions.noise_factor * conditions.dilution
    out = np.zeros((count, 3))
    for state, parts in PARTS.items():
        inside = conditions.state == state
        factor = scale * (conditions.multipath if state == FIXED else 1.0)
        for axis in range(3):
            size = HEIGHT_RATIO if axis == 2 else 1.0
            series = np.zeros(count)
            for sigma, tau in style.mixed(parts):
                series += sigma * _unit(draws, count, conditions.step_s, tau * style.stretch, style=style)
            out[inside, axis] = (series * factor * size)[inside]
    out += _baseline(conditions, draws)
    out += _float_offsets(conditions, draws)
    out += _dead_reckoning(conditions, draws)
    return out


class _Style:
    """How the errors of one drive are made up: no two receivers have the same error model."""

    def __init__(self, draws: Draws) -> None:
        self.stretch = draws.between(0.6, 1.6)
        self.wide_share, self.wide_factor = draws.between(0.0, 0.02), draws.between(2.5, 4.5)
        self._weights = np.exp(0.35 * draws.normal(3))

    def mixed(self, parts: tuple[tuple[float, float], ...]) -> list[tuple[float, float]]:
        """Return the parts in another mixture with the same total."""
        sigma = np.array([s for s, _ in parts])
        other = sigma * self._weights[: len(parts)]
        other *= np.sqrt(np.sum(sigma**2) / np.sum(other**2))
        return [(float(s), tau) for s, (_, tau) in zip(other, parts, strict=True)]


def _unit(draws: Draws, count: int, step_s: float, tau_s: float, *, style: _Style) -> Array:
    """Return a unit-variance series: white with rare wide samples, or correlated over `tau_s`."""
    if tau_s == 0.0:
        variance = 1.0 + style.wide_share * (style.wide_factor**2 - 1.0)
        white = draws.heavy_tailed(count, share=style.wide_share, factor=style.wide_factor)
        return np.asarray(white / np.sqrt(variance))
    return draws.correlated(count, step_s, tau_s)


def _baseline(conditions: Conditions, draws: Draws) -> Array:
    """Return the part that grows with the baseline, slow as the atmosphere."""
    count = len(conditions.state)
    corrected = conditions.state >= DIFFERENTIAL
    sigma = BASELINE_PPM * 1e-6 * conditions.baseline_m * conditions.noise_factor * corrected
    slow = np.column_stack([draws.correlated(count, conditions.step_s, 500.0) for _ in range(3)])
    return np.asarray(sigma[:, None] * slow * np.array([1.0, 1.0, HEIGHT_RATIO]))


def _float_offsets(conditions: Conditions, draws: Draws) -> Array:
    """Return the offset of each stretch of float: converging after a start, growing after a lost fix."""
    out = np.zeros((len(conditions.state), 3))
    for start, end in runs(conditions.state == FLOAT):
        since = np.arange(end - start) * conditions.step_s
        tau = draws.between(6.0, 25.0)
        lost = start > 0 and conditions.state[start - 1] == FIXED
        size = draws.between(0.1, 0.45) if lost else draws.between(0.2, 0.6)
        shape = 1.0 - np.exp(-since / tau) if lost else 0.15 + 0.85 * np.exp(-since / tau)
        east, north = draws.direction() * size
        vector = np.array([east, north, size * draws.between(-2.0, 2.0)])
        out[start:end] += conditions.noise_factor * shape[:, None] * vector
    return out


def _dead_reckoning(conditions: Conditions, draws: Draws) -> Array:
    """Return the growth of a fused position without satellites: bias-driven, more at speed."""
    out = np.zeros((len(conditions.state), 3))
    for start, end in runs(conditions.state == ESTIMATED):
        since = np.arange(end - start) * conditions.step_s
        east, north = draws.direction()
        speed = float(np.mean(conditions.speed_mps[start:end]))
        size = draws.between(0.012, 0.04) * since**1.5 + 0.0015 * speed * since
        out[start:end] = size[:, None] * np.array([east, north, draws.between(-0.5, 0.5)])
    return out


def ageing_error(conditions: Conditions, draws: Draws, rate_mmps: float | None) -> Array:
    """Return the error that grows while corrections are stale, about 1 mm/s; `rate_mmps` overrides the draw."""
    out = np.zeros((len(conditions.state), 3))
    over = np.nan_to_num(conditions.age_s - conditions.usual_age_s - 0.5, nan=0.0)
    for start, end in runs(over > 0.0):
        rate = rate_mmps if rate_mmps is not None else float(np.clip(np.exp(draws.gauss(0.5)), 0.3, 3.0))
        east, north = draws.direction() * rate * 1e-3
        vector = np.array([east, north, rate * 1e-3 * draws.between(-2.0, 2.0)])
        bend = draws.between(0.85, 1.15)
        out[start:end] = (over[start:end] ** bend)[:, None] * vector
    out[conditions.state < FLOAT] = 0.0
    return out


def velocity_error(conditions: Conditions, position_error: Array, draws: Draws) -> Array:
    """Return the velocity error (east, north) [m/s].

    Doppler is independent of the position; a fused velocity is the derivative of the same filter's position.
    """
    count = len(conditions.state)
    white = np.column_stack([draws.heavy_tailed(count, share=0.01, factor=3.0) for _ in range(2)])
    slow = np.column_stack([draws.correlated(count, conditions.step_s, 25.0) for _ in range(2)])
    if conditions.fused:
        slope = np.gradient(position_error[:, :2], conditions.step_s, axis=0) if count > 1 else np.zeros((count, 2))
        jump = np.hypot(*slope.T) > 1.5
        slope[jump] = 0.0
        return np.asarray(slope + 0.003 * white + 0.006 * slow)
    sigma = draws.between(0.01, 0.04) * np.minimum(conditions.dilution * conditions.multipath, 6.0)
    sigma = sigma * np.sqrt(conditions.noise_factor)
    # receivers differ: from carrier-smoothed velocities of millimetres per second to plain Doppler
    drift = draws.between(0.001, 0.006)
    return np.asarray(sigma[:, None] * white + drift * slow)


def claimed_sigma(conditions: Conditions, claim_factor: float, draws: Draws) -> Array:
    """Return the sigmas the receiver claims (east, north, up) [m], shape (n, 3)."""
    count = len(conditions.state)
    base = np.select(
        [conditions.state == s for s in PARTS], [np.full(count, sigma_of(s)) for s in PARTS], default=np.nan
    )
    base = np.where(conditions.state == FLOAT, 0.28, base)
    base = np.where(conditions.state == ESTIMATED, 0.5, base)
    base = np.where(conditions.state == NO_FIX, np.nan, base)
    wobble = np.exp(0.12 * draws.correlated(count, conditions.step_s, 20.0))
    stale = np.nan_to_num(np.maximum(conditions.age_s - conditions.usual_age_s, 0.0), nan=0.0) * 0.0006
    sigma = conditions.noise_factor * conditions.dilution * base * wobble * claim_factor
    sigma = np.hypot(sigma, np.where(conditions.state >= FLOAT, stale * claim_factor, 0.0))
    east = sigma * np.exp(0.05 * draws.gauss())
    north = sigma * np.exp(0.05 * draws.gauss())
    return np.asarray(np.maximum(np.column_stack([east, north, HEIGHT_RATIO * sigma]), 0.003))
