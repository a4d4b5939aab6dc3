"""Radii of normal scatter, confidence of sigmas and independent samples against closed forms and published figures.

Sources: R = sqrt(-2 ln(1-p)) for the circular case (closed form); elliptical radii by exact integration, computed
independently with scipy; published statements of National Academies book 4920, chapter 111, of the NSSDA
(FGDC-STD-007.3-1998, from memory, not re-read) and of common conversion tables.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, signal

from analyzer.metrics.accuracy import (
    circle_radius,
    principal_axes,
    probability_in_circle,
    probability_in_sphere,
    sigma_factors,
    sphere_radius,
)
from analyzer.metrics.independence import effective_samples
from analyzer.metrics.scatter import scatter


@pytest.mark.parametrize("probability, radius", [
    (0.3935, 1.0000), (0.5, 1.17741), (0.6321, 1.41421), (0.6827, 1.51517), (0.75, 1.66511), (0.90, 2.14597),
    (0.95, 2.44775), (0.9817, 2.82843), (0.99, 3.03485), (0.997, 3.40856),
])
def test_circular_radii_follow_the_closed_form(probability, radius):
    exact = float(np.sqrt(-2 * np.log(1 - probability)))
    assert circle_radius(probability, 1.0, 1.0) == pytest.approx(exact, rel=1e-9)
    assert circle_radius(probability, 1.0, 1.0) == pytest.approx(radius, abs=1e-3)


@pytest.mark.parametrize("ratio, cep50, r95, in_drms, in_2drms", [
    (1.0, 1.17741, 2.44775, .6321, .9817), (0.9, 1.11807, 2.33180, .6331, .9813), (0.8, 1.05769, 2.23029, .6365, .9799),
    (0.6, 0.93365, 2.08130, .6519, .9741), (0.5, 0.87042, 2.03586, .6630, .9698), (0.4, 0.80785, 2.00514, .6735, .9653),
    (0.3, 0.74994, 1.98420, .6801, .9611), (0.2, 0.70585, 1.97041, .6823, .9576), (0.1, 0.68199, 1.96253, .6827, .9553),
    (0.0, 0.67449, 1.95996, .6827, .9545),
])
def test_elliptical_radii_by_exact_integration(ratio, cep50, r95, in_drms, in_2drms):
    assert circle_radius(0.5, 1.0, ratio) == pytest.approx(cep50, abs=6e-6)
    assert circle_radius(0.95, 1.0, ratio) == pytest.approx(r95, abs=6e-6)
    drms = float(np.hypot(1.0, ratio))
    assert float(probability_in_circle(drms, 1.0, ratio)[0]) == pytest.approx(in_drms, abs=6e-5)
    assert float(probability_in_circle(2 * drms, 1.0, ratio)[0]) == pytest.approx(in_2drms, abs=6e-5)


@pytest.mark.parametrize("ratio", [0.0, 0.1, 0.2, 0.6, 1.0])
def test_circular_factors_are_wrong_on_ellipses_by_the_known_amounts(ratio):
    """0.589(σx+σy) is -12.7 % at ratio 0, -5.0 % at 0.1, within 2.1 % from 0.2; computed independently."""
    error = 0.589 * (1 + ratio) / circle_radius(0.5, 1.0, ratio) - 1
    expected = {0.0: -0.127, 0.1: -0.050, 0.2: 0.0013, 0.6: 0.0094, 1.0: 0.0005}[ratio]
    assert error == pytest.approx(expected, abs=6e-4)


def test_published_ratios_of_the_circular_case():
    """R95 = 2.08 CEP, DRMS = 1.2 CEP, NSSDA 1.7308 RMSE_r = 2.4477 sigma; 2DRMS holds 95.4 to 98.2 percent."""
    assert circle_radius(0.95, 1, 1) / circle_radius(0.5, 1, 1) == pytest.approx(2.08, abs=2e-3)
    assert np.sqrt(2) / circle_radius(0.5, 1, 1) == pytest.approx(1.2, abs=2e-3)
    assert circle_radius(0.95, 1, 1) / np.sqrt(2) == pytest.approx(1.7308, abs=5e-5)
    share = [float(probability_in_circle(2 * np.hypot(1, k), 1, k)[0]) for k in np.linspace(0, 1, 21)]
    assert min(share) > 0.954 and max(share) < 0.982


def test_spherical_radii():
    """SEP 1.53817 σ, 95 % 2.79548 σ, MRSE holds 60.84 %, the 1-sigma sphere 19.87 %."""
    one = (1.0, 1.0, 1.0)
    assert sphere_radius(0.5, one) == pytest.approx(1.53817, abs=6e-6)
    assert sphere_radius(0.95, one) == pytest.approx(2.79548, abs=6e-6)
    assert probability_in_sphere(np.sqrt(3), one) == pytest.approx(0.6084, abs=6e-5)
    assert probability_in_sphere(1.0, one) == pytest.approx(0.1987, abs=6e-5)
    assert sphere_radius(0.5, (1.0, 0.0, 0.0)) == pytest.approx(0.67449, abs=6e-6)


def test_sphere_agrees_with_adaptive_integration_for_unequal_axes():
    sigmas, radius = (1.0, 0.5, 0.3), 1.2

    def density(z):
        inside = float(probability_in_circle(np.sqrt(radius**2 - z**2), 0.5, 0.3)[0])
        return inside * np.exp(-z * z / 2) / np.sqrt(2 * np.pi)

    reference = integrate.quad(density, -radius, radius, epsabs=1e-10)[0]
    assert probability_in_sphere(radius, sigmas) == pytest.approx(reference, abs=1e-8)


@pytest.mark.parametrize("count, low, high", [
    (10, 0.688, 1.826), (20, 0.760, 1.461), (30, 0.796, 1.344), (60, 0.848, 1.220), (100, 0.878, 1.162),
    (1000, 0.958, 1.046),
])
def test_confidence_of_a_sigma(count, low, high):
    """Chi-square intervals for a standard deviation from n samples, computed independently."""
    found = sigma_factors(count - 1)
    assert found == pytest.approx((low, high), abs=6e-4)


@pytest.mark.parametrize("phi, for_mean, for_variance", [
    (0.9, 0.0526, 0.1050), (0.95, 0.0256, 0.0512), (0.99, 0.0050, 0.0100),
])
def test_independent_samples_of_autoregressive_noise(phi, for_mean, for_variance):
    """n(1-φ)/(1+φ) for the mean, n(1-φ²)/(1+φ²) for the variance: close in the mean, never far above."""
    rng = np.random.default_rng(int(1000 * phi))
    count, found = 20_000, []
    for _ in range(20):
        noise = signal.lfilter([1.0], [1.0, -phi], rng.normal(size=count + 2000))[2000:]
        found.append(effective_samples(noise))
    mean, variance = np.mean(found, axis=0) / count
    assert 0.8 * for_mean < mean < 1.08 * for_mean
    assert 0.8 * for_variance < variance < 1.08 * for_variance


def test_white_noise_on_a_slow_drift_does_not_look_independent():
    rng = np.random.default_rng(7)
    drift = signal.lfilter([1.0], [1.0, -0.999], rng.normal(size=23_600))[20_000:]
    series = drift / drift.std() + 0.5 * rng.normal(size=3600)
    assert effective_samples(series)[0] < 60


def test_intervals_hold_the_true_sigma_as_often_as_they_claim():
    """DRMS intervals of correlated elliptical noise cover the truth in 95 of 100 runs, within chance."""
    rng = np.random.default_rng(11)
    phi, hits, runs = 0.8, 0, 150
    scale = 1 / np.sqrt(1 - phi**2)
    for _ in range(runs):
        east, north = (signal.lfilter([1.0], [1.0, -phi], rng.normal(size=3500))[500:] for _ in range(2))
        low, high = scatter(2 * east, north).intervals["drms_m"]
        hits += low <= np.sqrt(5) * scale <= high
    assert hits / runs > 0.90


@pytest.mark.parametrize("turn_deg", [0.0, 30.0, 90.0, 131.0])
def test_axes_of_an_ellipse_from_its_covariance(turn_deg):
    """σ_N² = a²cos²θ + b²sin²θ, σ_E² = a²sin²θ + b²cos²θ with θ from north."""
    theta, a, b = np.radians(turn_deg), 3.0, 1.0
    var_nn = a**2 * np.cos(theta)**2 + b**2 * np.sin(theta)**2
    var_ee = a**2 * np.sin(theta)**2 + b**2 * np.cos(theta)**2
    var_en = (a**2 - b**2) * np.sin(theta) * np.cos(theta)
    major, minor, orientation = principal_axes(var_ee, var_nn, var_en)
    assert (major, minor) == pytest.approx((a, b))
    assert orientation == pytest.approx(turn_deg, abs=1e-9)
