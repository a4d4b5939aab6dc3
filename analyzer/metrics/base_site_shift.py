"""A shift of the base: its size and uncertainty, whether it is real, the smallest that would be found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, stats

from analyzer.settings import thresholds

Array = NDArray[np.float64]
AXIS_95 = 1.959963984540054
#: Room for roundings of entered coordinates and rod readings [m], added where a shift is held against a named size.
_NAMED_SIGMA_M = 0.004


def limits() -> dict[str, float]:
    """Return the numbers of thresholds_base.toml."""
    return dict(thresholds("analyzer.metrics", "thresholds_base.toml"))


@dataclass(frozen=True)
class Shift:
    """A shift (east, north, up) with its joint test.

    Attributes
    ----------
    vector_m, covariance_m2 : the estimate, (3,) and (3, 3).
    half_width_m : half widths of the 95 % interval per axis.
    statistic, degrees, p_value : Mahalanobis square of the vector, chi-square with `degrees` degrees of freedom.
    level : level of the test.
    found : whether p is below the level.
    detectable_m : size that is found with the stated power in every direction.
    detectable_axis_m : the same for shifts along east, north and up alone.
    """

    vector_m: tuple[float, float, float]
    covariance_m2: tuple[tuple[float, ...], ...]
    half_width_m: tuple[float, float, float]
    statistic: float
    degrees: int
    p_value: float
    level: float
    found: bool
    detectable_m: float
    detectable_axis_m: tuple[float, float, float]

    @property
    def horizontal_m(self) -> float:
        """Length of the horizontal part [m]."""
        return float(np.hypot(self.vector_m[0], self.vector_m[1]))

    @property
    def size_m(self) -> float:
        """Length of the vector [m]."""
        return float(np.linalg.norm(self.vector_m))


@cache
def noncentrality(level: float, power: float, degrees: int) -> float:
    """Return the noncentrality at which a chi-square test at `level` has `power`."""
    critical = float(stats.chi2.isf(level, degrees))

    def lacking(value: float) -> float:
        return float(stats.ncx2.sf(critical, degrees, value)) - power

    return float(optimize.brentq(lacking, 1e-9, 1e3))


def detectable(covariance_m2: ArrayLike, *, level: float, power: float) -> tuple[float, tuple[float, ...]]:
    """Return the size found with `power` in every direction [m], and that along each axis alone [m]."""
    matrix = np.asarray(covariance_m2, dtype=np.float64)
    reach = noncentrality(level, power, len(matrix))
    widest = float(np.linalg.eigvalsh(matrix)[-1])
    along = np.sqrt(reach / np.diag(np.linalg.inv(matrix)))
    return float(np.sqrt(reach * widest)), tuple(float(v) for v in along)


def judge_shift(vector_m: ArrayLike, covariance_m2: ArrayLike, *, level: float | None = None) -> Shift:
    """Return the shift `vector_m` (east, north, up) with its joint chi-square test.

    Parameters
    ----------
    vector_m, covariance_m2 : (3,) [m] and (3, 3) [m²], known variances.
    level : level of the test; default `shift.level`.
    """
    limit = limits()
    level = limit["shift.level"] if level is None else level
    vector, matrix = np.asarray(vector_m, dtype=np.float64), np.asarray(covariance_m2, dtype=np.float64)
    statistic = float(vector @ np.linalg.solve(matrix, vector))
    p_value = float(stats.chi2.sf(statistic, len(vector)))
    every, along = detectable(matrix, level=level, power=limit["shift.power"])
    half = AXIS_95 * np.sqrt(np.diag(matrix))
    return Shift(
        _three(vector),
        tuple(tuple(float(v) for v in row) for row in matrix),
        _three(half),
        statistic,
        len(vector),
        p_value,
        level,
        p_value < level,
        every,
        _three(along),
    )


def _three(values: ArrayLike) -> tuple[float, float, float]:
    a, b, c = (float(v) for v in np.asarray(values, dtype=np.float64))
    return a, b, c


@dataclass(frozen=True)
class Suspect:
    """A size that a common mistake makes: `vector_m` is the shift of all positions, `words` says the mistake."""

    key: str
    vector_m: tuple[float, float, float]
    words: str


def antenna_suspects(antenna_height_m: float | None) -> list[Suspect]:
    """Return what a wrong antenna height at the base does to the height of every position."""
    if antenna_height_m is None or not antenna_height_m > 0:
        return []
    height = float(antenna_height_m)
    fit = f"the base antenna height of {height:.3f} m"
    return [
        Suspect("antenna_height_left_out", (0.0, 0.0, -height), f"{fit} was left out"),
        Suspect("antenna_height_twice", (0.0, 0.0, height), f"{fit} was counted twice"),
    ]


def geoid_suspects(separation_m: float | None) -> list[Suspect]:
    """Return what mixing heights above ellipsoid and geoid does."""
    if separation_m is None or not np.isfinite(separation_m) or abs(separation_m) < 0.5:
        return []
    fit = f"the geoid separation of {separation_m:.2f} m"
    return [
        Suspect(
            "height_above_geoid_entered",
            (0.0, 0.0, -float(separation_m)),
            f"{fit}: a height above the geoid was entered as ellipsoidal",
        ),
        Suspect("geoid_separation_twice", (0.0, 0.0, float(separation_m)), f"{fit} was added twice"),
    ]


def place_suspects(own_m: ArrayLike, others: Sequence[tuple[str, ArrayLike]]) -> list[Suspect]:
    """Return what taking another known place for the own one does; places as (east, north, up) [m] in one frame."""
    own = np.asarray(own_m, dtype=np.float64)
    out = []
    for name, place in others:
        way = np.asarray(place, dtype=np.float64) - own
        if not np.isfinite(way).all() or np.linalg.norm(way) < 0.02:
            continue
        out.append(
            Suspect(
                "coordinates_of_neighbour",
                _three(way),
                f"the coordinates of {name} were entered while the antenna stands at its own place",
            )
        )
        out.append(
            Suspect(
                "antenna_at_neighbour",
                _three(-way),
                f"the antenna stands at {name} while the own coordinates were entered",
            )
        )
    return out


def name_sizes(shift: Shift, suspects: Sequence[Suspect]) -> tuple[Suspect, ...]:
    """Return the mistakes whose size fits a shift that was found, best fit first.

    A size fits where the joint test of the difference does not reject it at the level of the shift, and only if it
    explains the shift better than no shift at all.
    """
    if not shift.found:
        return ()
    matrix = np.asarray(shift.covariance_m2) + _NAMED_SIGMA_M**2 * np.eye(3)
    critical = float(stats.chi2.isf(shift.level, 3))
    rated = []
    for suspect in suspects:
        rest = np.asarray(shift.vector_m) - np.asarray(suspect.vector_m)
        misfit = float(rest @ np.linalg.solve(matrix, rest))
        if misfit < critical and misfit < shift.statistic:
            rated.append((misfit, suspect))
    return tuple(s for _, s in sorted(rated, key=lambda pair: pair[0]))


def family_test_level(count: int) -> float:
    """Return the level of each of `count` tests against one reference: 1 %, lower where the family would exceed 3 %."""
    limit = limits()
    return min(limit["shift.level"], limit["shift.family_level"] / max(count, 1))
