"""Earth-fixed against car-fixed error from stands at several headings, and latency from passes, by least squares."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from analyzer.evidence.check_point_stands import limits

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Offset:
    """A constant error with its uncertainty.

    Attributes
    ----------
    axes : ``east north`` (earth-fixed) or ``forward left`` (car-fixed, ISO 8855).
    value_m, half_m : error and half width of its 95 % interval per axis.
    covariance_m2 : (2, 2).
    stands : how many stands it rests on.
    """

    axes: tuple[str, str]
    value_m: tuple[float, float]
    half_m: tuple[float, float]
    covariance_m2: Array
    stands: int

    @property
    def size_m(self) -> float:
        """Length of the error [m]."""
        return float(np.hypot(*self.value_m))

    @property
    def significant(self) -> bool:
        """Whether chance explains the error with a probability below 5 % (chi-squared, two axes)."""
        value = np.array(self.value_m)
        return bool(value @ np.linalg.solve(self.covariance_m2, value) > stats.chi2.ppf(0.95, 2))

    @property
    def upper_m(self) -> float:
        """Upper end of the size: its value plus the longer half axis of its 95 % ellipse [m]."""
        return self.size_m + self.unseen_m

    @property
    def unseen_m(self) -> float:
        """Size of an error that would not have shown: longer half axis of the 95 % ellipse [m]."""
        return float(np.sqrt(stats.chi2.ppf(0.95, 2) * np.linalg.eigvalsh(self.covariance_m2)[-1]))


@dataclass(frozen=True)
class Separation:
    """What stands at several headings say.

    Attributes
    ----------
    earth, car : earth-fixed and car-fixed error; `car` is None where headings do not differ enough, and `earth` then
        holds the sum of both.
    misfit : chi-squared per degree of freedom of the stands against one common error, NaN without a spare stand.
    consistent : False where the stands disagree beyond their uncertainty (99 %).
    """

    earth: Offset
    car: Offset | None
    misfit: float
    consistent: bool


def car_to_earth(heading_deg: Array) -> Array:
    """Return rotations from forward, left (ISO 8855) to east, north, shape (n, 2, 2); heading clockwise from north."""
    psi = np.radians(heading_deg)
    return np.moveaxis(np.array([[np.sin(psi), -np.cos(psi)], [np.cos(psi), np.sin(psi)]]), -1, 0)


def separate(stands: pd.DataFrame) -> Separation | None:
    """Return earth-fixed and car-fixed error from stands, layout `check_point_stands.COLUMNS`; None without any.

    The model is ``offset = earth + R(heading) car``. With two stands facing opposite ways earth is the mean and car
    half the difference in car axes. Survey errors of one mark are common to its stands and counted with every stand.
    """
    if not len(stands):
        return None
    offset = stands[["offset_e_m", "offset_n_m"]].to_numpy(np.float64)
    sigma = stands[["sigma_e_m", "sigma_n_m"]].to_numpy(np.float64)
    heading = stands["heading_deg"].to_numpy(np.float64)
    known = np.isfinite(heading)
    apart = spread(heading[known]) >= limits()["separate.spread"] if known.sum() >= 2 else False
    if apart:
        offset, sigma, heading = offset[known], sigma[known], heading[known]
    design = np.tile(np.eye(2), (len(offset), 1))
    if apart:
        design = np.hstack([design, car_to_earth(heading).reshape(-1, 2)])
    value, covariance, misfit, freedom = least_squares(design, offset.ravel(), sigma.ravel())
    consistent = freedom < 1 or misfit * freedom <= stats.chi2.ppf(0.99, freedom)
    widen = misfit if not consistent else 1.0
    count = len(offset)
    earth = _offset(("east", "north"), value[:2], covariance[:2, :2] * widen, count)
    car = _offset(("forward", "left"), value[2:], covariance[2:, 2:] * widen, count) if apart else None
    return Separation(earth, car, misfit, bool(consistent))


def spread(heading_deg: Array) -> float:
    """Return 1 minus the resultant length of directions: 0 for equal ones, 1 for opposite ones."""
    return float(1.0 - abs(np.exp(1j * np.radians(heading_deg)).mean())) if len(heading_deg) else 0.0


def least_squares(design: Array, seen: Array, sigma: Array) -> tuple[Array, Array, float, int]:
    """Return solution, covariance, chi-squared per degree of freedom (NaN for none) and degrees of freedom."""
    weighted, target = design / sigma[:, None], seen / sigma
    covariance: Array = np.asarray(np.linalg.inv(weighted.T @ weighted), dtype=np.float64)
    value = covariance @ weighted.T @ target
    freedom = int(len(seen) - design.shape[1])
    chi = float(np.sum((target - weighted @ value) ** 2))
    return value, covariance, chi / freedom if freedom > 0 else float("nan"), freedom


def _offset(axes: tuple[str, str], value: Array, covariance: Array, stands: int) -> Offset:
    half = 1.959963984540054 * np.sqrt(np.diag(covariance))
    return Offset(axes, (float(value[0]), float(value[1])), (float(half[0]), float(half[1])), covariance, stands)


@dataclass(frozen=True)
class Latency:
    """Latency from passes: a position that is this old lies behind by latency times speed.

    `latency_s` and `half_s` (95 %); `forward_m` the car-fixed offset along, NaN where speeds do not differ enough to
    tell it (then taken as 0); `earth_m` the earth-fixed offset along the first course, NaN without opposite passes
    (then taken as 0). `passes` counts them.
    """

    latency_s: float
    half_s: float
    forward_m: float
    earth_m: float
    passes: int

    @property
    def significant(self) -> bool:
        """Whether the interval leaves out zero."""
        return abs(self.latency_s) > self.half_s


def latency_from_passes(passes: pd.DataFrame) -> Latency | None:
    """Return latency from passes over known points at known moments; None for fewer than two.

    Parameters
    ----------
    passes : ``course_deg speed_mps along_m`` and, where known, ``sigma_m``; ``along_m`` is the logged minus the true
        position along the direction of travel at the moment of passing.

    Model: ``along = forward + earth cos(course - course of the first) - latency speed``. Opposite passes tell the
    earth-fixed part, different speeds tell the car-fixed part from latency.
    """
    if len(passes) < 2:
        return None
    speed, course, along = (passes[c].to_numpy(np.float64) for c in ("speed_mps", "course_deg", "along_m"))
    sigma = np.full(len(passes), limits()["pass.sigma"])
    if "sigma_m" in passes:
        sigma = passes["sigma_m"].to_numpy(np.float64)
    facing = np.cos(np.radians(course - course[0]))
    columns = [-speed]
    tells_earth = facing.min() < -0.5
    tells_forward = np.ptp(speed) >= limits()["pass.speed_spread"] * speed.max() and len(passes) >= 2 + tells_earth
    if tells_forward:
        columns.append(np.ones(len(passes)))
    if tells_earth:
        columns.append(facing)
    value, covariance, misfit, freedom = least_squares(np.column_stack(columns), along, sigma)
    widen = max(misfit, 1.0) if freedom > 0 else 1.0
    half = float(stats.t.ppf(0.975, freedom) if freedom > 0 and widen > 1 else 1.959963984540054) * float(
        np.sqrt(covariance[0, 0] * widen))
    return Latency(
        float(value[0]), half, float(value[1]) if tells_forward else float("nan"),
        float(value[-1]) if tells_earth else float("nan"), len(passes),
    )
