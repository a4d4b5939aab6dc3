"""The ruler learnt from a drive against the noise that was put in."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer.evidence.noise import learn, roughness, spikes


def _walk(rng: np.random.Generator, count: int, white: float, walk: float, dt: float) -> np.ndarray:
    return np.cumsum(np.sqrt(walk * dt) * rng.normal(size=(count, 2)), axis=0) + white * rng.normal(size=(count, 2))


@settings(max_examples=15, deadline=None)
@given(white=st.floats(0.001, 0.01), walk=st.floats(1e-5, 1e-3))
def test_white_and_walk_are_found(white: float, walk: float) -> None:
    values = _walk(np.random.default_rng(5), 12_000, white, walk, 0.1)
    noise = learn(values, np.ones(len(values), bool), 0.1)
    expected = np.sqrt(2 * white**2 + walk * 5.0)
    assert np.hypot(np.sqrt(2) * noise.white_m, noise.wander(5.0)) == pytest.approx(expected, rel=0.25)


def test_a_minority_of_jumps_does_not_stretch_the_ruler() -> None:
    values = _walk(np.random.default_rng(6), 6000, 0.003, 1e-5, 0.1)
    plain = learn(values, np.ones(6000, bool), 0.1).wander(5.0)
    values[3000:3300] += 0.8
    assert learn(values, np.ones(6000, bool), 0.1).wander(5.0) == pytest.approx(plain, rel=0.3)


def test_too_few_epochs_give_the_published_values() -> None:
    noise = learn(np.zeros((20, 2)), np.ones(20, bool), 0.1)
    assert not noise.learnt
    assert noise.white_m == 0.006


def test_rough_stretches_and_spikes_stand_out() -> None:
    rng = np.random.default_rng(7)
    values = 0.003 * rng.normal(size=(2000, 2))
    values[1000:1200] *= 6
    rough = roughness(values, 0.1)
    assert rough[1100] > 3
    assert np.median(rough[:900]) < 1.5
    quiet = 0.003 * rng.normal(size=(500, 2))
    quiet[250, 0] += 0.5
    assert np.flatnonzero(spikes(quiet, np.full(500, 0.003), 0.1)).tolist() == [250]


@pytest.mark.parametrize("rate_hz", [2.0, 5.0])
def test_a_step_between_two_stretches_is_no_noise_of_either(rate_hz: float) -> None:
    values = 0.003 * np.random.default_rng(9).normal(size=(1000, 2))
    values[500:] += 0.2
    apart = roughness(values, 1 / rate_hz, slowest_s=0.6, begins=np.array([0, 500]))
    assert roughness(values, 1 / rate_hz, slowest_s=0.6)[500] > 2.0
    assert apart[495:505].max() < 1.7


def test_velocity_held_at_rest_is_no_ruler_for_motion() -> None:
    rng = np.random.default_rng(8)
    moving = np.arange(3000) > 2000
    values = np.where(moving, 0.02, 0.002)[:, None] * rng.normal(size=(3000, 2))
    assert np.median(roughness(values, 0.1)[moving]) > 4.0
    assert np.median(roughness(values, 0.1, where=moving)[moving]) < 1.3
    few = np.arange(3000) < 20
    assert np.allclose(roughness(values, 0.1, where=few), roughness(values, 0.1)), "too few to be a ruler"


@pytest.mark.parametrize("rate_hz", [10.0, 50.0, 100.0])
def test_a_spike_of_a_third_of_a_second_is_one_at_any_rate(rate_hz: float) -> None:
    values = 0.003 * np.random.default_rng(9).normal(size=(round(60 * rate_hz), 2)) + np.linspace(0, 0.02, round(60 * rate_hz))[:, None]
    first, last = round(30 * rate_hz), round(30.34 * rate_hz)
    values[first:last] += [0.8, -0.5]
    found = spikes(values, np.full(len(values), 0.003), 1 / rate_hz)
    assert found[first:last].all() and found.sum() <= last - first + 2
