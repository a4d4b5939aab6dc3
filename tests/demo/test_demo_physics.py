"""The simulated drives behave as the trade knows it: noise, correlation, dilution, age, start-up, motion."""

from __future__ import annotations

import numpy as np
import pytest

from analyzer.demo import DriveSpec, Fault, simulate
from analyzer.demo.draws import Draws
from analyzer.demo.errors import BASELINE_PPM, HEIGHT_RATIO, Conditions, ageing_error, sigma_of, state_error
from analyzer.demo.motion import GRAVITY_MPS2
from analyzer.demo.scenario import ORIGIN_HEIGHT_M, ORIGIN_LATITUDE_DEG, Lever
from analyzer.demo.states import AUTONOMOUS, DIFFERENTIAL, FIXED, FLOAT


def conditions(state: int, *, count: int = 40_000, step_s: float = 1.0, **more: object) -> Conditions:
    """Return constant conditions."""
    base = {
        "step_s": step_s, "state": np.full(count, state), "age_s": np.full(count, 0.8), "usual_age_s": 1.4,
        "dilution": np.ones(count), "multipath": np.ones(count), "baseline_m": np.zeros(count),
        "speed_mps": np.zeros(count), "noise_factor": 1.0, "fused": False,
    }
    return Conditions(**(base | more))  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def clean() -> object:
    """Return a drive without faults."""
    return simulate(DriveSpec(seed=21, duration_s=900.0, marks=2))


@pytest.mark.parametrize("tau_s", [5.0, 60.0])
def test_correlated_series_has_its_time_constant(tau_s: float) -> None:
    # A first-order Gauss-Markov process has the autocorrelation exp(-lag / tau): its definition.
    series = Draws(3, "test").correlated(400_000, 0.5, tau_s)
    assert series.std() == pytest.approx(1.0, abs=0.05)
    for share in (0.5, 1.0, 2.0):
        lag = round(share * tau_s / 0.5)
        found = np.mean(series[:-lag] * series[lag:]) / np.mean(series**2)
        assert found == pytest.approx(np.exp(-share), abs=0.05)


def test_effective_samples_of_a_correlated_mean() -> None:
    # Variance of the mean of an AR(1) series: n_eff = n (1 - phi) / (1 + phi), see any text on time series.
    phi, count = float(np.exp(-0.1)), 2_000
    means = [Draws(k, "means").correlated(count, 1.0, 10.0).mean() for k in range(400)]
    assert 1.0 / np.var(means) == pytest.approx(count * (1 - phi) / (1 + phi), rel=0.25)


def test_normal_numbers_are_normal() -> None:
    sample = Draws(5, "normal").normal(200_000)
    for probability, quantile in ((0.5, 0.0), (0.95, 1.64485), (0.99, 2.32635)):
        assert np.quantile(sample, probability) == pytest.approx(quantile, abs=0.03)


@pytest.mark.parametrize("state", [FIXED, DIFFERENTIAL, AUTONOMOUS])
def test_scatter_of_each_state_matches_its_setting(state: int) -> None:
    errors = np.vstack([state_error(conditions(state), Draws(k, "scatter")) for k in range(6)])
    rms = np.sqrt(np.mean(errors**2, axis=0))
    assert rms[:2] == pytest.approx([sigma_of(state)] * 2, rel=0.15)
    assert rms[2] == pytest.approx(HEIGHT_RATIO * sigma_of(state), rel=0.15)


def test_sizes_are_those_of_the_trade() -> None:
    # Common practice: fixed about 8 mm per axis, differential half a metre to a metre, autonomous one to three metres.
    assert 0.006 < sigma_of(FIXED) < 0.010
    assert 0.4 < sigma_of(DIFFERENTIAL) < 1.0
    assert 1.0 < sigma_of(AUTONOMOUS) < 3.0


def test_fixed_error_is_mostly_correlated() -> None:
    errors = np.vstack([state_error(conditions(FIXED), Draws(k, "lag"))[:, :2] for k in range(6)])
    neighbours = np.mean(errors[1:] * errors[:-1]) / np.mean(errors**2)
    assert 0.6 < neighbours < 0.98


def test_noise_factor_and_dilution_scale_the_scatter() -> None:
    plain = state_error(conditions(FIXED), Draws(4, "scale"))
    assert state_error(conditions(FIXED, noise_factor=3.0), Draws(4, "scale")) == pytest.approx(3.0 * plain)
    double = state_error(conditions(FIXED, dilution=np.full(40_000, 2.0)), Draws(4, "scale"))
    assert double == pytest.approx(2.0 * plain)


def test_baseline_adds_its_ppm() -> None:
    # Receiver data sheets state about 1 ppm of the baseline; 10 km add 10 mm, here 8 mm per axis.
    far = conditions(FIXED, baseline_m=np.full(40_000, 10_000.0))
    added = np.vstack([
        state_error(far, Draws(k, "ppm")) - state_error(conditions(FIXED), Draws(k, "ppm")) for k in range(6)
    ])
    assert np.std(added[:, :2]) == pytest.approx(BASELINE_PPM * 0.01, rel=0.25)


def test_float_converges_from_decimetres() -> None:
    early, late = [], []
    for k in range(40):
        error = np.hypot(*state_error(conditions(FLOAT, count=300), Draws(k, "float"))[:, :2].T)
        early.append(error[:3].mean())
        late.append(error[200:].mean())
    assert 0.15 < np.median(early) < 0.8
    assert np.median(late) < 0.7 * np.median(early)


def test_ageing_grows_about_a_millimetre_per_second() -> None:
    # One published measurement ("Effects of RTK correction data age on accuracy"): about 1 mm/s between 1 and 30 s.
    age = np.arange(60.0)
    stale = conditions(FIXED, count=60, age_s=age)
    grown = [np.hypot(*ageing_error(stale, Draws(k, "age"), None)[31, :2]) for k in range(80)]
    assert 0.01 < np.median(grown) < 0.06
    given = ageing_error(conditions(FIXED, count=60, age_s=age), Draws(1, "age"), 2.0)
    assert np.hypot(*given[31, :2]) == pytest.approx(0.002 * 29.1, rel=0.7)
    assert not given[:2].any()


def test_start_up_reaches_fixed_within_a_minute() -> None:
    # Common practice: time to fixed in clear sky with corrections under one minute, through every state.
    for seed in range(1, 13):
        drive = simulate(DriveSpec(seed=seed, duration_s=90.0, rate_hz=5.0))
        order = drive.state[np.r_[True, np.diff(drive.state) != 0]].tolist()
        assert order == [0, AUTONOMOUS, DIFFERENTIAL, FLOAT, FIXED]
        assert drive.time_s[drive.state == FIXED][0] < 60.0


def test_age_is_a_sawtooth_of_interval_and_transport(clean) -> None:  # type: ignore[no-untyped-def]
    age = clean.age_s[clean.state == FIXED]
    transport = 0.12 + 10 * 660 / 38400
    assert np.quantile(age, 0.02) == pytest.approx(transport + 0.06, abs=0.08)
    assert np.quantile(age, 0.97) == pytest.approx(transport + 1.0, abs=0.15)
    assert np.diff(age).max() < 0.11


def test_satellites_and_dilution_of_an_open_sky(clean) -> None:  # type: ignore[no-untyped-def]
    assert np.quantile(clean.sky.count, 0.05) >= 12
    assert 0.3 < np.median(clean.sky.hdop) < 0.9
    assert np.all(clean.sky.vdop > clean.sky.hdop)
    level = clean.sky.cn0_dbhz[~np.isnan(clean.sky.cn0_dbhz)]
    assert 38.0 < np.median(level) < 50.0


@pytest.mark.parametrize("zone", ["trees", "halls", "underpass"])
def test_obstructions_cost_satellites_where_the_route_passes(zone: str) -> None:
    drive = simulate(DriveSpec(seed=4, faults=(zone,)))
    inside = drive.sky.obstruction > 0
    assert 0.002 < inside.mean() < 0.4
    assert np.median(drive.sky.count[inside]) < 0.6 * np.median(drive.sky.count[~inside])
    assert (drive.state == FIXED)[~inside[drive.tick]].mean() > 0.8


def test_motion_is_that_of_a_car(clean) -> None:  # type: ignore[no-untyped-def]
    motion = clean.motion
    lateral = motion.speed_mps * motion.yaw_rate_radps
    assert 30.0 < motion.speed_mps.max() < 130 / 3.6 + 0.2
    # Friction-limited acceleration is about 1 g; an ordinary test lap stays at half of it.
    assert np.hypot(motion.acceleration_mps2, lateral).max() < 6.0
    moved = np.hypot(*np.diff(motion.enu_m[:, :2], axis=0).T).sum()
    assert moved == pytest.approx(motion.travelled_m[-1], rel=1e-3)


def test_yaw_is_positive_to_the_left(clean) -> None:  # type: ignore[no-untyped-def]
    # ISO 8855: yaw positive anticlockwise from above, so the compass course falls while the yaw rate is positive.
    motion = clean.motion
    turning = (np.abs(motion.yaw_rate_radps) > 0.1) & (motion.speed_mps > 5.0)
    course_rate = np.gradient(np.unwrap(np.deg2rad(motion.course_deg)), motion.time_s)
    assert np.allclose(course_rate[turning], -motion.yaw_rate_radps[turning], atol=0.02)


def test_antenna_stands_over_its_marks(clean) -> None:  # type: ignore[no-untyped-def]
    from analyzer.demo.sheets import mark_stands

    stands = mark_stands(clean)
    assert {mark for mark, *_ in stands} == {0, 1}
    assert all(end - start > 20.0 for _, start, end, _ in stands)


def test_gravity_is_normal_gravity() -> None:
    # Somigliana's formula with the WGS 84 constants (NGA.STND.0036), free-air gradient 3.086e-6 per s2.
    sine = np.sin(np.deg2rad(ORIGIN_LATITUDE_DEG)) ** 2
    normal = 9.7803253359 * (1 + 0.00193185265241 * sine) / np.sqrt(1 - 0.00669437999014 * sine)
    assert abs(GRAVITY_MPS2 - (normal - 3.086e-6 * ORIGIN_HEIGHT_M)) < 2e-4


def test_velocity_is_independent_of_position_for_satellites_and_not_when_fused() -> None:
    fault = (Fault("wrong_fix_fused", start_s=200.0, duration_s=60.0, size=0.6),)
    for kind, agrees in (("gnss", False), ("fused", True)):
        drive = simulate(DriveSpec(seed=6, faults=fault, solution_kind=kind, duration_s=400.0))
        entry = (drive.time_s > 198.0) & (drive.time_s < 212.0)
        true = drive.motion.at(drive.time_s).antenna(Lever())
        integrated = np.cumsum((drive.velocity_mps - np.gradient(true[:, :2], 0.1, axis=0))[entry], axis=0) * 0.1
        shift = drive.error_m[entry][-1, :2] - drive.error_m[entry][0, :2]
        assert np.hypot(*shift) > 0.45
        assert (np.hypot(*(integrated[-1] - shift)) < 0.3) == agrees


def test_claims_match_the_scatter_unless_optimism_is_planted() -> None:
    def ratio(*faults: str) -> float:
        shares = []
        for seed in range(1, 7):
            drive = simulate(DriveSpec(seed=seed, faults=faults, duration_s=900.0, rate_hz=2.0))
            good = drive.state == FIXED
            shares.append(np.mean((drive.error_m[good] / drive.claimed_m[good])[:, :2] ** 2))
        return float(np.sqrt(np.mean(shares)))

    assert ratio() == pytest.approx(1.0, abs=0.25)
    assert ratio("optimistic_claims") > 2.2
