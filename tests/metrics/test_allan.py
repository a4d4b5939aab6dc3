"""Noise of known size is found again in the Allan curve."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer.metrics.allan import allan_deviation, averaging_rows, read_floor, read_slope


@settings(max_examples=25, deadline=None)
@given(walk=st.floats(1e-6, 10.0), rate_hz=st.sampled_from([10.0, 100.0, 200.0]), seed=st.integers(0, 2**32 - 1),
       mean=st.floats(-100.0, 100.0))
def test_random_walk_is_recovered(walk: float, rate_hz: float, seed: int, mean: float) -> None:
    """White noise of density N has the standard deviation N sqrt(rate) and reads N at 1 s (IEEE 952-1997 annex C)."""
    values = mean + walk * np.sqrt(rate_hz) * np.random.default_rng(seed).normal(size=20_000)
    curve = allan_deviation(values, rate_hz)
    found = read_slope(curve, "random_walk")
    assert found is not None
    assert found[0] == pytest.approx(walk, rel=0.05)
    assert found[1] < found[0] < found[2]


def test_interval_of_random_walk_holds_the_truth_as_often_as_it_says() -> None:
    """Of 300 simulated rests 95 % of the intervals must hold the truth; binomial bounds 91 to 99 %."""
    held = 0
    for seed in range(300):
        curve = allan_deviation(np.random.default_rng(seed).normal(size=3000), 1.0)
        low, high = curve["low"].iloc[3], curve["high"].iloc[3]
        held += low < 1.0 / np.sqrt(8.0) < high
    assert 0.91 * 300 <= held <= 0.99 * 300


def test_rate_random_walk_is_recovered() -> None:
    """A walk of rate with K per root second reads K sqrt(tau / 3) (IEEE 952-1997 annex C)."""
    found = []
    for seed in range(8):
        values = np.cumsum(0.02 * np.sqrt(0.1) * np.random.default_rng(seed).normal(size=50_000))
        coefficient = read_slope(allan_deviation(values, 10.0), "rate_random_walk")
        assert coefficient is not None
        found.append(coefficient[0])
    assert np.mean(found) == pytest.approx(0.02, rel=0.1)


def test_quantization_is_recovered() -> None:
    """White noise of the angle with deviation Q reads sqrt(3) Q / tau in the rate (IEEE 952-1997 annex C)."""
    angle = 0.004 * np.random.default_rng(5).normal(size=50_001)
    found = read_slope(allan_deviation(np.diff(angle) * 100.0, 100.0), "quantization")
    assert found is not None
    assert found[0] == pytest.approx(0.004, rel=0.05)


def test_floor_needs_a_minimum_inside_the_curve() -> None:
    """White noise falls to the end: no floor. White noise above a walk of rate has its minimum where both meet."""
    random = np.random.default_rng(2)
    white = random.normal(size=100_000)
    assert read_floor(allan_deviation(white[:5000], 10.0)) is None
    floor = read_floor(allan_deviation(white + np.cumsum(0.002 * random.normal(size=100_000)), 10.0))
    assert floor is not None
    assert 20.0 < floor[1] < 320.0


@pytest.mark.parametrize("rows", [0, 1, 2, 5])
def test_short_input_gives_a_short_curve(rows: int) -> None:
    """Nothing to average is an empty curve without figures, not an error."""
    curve = allan_deviation(np.zeros(rows), 10.0)
    assert read_slope(curve, "random_walk") is None
    assert read_floor(curve) is None


@given(st.integers(0, 10**7))
def test_averaging_lengths_stay_within_their_share(rows: int) -> None:
    """The longest average is at most a tenth of the record."""
    lengths = averaging_rows(rows)
    assert (lengths * 10 <= rows).all()
