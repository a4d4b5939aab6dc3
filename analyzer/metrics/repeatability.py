"""Repeat precision in the manner of ISO 17123-8, and accuracy at check points in the manner of the NSSDA.

ISO 17123-8 (ed. 2, 2015) judges precision, that is repeatability, of real-time kinematic measurements from sets taken
minutes apart on two rover points in series hours apart. The body of the standard was not re-read; counts of degrees of
freedom and test factors follow from chi-square and F as computed here. NSSDA is FGDC-STD-007.3-1998 (from memory, not
re-read).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

Array = NDArray[np.float64]
#: Probabilities of the tests of the field procedure: one-sided 95 %, two-sided 95 %.
ONE_SIDED, TWO_SIDED = 0.95, 0.975
RADIUS_95_PER_SIGMA = 2.447746830680816
AXIS_95 = 1.959963984540054


@dataclass(frozen=True)
class Precision:
    """Experimental standard deviations of one campaign of sets.

    Attributes
    ----------
    s_horizontal_m : √(s_x² + s_y²), `horizontal_degrees` of freedom (x and y together).
    s_height_m : of the height, `height_degrees` of freedom.
    residual_m : (n, 3) deviations from the mean of each point over all sets.
    """

    s_east_m: float
    s_north_m: float
    s_horizontal_m: float
    s_height_m: float
    horizontal_degrees: int
    height_degrees: int
    residual_m: Array


def precision(positions_m: ArrayLike, point: ArrayLike) -> Precision:
    """Return the repeat precision of set readings.

    Parameters
    ----------
    positions_m : (n, 3) east, north, up of every reading: one per set and point, not one per epoch.
    point : (n,) which rover point each reading belongs to.

    Raises
    ------
    ValueError : no point has two readings.

    With two points and fifteen sets each, as the full procedure asks for, there are (15 - 1)·2 = 28 degrees of freedom
    per coordinate.
    """
    places, names = np.asarray(positions_m, dtype=np.float64), np.asarray(point)
    kinds, index = np.unique(names, return_inverse=True)
    count = np.bincount(index)
    degrees = int(len(places) - len(kinds))
    if degrees < 1:
        raise ValueError("repeat precision needs at least one point with two readings")
    means = np.stack([np.bincount(index, places[:, k]) / count for k in range(3)], axis=1)
    residual = places - means[index]
    s = np.sqrt((residual**2).sum(axis=0) / degrees)
    return Precision(float(s[0]), float(s[1]), float(np.hypot(s[0], s[1])), float(s[2]), 2 * degrees, degrees, residual)


@dataclass(frozen=True)
class Test:
    """One statistical test in the manner of the field procedure."""

    __test__ = False

    key: str
    value: float
    low: float
    high: float
    passed: bool
    words: str


def within_stated(s_m: float, sigma_m: float, degrees: int, *, key: str) -> Test:
    """Test whether an experimental standard deviation is at most the stated one (chi-square, one-sided 95 %).

    The factor is √(χ²₀.₉₅(ν)/ν): 1.15 for 56 and 1.22 for 28 degrees of freedom.
    """
    factor = float(np.sqrt(stats.chi2.ppf(ONE_SIDED, degrees) / degrees))
    passed = bool(s_m <= factor * sigma_m)
    words = (
        f"{s_m * 1000:.1f} mm against {sigma_m * 1000:.1f} mm stated: "
        f"{'within' if passed else 'beyond'} {factor:.2f} times it ({degrees} degrees of freedom)"
    )
    return Test(key, s_m, 0.0, factor * sigma_m, passed, words)


def same_precision(first_m: float, second_m: float, degrees: tuple[int, int], *, key: str) -> Test:
    """Test whether two campaigns have the same precision (F, two-sided 95 %).

    The ratio of variances lies between 0.59 and 1.70 for 56, between 0.47 and 2.13 for 28 degrees of freedom each.
    """
    low = float(stats.f.ppf(1 - TWO_SIDED, *degrees))
    high = float(stats.f.ppf(TWO_SIDED, *degrees))
    ratio = (first_m / second_m) ** 2 if second_m > 0 else float("inf")
    passed = bool(low <= ratio <= high)
    words = f"ratio of variances {ratio:.2f}, {'inside' if passed else 'outside'} {low:.2f} to {high:.2f}"
    return Test(key, ratio, low, high, passed, words)


def outlying(
    distance_m: float, height_m: float, known: tuple[float, float], *, s_horizontal_m: float, s_height_m: float
) -> bool:
    """Return whether a set fails the screen: distance or height difference off by more than 2.5·√2 times s.

    `known` holds the horizontal distance and the height difference of the two rover points, known better than 3 mm.
    """
    factor = 2.5 * np.sqrt(2.0)
    return bool(abs(distance_m - known[0]) > factor * s_horizontal_m or abs(height_m - known[1]) > factor * s_height_m)


@dataclass(frozen=True)
class PointAccuracy:
    """Accuracy at check points at 95 % in the manner of the NSSDA.

    `horizontal_95_m` is None with the reason in `horizontal_reason` where the standard's formula does not apply;
    `enough` says whether at least twenty check points stand behind it.
    """

    n: int
    rmse_east_m: float
    rmse_north_m: float
    rmse_up_m: float
    horizontal_95_m: float | None
    vertical_95_m: float
    enough: bool
    horizontal_reason: str = ""


def point_accuracy(difference_m: ArrayLike) -> PointAccuracy:
    """Return the accuracy of tested minus known coordinates, (n, 3) east, north, up [m].

    Horizontal 1.7308·RMSE_r where the axes agree, else 2.4477·(RMSE_x + RMSE_y)/2 for ratios from 0.6 to 1; vertical
    1.9600·RMSE_z. At least 20 check points, so that one may exceed.
    """
    rows = np.asarray(difference_m, dtype=np.float64)
    rmse = np.sqrt((rows**2).mean(axis=0))
    low, high = sorted((float(rmse[0]), float(rmse[1])))
    horizontal, reason = None, ""
    if high > 0 and low / high < 0.6:
        reason = f"the axes differ by more than the formula allows (ratio {low / high:.2f}, at least 0.6)"
    else:
        horizontal = RADIUS_95_PER_SIGMA * 0.5 * (low + high)
    return PointAccuracy(
        len(rows),
        float(rmse[0]),
        float(rmse[1]),
        float(rmse[2]),
        horizontal,
        AXIS_95 * float(rmse[2]),
        len(rows) >= 20,
        reason,
    )
