"""Courses that point against the motion."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.evidence.against_motion import against_motion, reversed_words


def drive(nominal_s: float, *, noise_m: float = 0.01, seed: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return times, noisy places, true velocity and where the car reverses: forward 40 s, a stop, 10 s back, a stop, forward in a bend."""
    t = np.arange(0, 100, nominal_s)
    speed = np.interp(t, [0, 5, 35, 40, 45, 47, 53, 55, 60, 65, 100], [0, 12, 12, 0, 0, -2, -2, 0, 0, 10, 10])
    heading = np.interp(t, [0, 60, 100], [0.3, 0.3, 2.0])
    velocity = speed[:, None] * np.column_stack([np.sin(heading), np.cos(heading)])
    places = np.vstack([np.zeros((1, 2)), np.cumsum((velocity[1:] + velocity[:-1]) / 2 * nominal_s, axis=0)])
    rng = np.random.default_rng(seed)
    return t, places + rng.normal(0, noise_m, places.shape), velocity + rng.normal(0, 0.02, places.shape), speed < 0


@pytest.mark.parametrize("nominal_s", [0.01, 0.1, 0.2, 1.0])
def test_a_reversing_car_whose_course_tells_where_it_points_is_found(nominal_s: float) -> None:
    t, places, velocity, back = drive(nominal_s)
    told = np.where(back[:, None], -velocity, velocity)
    found = against_motion(t, places, told)
    wrong = found != back
    assert np.hypot(*velocity[wrong].T).max(initial=0.0) < max(0.1, 2.1 * nominal_s), "only about standing still may it be left open"
    assert found[back].mean() > 0.8


@pytest.mark.parametrize("nominal_s", [0.01, 0.1, 0.2, 1.0])
def test_a_course_that_follows_the_motion_is_left_alone(nominal_s: float) -> None:
    t, places, velocity, _ = drive(nominal_s)
    assert not against_motion(t, places, velocity).any()


def test_a_course_turned_about_for_a_while_in_full_drive_is_found_to_the_epoch() -> None:
    t, places, velocity, _ = drive(0.1)
    turned = (t > 12) & (t < 20)
    found = against_motion(t, places, np.where(turned[:, None], -velocity, velocity))
    assert np.array_equal(found, turned)


def test_wrong_fixes_and_swings_are_no_reversing() -> None:
    t, places, velocity, _ = drive(0.1)
    moved = places + np.where((t > 10) & (t < 30), 0.9, 0.0)[:, None] + 0.5 * np.sin(t / 5)[:, None]
    assert not against_motion(t, moved, velocity).any()


def test_noise_of_a_parked_car_is_no_reversing() -> None:
    t = np.arange(0, 200, 0.1)
    rng = np.random.default_rng(3)
    assert not against_motion(t, rng.normal(0, 2.0, (len(t), 2)), rng.normal(0, 0.03, (len(t), 2))).any()


@given(st.integers(0, 40), st.sampled_from([0.1, 1.0]))
def test_missing_epochs_and_values_do_no_harm(lost: int, nominal_s: float) -> None:
    t, places, velocity, _ = drive(nominal_s)
    keep = np.random.default_rng(lost).random(len(t)) > lost / 45
    velocity[::7] = np.nan
    assert not against_motion(t[keep], places[keep], velocity[keep]).any()


def test_it_is_told_in_words() -> None:
    t = np.arange(0, 10, 0.5)
    times = pd.date_range("2026-04-14T08:00:00Z", periods=len(t), freq="500ms")
    flags = (t >= 2) & (t < 6)
    (finding,) = reversed_words(flags, t, times)
    assert "for 3.5 s (1 time, first at 08:00:02 UTC)" in finding.text
    assert reversed_words(np.zeros(len(t), bool), t, times) == ()
