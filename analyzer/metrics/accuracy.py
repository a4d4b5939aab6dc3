"""Radii of normal scatter by exact integration: no circular factor is ever applied to an ellipse."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

Array = NDArray[np.float64]



@cache
def _quarter_turn(count: int) -> tuple[Array, Array]:
    """Return the nodes and weights of Gauss-Legendre quadrature over 0 to 1 quarter turns."""
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return 0.5 * (nodes + 1.0), 0.5 * weights


def probability_in_circle(
    radius: Array | float, sigma_major: float, sigma_minor: float, *, nodes: int = 160,
) -> Array:
    """Return the probability that a bivariate normal error lies within `radius` (same unit as the sigmas).

    With x = r sin t the double integral becomes ∫ φ(x/a)/a · erf(r cos t / (b√2)) · r cos t dt over a quarter turn,
    taken by Gauss-Legendre quadrature; exact to about 1e-12 down to a line-like ellipse (b = 0).
    """
    r = np.atleast_1d(np.asarray(radius, dtype=np.float64))[:, None]
    if sigma_major <= 0:
        return np.ones(r.shape[0])
    reach = r / sigma_major
    # beyond nine sigmas along the major axis nothing is left; a shorter range keeps the nodes where the density is
    top = np.arcsin(np.minimum(1.0, 9.0 / np.maximum(reach, 1e-300)))
    place, share = _quarter_turn(nodes)
    angle, weight = place * top, share * top
    along, across = reach * np.sin(angle), r * np.cos(angle)
    inner = special.erf(across / (sigma_minor * np.sqrt(2.0))) if sigma_minor > 0 else np.ones_like(across)
    density = 2.0 / np.sqrt(2.0 * np.pi) * np.exp(-0.5 * along**2) * reach * np.cos(angle)
    return np.asarray((density * inner * weight).sum(axis=1), dtype=np.float64)


def circle_radius(probability: float, sigma_major: float, sigma_minor: float) -> float:
    """Return the radius that holds `probability` of a bivariate normal error about its mean.

    CEP50 is ``circle_radius(0.5, …)`` and R95 is ``circle_radius(0.95, …)``.
    """
    if not sigma_major > 0:
        return 0.0
    ratio = sigma_minor / sigma_major
    high = float(np.sqrt(-2.0 * np.log1p(-probability))) * 1.001
    return sigma_major * float(optimize.brentq(
        lambda r: float(probability_in_circle(r, 1.0, ratio)[0]) - probability, 0.0, high, xtol=1e-12))


def probability_in_sphere(radius: float, sigmas: tuple[float, float, float]) -> float:
    """Return the probability that a trivariate normal error with these principal `sigmas` lies within `radius`."""
    major, middle, minor = sorted(sigmas, reverse=True)
    if major <= 0:
        return 1.0
    top = np.arcsin(min(1.0, 9.0 * major / max(radius, 1e-300)))
    place, share = _quarter_turn(64)
    angle, weight = place * top, share * top
    along = radius * np.sin(angle)
    density = 2.0 / np.sqrt(2.0 * np.pi) * np.exp(-0.5 * (along / major) ** 2) * radius * np.cos(angle) / major
    return float((density * probability_in_circle(radius * np.cos(angle), middle, minor, nodes=64) * weight).sum())


def sphere_radius(probability: float, sigmas: tuple[float, float, float]) -> float:
    """Return the radius that holds `probability` of a trivariate normal error; SEP is ``sphere_radius(0.5, …)``."""
    major = max(sigmas)
    if not major > 0:
        return 0.0
    scaled = (sigmas[0] / major, sigmas[1] / major, sigmas[2] / major)

    def excess(radius: float) -> float:
        return probability_in_sphere(radius, scaled) - probability

    return major * float(optimize.brentq(excess, 1e-9, 9.0, xtol=1e-11))


def principal_axes(var_ee: float, var_nn: float, var_en: float) -> tuple[float, float, float]:
    """Return sigma of the major and minor axis and the orientation of the major one [deg from north, 0 to 180)."""
    middle, half = 0.5 * (var_ee + var_nn), 0.5 * float(np.hypot(var_ee - var_nn, 2.0 * var_en))
    major, minor = float(np.sqrt(max(middle + half, 0.0))), float(np.sqrt(max(middle - half, 0.0)))
    orientation = float(np.degrees(0.5 * np.arctan2(2.0 * var_en, var_nn - var_ee))) % 180.0
    return major, minor, orientation


def sigma_factors(degrees_of_freedom: float, probability: float = 0.95) -> tuple[float, float]:
    """Return the factors that bracket the true sigma about an estimated one with `probability` (chi-square)."""
    tail = 0.5 * (1.0 - probability)
    low = float(special.chdtri(degrees_of_freedom, tail))
    high = float(special.chdtri(degrees_of_freedom, 1.0 - tail))
    return float(np.sqrt(degrees_of_freedom / low)), float(np.sqrt(degrees_of_freedom / high))
