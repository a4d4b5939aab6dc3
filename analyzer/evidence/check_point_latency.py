"""Latency from passes over marks: a position that is this old lies behind by latency times speed, and what that adds to the bound."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from analyzer.evidence.check_point_offsets import Separation, shared
from analyzer.evidence.check_point_stands import limits

Array = NDArray[np.float64]
#: Half width of a 95 % interval over its sigma, for a normal.
HALF = 1.959963984540054


@dataclass(frozen=True)
class Latency:
    """Latency from passes, with the errors that passes can mistake for it.

    Attributes
    ----------
    latency_s, half_s : age of the positions and half width of its 95 % interval.
    forward_m, earth_m : car-fixed offset along, and earth-fixed error along the first course, NaN where neither passes nor stands tell it; what is not told
        is allowed for in the interval.
    passes : how many there are.
    by_stands : whether stands on marks told `forward_m` and `earth_m`; then the bound has them already.
    consistent : False where no latency explains the passes (99 %); the interval is widened then.
    course_deg : of the first pass.
    along_m2 : covariance (2, 2) of latency [s] and `forward_m`.
    earth_bound_m : upper end of the earth-fixed error that the passes themselves tell, 0 where there is none or chance explains it.
    """

    latency_s: float
    half_s: float
    forward_m: float
    earth_m: float
    passes: int
    by_stands: bool
    consistent: bool
    course_deg: float
    along_m2: Array
    earth_bound_m: float

    @property
    def significant(self) -> bool:
        """Whether the interval leaves out zero."""
        return abs(self.latency_s) > self.half_s

    @property
    def own_forward(self) -> bool:
        """Whether the passes themselves tell the car-fixed offset along."""
        return bool(np.isfinite(self.forward_m)) and not self.by_stands

    def along_m(self, speed_mps: Array) -> Array:
        """Return what positions at these speeds may be off along the track by: upper end of the 95 % interval, 0 where chance explains the error."""
        design = np.column_stack([-speed_mps, np.full(len(speed_mps), float(self.own_forward))])
        value = np.array([self.latency_s, self.forward_m if self.own_forward else 0.0])
        if not (self.significant or self._jointly(value)):
            return np.zeros(len(speed_mps))
        size = np.abs(design @ value)
        half = HALF * np.sqrt(np.einsum("ij,jk,ik->i", design, self.along_m2, design))
        return np.asarray(np.where(size > half, size + half, 0.0), dtype=np.float64)

    def _jointly(self, value: Array) -> bool:
        """Return whether chance explains latency and offset together with a probability below 5 %."""
        if not self.own_forward:
            return False
        return bool(value @ np.linalg.solve(self.along_m2, value) > stats.chi2.ppf(0.95, 2))


def latency_from_passes(passes: pd.DataFrame, *, stands: Separation | None = None, framed: bool = True) -> Latency | None:
    """Return latency from passes over known points at known moments; None without any.

    Parameters
    ----------
    passes : ``course_deg speed_mps along_m`` and, where known, ``sigma_m mark mark_sigma_h_m``; ``along_m`` is the logged minus the true
        position along the direction of travel at the moment of passing.
    stands : what stands on marks of the same file told apart, or None.
    framed : whether base and marks stand in one frame.

    Model: ``along = forward + earth . direction - latency speed``, where the survey error of a mark is one unknown of all its passes.
    Opposite passes tell the earth-fixed part, different speeds tell the car-fixed part from latency. What they do not tell
    (`pass.told`) is what stands found, else 0 with the sigma `pass.untold`, so that it widens the interval of the latency.
    """
    if not len(passes):
        return None
    speed, course, along = (passes[c].to_numpy(np.float64) for c in ("speed_mps", "course_deg", "along_m"))
    facing = np.radians(course - course[0])
    design = np.column_stack([-speed, np.ones(len(speed)), np.cos(facing), np.sin(facing)])
    by_stands = stands is not None and stands.car is not None and stands.consistent
    start, spread = _of_stands(stands, course[0]) if stands is not None and by_stands else _allowed(framed)
    lower = np.linalg.cholesky(_covariance(passes, facing))
    weighted, target = np.linalg.solve(lower, design), np.linalg.solve(lower, along)
    weight = np.asarray(np.linalg.inv(spread), dtype=np.float64)
    told = np.full(3, by_stands)
    if not by_stands:
        left = np.sqrt(np.diag(_solved(weighted, target, start, weight)[1]))[1:]
        told = left <= limits()["pass.told"] * np.sqrt(np.diag(spread))
    free = told & (not by_stands)
    kept = np.where(np.outer(~free, ~free), weight, 0.0)
    value, covariance = _solved(weighted, target, start, kept)
    chi = float(np.sum((target - weighted @ value) ** 2) + (value[1:] - start) @ kept @ (value[1:] - start))
    found = _latency(value, covariance, told, chi=chi, freedom=len(along) - 1 - int(free.sum()), by_stands=by_stands)
    return replace(found, passes=len(passes), course_deg=float(course[0]))


def _latency(
    value: Array, covariance: Array, told: NDArray[np.bool_], *, chi: float, freedom: int, by_stands: bool,
) -> Latency:
    """Return the solution with its intervals, widened where the passes disagree beyond their uncertainty (99 %)."""
    consistent = freedom < 1 or chi <= float(stats.chi2.ppf(0.99, freedom))
    scaled = covariance if consistent else covariance * chi / freedom
    half = HALF * np.sqrt(np.diag(scaled))
    forward, *earth = (float(value[k]) if told[k - 1] else float("nan") for k in (1, 2, 3))
    shown = [abs(e) + h for e, h in zip(earth, half[2:], strict=True) if abs(e) > h and not by_stands]
    return Latency(float(value[0]), float(half[0]), forward, earth[0], 0, by_stands, consistent, 0.0, scaled[:2, :2], float(np.hypot.reduce([0.0, *shown])))


def _solved(weighted: Array, target: Array, start: Array, kept: Array) -> tuple[Array, Array]:
    """Return solution and covariance of latency and three errors, of which `kept` (3, 3) is the weight at `start` (3,)."""
    weight = weighted.T @ weighted
    weight[1:, 1:] += kept
    right = weighted.T @ target
    right[1:] += kept @ start
    covariance = np.asarray(np.linalg.inv(weight), dtype=np.float64)
    return covariance @ right, covariance


def _allowed(framed: bool) -> tuple[Array, Array]:
    """Return values and covariance [m²] that stand in for forward, earth along and earth across the first course."""
    limit = limits()
    earth = limit["pass.untold"] if framed else limit["pass.untold_frame"]
    return np.zeros(3), np.diag([limit["pass.untold"] ** 2, earth**2, earth**2])


def _of_stands(stands: Separation, course_deg: float) -> tuple[Array, Array]:
    """Return the same as stands on marks told them."""
    assert stands.car is not None
    psi = np.radians(course_deg)
    turned = np.array([[np.sin(psi), np.cos(psi)], [np.cos(psi), -np.sin(psi)]])
    value = np.concatenate([[stands.car.value_m[0]], turned @ np.array(stands.earth.value_m)])
    covariance = np.zeros((3, 3))
    covariance[0, 0] = stands.car.covariance_m2[0, 0]
    covariance[1:, 1:] = turned @ stands.earth.covariance_m2 @ turned.T
    return value, covariance


def _covariance(passes: pd.DataFrame, facing_rad: Array) -> Array:
    """Return the covariance [m²] of ``along_m``: own noise, and the survey error of a mark as it lies along each of its passes."""
    own = passes["sigma_m"].to_numpy(np.float64) if "sigma_m" in passes else np.full(len(passes), limits()["pass.sigma"])
    out = np.diag(own**2)
    if "mark" in passes:
        survey = np.nan_to_num(passes["mark_sigma_h_m"].to_numpy(np.float64))
        out += shared(passes["mark"].to_numpy(), survey) * np.cos(facing_rad[:, None] - facing_rad[None, :])
    return np.asarray(out, dtype=np.float64)


def speeds(fixes: pd.DataFrame, east_m: Array, north_m: Array, t: Array) -> Array:
    """Return the speed of every epoch [m/s]: as logged, else from the way between neighbours, 0 where there is none."""
    logged = fixes["speed_mps"].to_numpy(np.float64)
    if np.isfinite(logged).all() or len(t) < 2:
        return np.asarray(np.nan_to_num(logged), dtype=np.float64)
    known = np.flatnonzero(np.isfinite(east_m) & np.isfinite(north_m))
    if len(known) < 2:
        return np.asarray(np.nan_to_num(logged), dtype=np.float64)
    way = np.hypot(np.diff(east_m[known]), np.diff(north_m[known])) / np.diff(t[known])
    # the faster of the pieces on either side
    driven = np.maximum(np.append(way, 0.0), np.append(0.0, way))
    filled = np.zeros(len(t))
    filled[known] = driven
    return np.asarray(np.where(np.isfinite(logged), logged, filled), dtype=np.float64)
