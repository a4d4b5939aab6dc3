"""Steps of plan and height within one epoch: found where both come at once and stay, and nowhere else."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer.evidence.sharp_steps import sharp_steps


def _drive(rate_hz: float, seed: int, minutes: float = 10.0) -> tuple[np.ndarray, np.ndarray]:
    """Return a residual that wanders as rough Doppler leaves it, and heights of a hilly road at 17 m/s, both with noise of fixed."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(60 * minutes * rate_hz)) / rate_hz
    wander = np.cumsum(rng.normal(size=(len(t), 2)), axis=0) * 0.045 / np.sqrt(rate_hz)
    return wander + 0.006 * rng.normal(size=(len(t), 2)), 8 * np.sin(17 * t / 250) + 0.01 * rng.normal(size=len(t))


@pytest.mark.parametrize("rate_hz", [1.0, 2.0, 5.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_drive_without_a_wrong_fix_has_none(rate_hz: float, seed: int) -> None:
    assert sharp_steps(*_drive(rate_hz, seed), 1 / rate_hz) == []


@settings(max_examples=40, deadline=None)
@given(at=st.integers(40, 1100), seed=st.integers(0, 1000), angle=st.floats(0, 6.28), up=st.sampled_from([-1.0, 1.0]))
def test_a_wrong_fix_is_found_at_its_epoch(at: int, seed: int, angle: float, up: float) -> None:
    residual, height = _drive(2.0, seed)
    residual[at:] += 0.45 * np.array([np.cos(angle), np.sin(angle)])
    height[at:] += 0.8 * up
    assert sharp_steps(residual, height, 0.5) == [at]


@pytest.mark.parametrize("what", ["plan", "height", "spike", "apart"])
def test_what_is_no_step_of_both_that_stays_is_not_taken_for_one(what: str) -> None:
    residual, height = _drive(2.0, 7)
    if what in ("plan", "spike", "apart"):
        residual[600:601 if what == "spike" else None] += [0.28, 0.21]
    if what in ("height", "spike", "apart"):
        first = 605 if what == "apart" else 600
        height[first:first + 1 if what == "spike" else None] += 0.8
    assert sharp_steps(residual, height, 0.5) == []


@pytest.mark.parametrize(("size", "rate_hz", "changing", "found"), [
    (0.15, 10.0, 0.0, True), (0.15, 20.0, 0.0, True), (0.15, 10.0, 0.1, False), (0.06, 10.0, 0.0, False), (1.0, 2.0, 0.0, True), (1.0, 2.0, 0.3, False),
])
def test_a_step_in_plan_alone_counts_where_it_is_far_beyond_the_steps_around_it(size: float, rate_hz: float, changing: float, found: bool) -> None:
    """Rough Doppler hides 0.15 m from medians of a second, not from one epoch to the next; a speed that changes between rows might make it."""
    rng = np.random.default_rng(3)
    count = round(600 * rate_hz)
    wander = np.cumsum(rng.normal(size=(count, 2)), axis=0) * 0.03 / rate_hz
    residual, height = wander + 0.005 * rng.normal(size=(count, 2)), 8 * np.sin(np.arange(count) / rate_hz / 15) + 0.01 * rng.normal(size=count)
    at = count // 2
    residual[at:] += [0.8 * size, 0.6 * size]
    truncated = np.full(count - 1, changing**2)
    assert sharp_steps(residual, height, 1 / rate_hz, truncated) == ([at] if found else [])


def test_under_trees_all_steps_are_larger_and_count_by_those_around_them() -> None:
    residual, height = _drive(2.0, 5)
    rng = np.random.default_rng(6)
    residual[500:700] += 0.15 * rng.normal(size=(200, 2))
    height[500:700] += 0.25 * rng.normal(size=200)
    assert sharp_steps(residual, height, 0.5) == []


def test_short_stretches_and_missing_heights_are_left_alone() -> None:
    residual, height = _drive(2.0, 5)
    assert sharp_steps(residual[:8], height[:8], 0.5) == []
    height[10] = np.nan
    assert sharp_steps(residual, height, 0.5) == []


@pytest.mark.parametrize(("plan", "up", "found"), [(0.9, 2.0, True), (2.0, 0.9, True), (0.9, 0.9, False), (0.6, 3.0, False)])
def test_one_of_both_far_beyond_makes_up_for_the_other(plan: float, up: float, found: bool) -> None:
    """In parts of what each must exceed: 6 sigmas of the steps around, here 0.12 m in plan and 0.08 m in height."""
    rng = np.random.default_rng(5)
    residual = np.cumsum(rng.normal(size=(800, 2)), axis=0) * 1e-4 + 0.02 / np.sqrt(2) * rng.normal(size=(800, 2))
    height = 1e-3 * rng.normal(size=800)
    residual[399:402], height[399:402] = residual[399], height[399]
    residual[400:] += [plan * 0.12, 0.0]
    height[400:] += up * 0.08
    assert sharp_steps(residual, height, 1.0) == ([400] if found else [])
