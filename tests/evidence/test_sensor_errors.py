"""Errors of sensors that were put in, and wrong fixes that follow none of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer.evidence.sensor_errors import robust_fit, without
from tests.evidence.tracks import weaving


def test_a_line_with_gross_errors_is_found() -> None:
    """Huber weights leave a fifth of outliers little say; least squares follow them (closed form of the data)."""
    rng = np.random.default_rng(4)
    x = rng.normal(size=(400, 2))
    y = x @ np.array([2.0, -1.0]) + 0.01 * rng.normal(size=400)
    y[::5] += 3.0 * np.abs(x[::5, 0])
    found, sigma = robust_fit(x, y)
    assert found == pytest.approx([2.0, -1.0], abs=0.05)
    assert abs(np.linalg.lstsq(x, y, rcond=None)[0][0] - 2.0) > 0.2
    assert sigma < 0.05


@settings(max_examples=20, deadline=None)
@given(st.floats(0.02, 0.2), st.sampled_from([-1.0, 1.0]), st.floats(-0.01, 0.01), st.integers(1, 100))
def test_what_follows_the_turning_goes_and_a_slow_bias_stays(size: float, sign: float, bias: float, seed: int) -> None:
    track = weaving(600.0, 10.0)
    rng = np.random.default_rng(seed)
    turned = 0.6 * np.sin(track.t / 20)
    noise = 0.002 * rng.normal(size=len(track))
    moving = ~track.standing
    left = without(sign * size * turned + bias * track.t + noise, [turned], moving, track, drift=track.t)
    assert left == pytest.approx(bias * track.t + noise, abs=0.006)


def test_noise_alone_and_short_drives_are_left_as_they_are() -> None:
    track = weaving(300.0)
    noise = np.random.default_rng(1).normal(size=len(track))
    assert np.array_equal(without(noise, [np.sin(track.t / 20)], ~track.standing, track, drift=track.t), noise)
    short = replace(track, t=track.t[:600], places=track.places[:600], velocity=track.velocity[:600], fixed=track.fixed[:600], placed=track.placed[:600],
                    standing=track.standing[:600], age=track.age[:600])
    turned = np.sin(short.t / 20)
    assert np.array_equal(without(turned, [turned], ~short.standing, short, drift=short.t), turned)


def test_a_pulse_that_no_sensor_error_follows_stays() -> None:
    track = weaving(600.0)
    turned = 0.6 * np.sin(track.t / 20)
    pulse = np.where((track.t > 300) & (track.t < 306), 0.05, 0.0)
    noise = 0.002 * np.random.default_rng(2).normal(size=len(track))
    left = without(0.1 * turned + pulse + noise, [turned], ~track.standing, track, drift=track.t)
    assert left == pytest.approx(pulse + noise, abs=0.006)
