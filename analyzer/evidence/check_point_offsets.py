"""Earth-fixed against car-fixed error from stands at several headings, by least squares."""

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
    half the difference in car axes. The survey error of a mark is one unknown of all its stands: it does not average out.
    Stands whose offset is not known are left out, and of stands facing different ways those whose heading is not known.
    """
    stands = stands[np.isfinite(stands[["offset_e_m", "offset_n_m"]].to_numpy(np.float64)).all(axis=1)] if len(stands) else stands
    if not len(stands):
        return None
    heading = stands["heading_deg"].to_numpy(np.float64)
    known = np.isfinite(heading)
    apart = spread(heading[known]) >= limits()["separate.spread"] if known.sum() >= 2 else False
    if apart:
        stands, heading = stands[known], heading[known]
    offset = stands[["offset_e_m", "offset_n_m"]].to_numpy(np.float64)
    design = np.tile(np.eye(2), (len(offset), 1))
    if apart:
        design = np.hstack([design, car_to_earth(heading).reshape(-1, 2)])
    value, covariance, misfit, freedom = least_squares(design, offset.ravel(), _covariance(stands))
    consistent = freedom < 1 or misfit * freedom <= stats.chi2.ppf(0.99, freedom)
    widen = misfit if not consistent else 1.0
    count = len(offset)
    earth = _offset(("east", "north"), value[:2], covariance[:2, :2] * widen, count)
    car = _offset(("forward", "left"), value[2:], covariance[2:, 2:] * widen, count) if apart else None
    return Separation(earth, car, misfit, bool(consistent))


def _covariance(stands: pd.DataFrame) -> Array:
    """Return the covariance [m²] of the offsets east, north of the first stand, then the second and so on, shape (2n, 2n)."""
    sigma = stands[["sigma_e_m", "sigma_n_m"]].to_numpy(np.float64)
    survey = np.nan_to_num(stands["mark_sigma_h_m"].to_numpy(np.float64))
    own = np.maximum(sigma**2 - survey[:, None] ** 2, 0.0)
    return np.asarray(np.diag(own.ravel()) + np.kron(shared(stands["mark"].to_numpy(), survey), np.eye(2)), dtype=np.float64)


def shared(marks: NDArray[np.generic], survey_m: Array) -> Array:
    """Return the covariance [m²] that errors of the same mark share, per axis, shape (n, n)."""
    same = (marks[:, None] == marks[None, :]) | np.eye(len(marks), dtype=bool)
    return np.asarray(np.where(same, survey_m[:, None] * survey_m[None, :], 0.0), dtype=np.float64)


def spread(heading_deg: Array) -> float:
    """Return 1 minus the resultant length of directions: 0 for equal ones, 1 for opposite ones."""
    return float(1.0 - abs(np.exp(1j * np.radians(heading_deg)).mean())) if len(heading_deg) else 0.0


def least_squares(design: Array, seen: Array, covariance_m2: Array) -> tuple[Array, Array, float, int]:
    """Return solution, covariance, chi-squared per degree of freedom (NaN for none) and degrees of freedom; `covariance_m2` of what was seen."""
    lower = np.linalg.cholesky(covariance_m2)
    weighted, target = np.linalg.solve(lower, design), np.linalg.solve(lower, seen)
    covariance: Array = np.asarray(np.linalg.inv(weighted.T @ weighted), dtype=np.float64)
    value = covariance @ weighted.T @ target
    freedom = int(len(seen) - design.shape[1])
    chi = float(np.sum((target - weighted @ value) ** 2))
    return value, covariance, chi / freedom if freedom > 0 else float("nan"), freedom


def _offset(axes: tuple[str, str], value: Array, covariance: Array, stands: int) -> Offset:
    half = 1.959963984540054 * np.sqrt(np.diag(covariance))
    return Offset(axes, (float(value[0]), float(value[1])), (float(half[0]), float(half[1])), covariance, stands)

