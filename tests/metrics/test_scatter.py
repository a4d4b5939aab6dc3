"""Scatter at one place: figures on noise with known parameters, and what drift and pinning do to them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from analyzer.metrics.independence import lag_one
from analyzer.metrics.scatter import sample_radius, scatter


def noise(count, sigma_east, sigma_north, sigma_up, *, phi=0.0, seed=1):
    rng = np.random.default_rng(seed)
    parts = [signal.lfilter([np.sqrt(1 - phi**2)], [1.0, -phi], rng.normal(size=count + 500))[500:] for _ in range(3)]
    return parts[0] * sigma_east, parts[1] * sigma_north, parts[2] * sigma_up


def test_figures_of_elliptical_white_noise():
    one = scatter(*noise(20_000, 0.010, 0.005, 0.020))
    assert one.sigma_major_m == pytest.approx(0.010, rel=0.02) and one.sigma_minor_m == pytest.approx(0.005, rel=0.02)
    assert one.orientation_deg == pytest.approx(90.0, abs=2.0)
    assert one.drms_m == pytest.approx(np.hypot(0.010, 0.005), rel=0.02) and one.two_drms_m == 2 * one.drms_m
    # radii of ratio 0.5, computed by exact integration: 0.87042 and 2.03586 of the major axis
    assert (one.cep50_normal_m, one.r95_normal_m) == pytest.approx((0.0087042, 0.0203586), rel=0.02)
    assert (one.cep50_m, one.r95_m) == pytest.approx((0.0087042, 0.0203586), rel=0.03)
    assert one.vertical_95_m == pytest.approx(1.96 * 0.020, rel=0.02)
    assert one.n_eff > 15_000 and not one.drifts and not one.pinned
    low, high = one.intervals["r95_m"]
    assert low < one.r95_m < high and high / low < 1.05


def test_spherical_error_probable_of_equal_axes():
    assert scatter(*noise(20_000, 0.01, 0.01, 0.01)).sep_m == pytest.approx(0.0153817, rel=0.02)


def test_correlation_widens_the_interval():
    white, slow = scatter(*noise(3600, 0.01, 0.01, 0.02)), scatter(*noise(3600, 0.01, 0.01, 0.02, phi=0.95))
    assert slow.n_eff == pytest.approx(3600 * 0.0256, rel=0.5)

    def width(one):
        return np.log(one.intervals["drms_m"][1] / one.intervals["drms_m"][0])

    assert width(slow) > 3 * width(white)


def test_a_drift_gives_no_interval():
    moment = np.linspace(0, 1, 120)
    rng = np.random.default_rng(4)
    one = scatter(0.2 * moment + rng.normal(0, 0.001, 120), -0.25 * moment, 0.1 * moment)
    assert one.n_eff < 3 and one.intervals == {} and "independent samples" in one.no_interval
    assert one.drifts and one.drift_m == pytest.approx(0.25, abs=0.01)


def test_pinned_output_and_coarse_resolution():
    rng = np.random.default_rng(6)
    held = rng.normal(0, 1e-4, (3, 200))
    assert scatter(*held, resolution_m=1e-5).pinned
    assert not scatter(*held, resolution_m=0.02).pinned
    assert not scatter(*held[:, :10]).pinned
    same = scatter(np.zeros(100), np.zeros(100), np.zeros(100))
    assert same.pinned and same.cep50_m == 0.0 and same.intervals == {}


@pytest.mark.parametrize(("sigma_m", "step_m"), [(0.0, 0.185), (0.005, 0.185), (0.06, 0.185), (0.5, 0.185), (0.005, 0.0002)])
def test_no_scatter_is_told_below_the_steps_of_the_log(sigma_m, step_m):
    """White noise is logged in steps: what is told is the scatter where steps show it, and one step where they hide it."""
    east, north, up = np.round(np.stack(noise(4000, sigma_m, sigma_m, sigma_m)) / step_m) * step_m
    one = scatter(east, north, up, resolution_m=step_m)
    truth = {"cep50_m": 1.1774 * sigma_m, "r95_m": 2.4477 * sigma_m, "drms_m": np.sqrt(2) * sigma_m}
    for name, true_m in truth.items():
        value = getattr(one, name)
        assert value >= max(step_m, 0.9 * true_m) - 1e-12 and value <= max(step_m, 1.15 * true_m) + 0.5 * step_m
        assert (name in one.intervals) <= (value > step_m)
    assert min(one.two_drms_m, one.sep_m, one.cep50_normal_m, one.r95_normal_m) >= step_m


def test_missing_positions_and_heights():
    east, north, up = noise(400, 0.01, 0.01, 0.01)
    east[::7] = np.nan
    up[:] = np.nan
    one = scatter(east, north, up)
    assert one.n == 400 - len(east[::7]) and np.isnan(one.sep_m) and np.isnan(one.vertical_95_m)
    assert "vertical_95_m" not in one.intervals and "r95_m" in one.intervals
    assert np.isnan(scatter(east, north).var_uu_m2)
    with pytest.raises(ValueError, match="at least two positions"):
        scatter([0.0], [0.0])


def test_static_log_said_to_be_at_rest(shared_data):
    """Source: SOURCES.md beside the recordings: CEP50 0.09 m, R95 0.18 m about the mean, 0.25 m peak to peak, lag-one
    about 0.98 for static_fixed_2hz, so one or two independent samples."""
    east, north = [], []
    for line in (shared_data / "drives" / "static_fixed_2hz.nmea").read_text("ascii").splitlines():
        if line.startswith("$GNGGA,"):
            part = line.split(",")
            north.append(float(part[2][2:]) * 111_190.3 / 60)
            east.append(float(part[4][3:]) * 111_320.0 * np.cos(np.radians(48.7733)) / 60)
    one = scatter(np.array(east) - east[0], np.array(north) - north[0])
    assert one.n == 120
    assert one.cep50_m == pytest.approx(0.09, abs=0.005) and one.r95_m == pytest.approx(0.18, abs=0.005)
    assert one.drift_m == pytest.approx(0.25, abs=0.005)
    assert one.lag_one == pytest.approx(0.98, abs=0.01) and one.n_eff <= 2.0
    assert one.intervals == {} and one.drifts


def test_two_positions_have_a_scatter_but_no_autocorrelation():
    two = scatter([0.0, 0.01], [0.0, 0.0], [0.0, 0.0])
    assert np.isnan(two.lag_one) and two.n_eff == 1.0 and not two.drifts
    assert two.drms_m == pytest.approx(0.01 / np.sqrt(2))


def test_helpers():
    assert sample_radius([0, 0, 3, -3], [0, 0, 4, -4], 1.0) == 5.0
    assert np.isnan(lag_one(np.ones(10))) and np.isnan(lag_one(np.array([1.0, 2.0])))
