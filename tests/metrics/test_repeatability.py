"""Repeat precision of sets and accuracy at check points."""

from __future__ import annotations

import numpy as np
import pytest

from analyzer.metrics.repeatability import outlying, point_accuracy, precision, same_precision, within_stated


def sets(rng: np.random.Generator, s_xy: float, s_h: float) -> tuple[np.ndarray, np.ndarray]:
    """Return three series of five sets on two points."""
    point = np.tile([0, 1], 15)
    places = np.array([[0.0, 0.0, 0.0], [12.0, 3.0, 0.4]])[point]
    return places + rng.normal(0, [s_xy, s_xy, s_h], (30, 3)), point


def test_degrees_of_freedom_and_unbiased_variance() -> None:
    rng = np.random.default_rng(1)
    drawn = [precision(*sets(rng, 0.006, 0.011)) for _ in range(400)]
    assert drawn[0].horizontal_degrees == 56
    assert drawn[0].height_degrees == 28
    assert np.mean([d.s_east_m**2 for d in drawn]) == pytest.approx(0.006**2, rel=0.05)
    assert np.mean([d.s_height_m**2 for d in drawn]) == pytest.approx(0.011**2, rel=0.05)
    assert np.abs(drawn[0].residual_m.sum(axis=0)).max() < 1e-12


def test_five_in_a_hundred_good_instruments_fail() -> None:
    rng = np.random.default_rng(2)
    passed = []
    for _ in range(1500):
        found = precision(*sets(rng, 0.006, 0.011))
        passed.append(within_stated(found.s_height_m, 0.011, found.height_degrees, key="h").passed)
    assert np.mean(passed) == pytest.approx(0.95, abs=0.02)


def test_two_campaigns_of_different_precision_differ() -> None:
    rng = np.random.default_rng(3)
    a, b = precision(*sets(rng, 0.006, 0.011)), precision(*sets(rng, 0.015, 0.030))
    assert not same_precision(a.s_horizontal_m, b.s_horizontal_m, (56, 56), key="xy").passed
    assert same_precision(0.006, 0.0065, (56, 56), key="xy").passed


def test_screen_of_single_sets() -> None:
    known = (12.37, 0.40)
    assert not outlying(12.38, 0.41, known, s_horizontal_m=0.006, s_height_m=0.01)
    assert outlying(12.40, 0.41, known, s_horizontal_m=0.006, s_height_m=0.01)
    assert outlying(12.37, 0.44, known, s_horizontal_m=0.006, s_height_m=0.01)


def test_one_reading_is_no_precision() -> None:
    with pytest.raises(ValueError, match="two readings"):
        precision(np.zeros((2, 3)), ["a", "b"])


def test_check_points_outside_the_formula_are_refused() -> None:
    rng = np.random.default_rng(4)
    flat = point_accuracy(rng.normal(0, [0.1, 0.02, 0.05], (40, 3)))
    assert flat.horizontal_95_m is None
    assert "ratio" in flat.horizontal_reason
    few = point_accuracy(rng.normal(0, 0.05, (5, 3)))
    assert not few.enough
