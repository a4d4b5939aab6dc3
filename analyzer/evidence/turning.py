"""A residual that turns with the car: an antenna offset that was entered wrongly.

``residual = R(course) offset + wander``. Over `turning.lag` seconds the wander is small beside what a bend of the road
does to a wrong offset; its part forward and left is fitted to the changes of all moving epochs, robustly. Multipath and wrong
fixes do not turn with the car. Where the car hardly turned, directions change by the noise of the velocity alone, which the
residual holds as well: the two then agree without any offset, and nothing is fitted.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analyzer.evidence.sensor_errors import robust_fit
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds


@dataclass(frozen=True)
class Turning:
    """`forward_m`, `left_m` of the offset that turns with the car, `sigma_m` of either; `part` (n, 2) east, north [m], to be taken out.

    No car has an antenna offset that is wrong by more than `turning.most`: then `part` is zero, and something else is amiss.
    """

    forward_m: float
    left_m: float
    sigma_m: float
    part: Floats

    @property
    def is_offset(self) -> bool:
        """Return whether an antenna offset may be wrong by so much."""
        return float(np.hypot(self.forward_m, self.left_m)) <= thresholds("analyzer.evidence")["turning.most"]


def turning_offset(track: Track, residual: Floats, usable: Flags) -> Turning | None:
    """Return the offset that turns with the car where it is certain, else None."""
    limits = thresholds("analyzer.evidence")
    speed = np.hypot(*np.nan_to_num(track.velocity).T)
    moving = usable & (speed > limits["alignment.least_speed"])
    lag = max(1, round(limits["turning.lag"] / track.nominal_s))
    at = np.flatnonzero(moving)
    if not len(at):
        track.learnt.of("turning", np.zeros((0, 3)), "rows")
        return None
    ahead = _ahead(track, np.flatnonzero(usable & (speed > limits["turning.slowest"])))
    left = np.column_stack([-ahead[:, 1], ahead[:, 0]])
    # what was driven meanwhile no velocity tells
    paused = np.r_[False, np.diff(track.t) > max(limits["turning.unseen"], limits["bridge.longest_usual"] * track.nominal_s)]
    fit = _fit(residual, (ahead, left), np.cumsum(~usable | paused), moving, lag) if moving.sum() >= 20 * lag else np.zeros((0, 3))
    forward, to_left, sigma = _joined(track.learnt.of("turning", fit, "rows"))
    size = float(np.hypot(forward, to_left))
    if not size >= max(limits["turning.sigmas"] * sigma, limits["turning.least"]):
        return None
    found = Turning(forward, to_left, sigma, forward * ahead + to_left * left)
    return found if found.is_offset else replace(found, part=np.zeros_like(found.part))


def _ahead(track: Track, known: NDArray[np.int64]) -> Floats:
    """Return the unit vector ahead (n, 2) by the course at the epochs `known`, turned evenly between them: a car that turns back does so slowly."""
    course = np.unwrap(np.arctan2(track.velocity[known, 1], track.velocity[known, 0]))
    angle = np.interp(track.t, track.t[known], course)
    return np.column_stack([np.cos(angle), np.sin(angle)])


def _joined(fits: Floats) -> tuple[float, float, float]:
    """Return the mean of fits by their weights, NaN without any."""
    if len(fits) < 2:
        return (float(fits[0, 0]), float(fits[0, 1]), float(fits[0, 2])) if len(fits) else (np.nan, np.nan, np.nan)
    weight = 1.0 / fits[:, 2] ** 2
    forward, left = weight @ fits[:, :2] / weight.sum()
    return float(forward), float(left), float(1.0 / np.sqrt(weight.sum()))


def _fit(residual: Floats, axes: tuple[Floats, Floats], stretch: NDArray[np.int64], moving: Flags, lag: int) -> Floats:
    """Return forward and left part and their sigma as one row, from changes within a `stretch`; no row where too little was driven or turned."""
    pair = moving[lag:] & moving[:-lag] & (stretch[lag:] == stretch[:-lag])
    step = np.flatnonzero(pair)[:: max(1, lag // 4)]
    if len(step) < 40:
        return np.zeros((0, 3))
    limits = thresholds("analyzer.evidence")
    turned = np.hypot(*(axes[0][step + lag] - axes[0][step]).T)
    if (turned > limits["turning.least_turn"]).sum() < limits["turning.least_windows"]:
        return np.zeros((0, 3))
    design = np.stack([(x[step + lag] - x[step]).T.ravel() for x in axes], axis=1)
    change = (residual[step + lag] - residual[step]).T.ravel()
    found, scale = robust_fit(design, change)
    inverse = np.linalg.pinv(design.T @ design)
    # windows overlap fourfold, so that only a quarter of them count
    sigma = float(2.0 * scale * np.sqrt(np.diag(inverse).max()))
    return np.array([[found[0], found[1], sigma]])
