"""Positions against the path that velocity integrates to: what is left is position error plus slow velocity error.

``residual = position - integral of velocity``. A position step without motion stays a step in it; motion drops out.
The step from one epoch to the next carries a variance of its own where velocity is missing or epochs are.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds


def integrate(t: Floats, velocity: Floats) -> Floats:
    """Return the displacement [m] from each epoch to the next, (n-1, 2), from velocity [m/s] at both ends.

    Trapezoid with the end correction of Euler and Maclaurin, dt²/12 times the change of acceleration, accelerations
    by central differences: exact for velocities that are cubic in time.
    """
    dt = np.diff(t)[:, None]
    mean = (velocity[1:] + velocity[:-1]) / 2
    if len(t) < 3:
        return np.asarray(mean * dt)
    acceleration = np.gradient(velocity, t, axis=0)
    return np.asarray(mean * dt - dt**2 / 12 * np.diff(acceleration, axis=0))


def residual(track: Track) -> tuple[Floats, Floats]:
    """Return the residual, (n, 2) [m], and the extra variance [m²] of each step to the next epoch, (n-1,).

    Steps without velocity at both ends count as `bridge.blind`; a gap adds ``(gap_growth * gap^2.5)²``, the error of
    interpolating the velocity of a car across it.
    """
    limits = thresholds("analyzer.evidence")
    dt = np.diff(track.t)
    known = np.isfinite(track.velocity).all(axis=1)
    velocity = np.where(known[:, None], track.velocity, 0.0)
    moved = integrate(track.t, velocity)
    usual = dt <= limits["bridge.longest_usual"] * track.nominal_s
    extra = np.where(usual, 0.0, (limits["bridge.gap_growth"] * dt**2.5) ** 2)
    # a car in motion may do anything between two stands, and anything while no velocity is logged
    blind = ~(known[1:] & known[:-1])
    moved[blind] = 0.0
    extra = np.where(blind, limits["bridge.blind"] ** 2 * np.maximum(dt, track.nominal_s) ** 2, extra)
    path = np.vstack([np.zeros((1, 2)), np.cumsum(moved, axis=0)])
    return track.places[:, :2] - path, extra


def lagged(values: Floats, lag: int, usable: Flags) -> Floats:
    """Return differences of `values` over `lag` epochs where both ends are `usable` and no break lies between."""
    if lag >= len(values):
        return np.empty((0, *values.shape[1:]))
    stretch = np.cumsum(np.r_[True, ~usable[1:] | ~usable[:-1]])
    both = usable[lag:] & usable[:-lag] & (stretch[lag:] == stretch[:-lag])
    return np.asarray((values[lag:] - values[:-lag])[both])


def robust_sigma(values: NDArray[np.float64]) -> float:
    """Return 1.4826 times the median absolute value: sigma of a normal sample about zero, blind to a minority."""
    finite = np.abs(values[np.isfinite(values)])
    return float(1.4826 * np.median(finite)) if len(finite) else np.nan
