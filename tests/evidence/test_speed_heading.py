"""Bounds of speed and heading, and of position along and across the track."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from analyzer import tables
from analyzer.evidence.running import lasting, nearest_known, white_noise
from analyzer.evidence.speed_heading import along_across, heading_bound, speed_bound
from analyzer.recording import Recording

Floats = NDArray[np.float64]
START = pd.Timestamp("2026-04-14T08:00:00Z")


def drive(step: float = 0.1, seconds: float = 300.0) -> tuple[Floats, Floats, Floats]:
    """Return time, speed and places of a car that speeds up and slows down on a gentle bend."""
    t = np.arange(round(seconds / step)) * step
    speed = 15.0 + 5.0 * np.sin(2 * np.pi * t / 60.0)
    course = 2 * np.pi * t / 300.0
    velocity = speed[:, None] * np.column_stack([np.sin(course), np.cos(course)])
    return t, speed, np.vstack([[0.0, 0.0], np.cumsum((velocity[1:] + velocity[:-1]) / 2 * step, axis=0)])


def recorded(t: Floats, wheel: Floats | None = None, **columns: object) -> Recording:
    def index(times: Floats) -> pd.DatetimeIndex:
        return pd.DatetimeIndex(START + pd.to_timedelta(np.round(times * 1e6), unit="us"))

    fixes = tables.FIXES.conform(pd.DataFrame(columns, index=index(t)))
    if wheel is None:
        return Recording((), fixes=fixes)
    return Recording((), fixes=fixes, measurement=tables.MEASUREMENT.conform(pd.DataFrame({"speed_mps": wheel}, index=index(t))))


@pytest.mark.parametrize("noise", [0.01, 0.03, 0.08])
def test_speed_bound_covers_white_noise_without_being_wide(noise: float) -> None:
    rng = np.random.default_rng(1)
    t, speed, places = drive()
    logged = speed + rng.normal(0, noise, len(t))
    found = speed_bound(recorded(t, speed_mps=logged), t, places + rng.normal(0, 0.004, places.shape), np.ones(len(t), bool))
    error = np.abs(logged - speed)
    assert (error <= found.bound).mean() >= 0.95
    assert np.median(found.bound) < 1.6 * np.quantile(error, 0.95) + 0.01
    assert found.compared.mean() > 0.9


def test_a_lasting_speed_error_shows_against_positions_and_wheels() -> None:
    rng = np.random.default_rng(2)
    t, speed, places = drive()
    wrong = (t > 100) & (t < 130)
    logged = speed + rng.normal(0, 0.02, len(t)) + np.where(wrong, 0.3, 0.0)
    fixed = np.ones(len(t), bool)
    by_place = speed_bound(recorded(t, speed_mps=logged), t, places, fixed)
    by_wheel = speed_bound(recorded(t, speed * 1.02, speed_mps=logged), t, places, ~fixed)
    for found in (by_place, by_wheel):
        assert (np.abs(logged - speed)[wrong] <= found.bound[wrong]).mean() > 0.9
        assert np.median(found.bound[t < 80]) < 0.1


def test_in_a_fused_solution_positions_confirm_no_speed() -> None:
    t, speed, places = drive()
    kind = pd.Categorical(["fused"] * len(t))
    found = speed_bound(recorded(t, speed_mps=speed, solution_kind=kind), t, places, np.ones(len(t), bool))
    assert not found.compared.any() and (found.bound == 0.10).all(), "the class value stands where nothing independent speaks"


def test_no_speed_no_bound() -> None:
    t, _, places = drive(seconds=10.0)
    assert np.isnan(speed_bound(recorded(t), t, places, np.ones(len(t), bool)).bound).all()
    assert np.isnan(heading_bound(recorded(t), t).bound).all()


def test_heading_is_bounded_by_claim_and_course() -> None:
    rng = np.random.default_rng(4)
    t, speed, _ = drive()
    course = np.degrees(2 * np.pi * t / 300.0) % 360
    wrong = np.where(t < 120, 40.0, 0.0)
    log = recorded(t, speed_mps=speed, course_deg=course, heading_deg=(course + wrong + rng.normal(0, 0.05, len(t))) % 360)
    found = heading_bound(log, t)
    assert (found.bound[t < 110] > 39.0).all(), "a heading that was not aligned must not pass"
    assert (found.bound[t > 130] <= 1.2).all()
    attitude = tables.ATTITUDE.conform(pd.DataFrame(
        {"heading_deg": course, "sigma_heading_deg": np.full(len(t), 0.1)}, index=log.fixes.index))
    claimed = heading_bound(Recording((), fixes=recorded(t, speed_mps=speed, course_deg=course).fixes, attitude=attitude), t)
    assert np.median(claimed.bound) == pytest.approx(1.959964 * 0.1, rel=1e-3)


@pytest.mark.parametrize(("offset", "least", "most"), [(2.0, 2.0, 3.2), (-0.8, 0.8, 2.0), (0.1, 0.9, 1.1)])
def test_what_all_straight_driving_shows_is_part_of_the_heading_bound(offset: float, least: float, most: float) -> None:
    """A mounting yaw that was not entered is an error of every epoch, in bends too; side slip is not there on straights."""
    t, speed, _ = drive()
    course = np.degrees(2 * np.pi * t / 300.0) % 360
    slip = 1.5 * np.sin(2 * np.pi * t / 7.0)
    found = heading_bound(recorded(t, speed_mps=speed, course_deg=course, heading_deg=(course + offset + slip) % 360), t)
    assert least <= found.bound.min() and np.median(found.bound) <= most


def test_along_and_across_of_a_circular_error() -> None:
    """95 % of one axis over the 95 % radius of a circular normal: 1.95996 / 2.44775 (closed forms)."""
    along, across = along_across(np.array([0.1]), np.array([0.01]), np.array([0.01]), np.array([33.0]))
    assert [along[0], across[0]] == pytest.approx([0.1 * 1.959964 / 2.447747] * 2, rel=1e-5)


def test_along_and_across_follow_the_claimed_shape() -> None:
    along, across = along_across(np.array([0.1]), np.array([0.012]), np.array([0.01]), np.array([0.0]))
    assert along[0] == pytest.approx(1.2 * across[0])
    unknown = along_across(np.array([0.1]), np.array([0.012]), np.array([0.01]), np.array([np.nan]))
    assert unknown[0][0] == unknown[1][0] == along[0], "without a course the worse axis counts for both"
    offset = along_across(np.array([0.1]), np.array([0.02]), np.array([0.01]), np.array([0.0]), offset_m=0.1)
    assert offset[0][0] == offset[1][0] == pytest.approx(0.1)


@given(st.floats(0.01, 5), st.floats(0.001, 1), st.floats(0.001, 1), st.floats(0, 360))
def test_axis_bounds_never_exceed_the_radius(bound: float, north: float, east: float, course: float) -> None:
    for axis in along_across(np.array([bound]), np.array([north]), np.array([east]), np.array([course])):
        assert 0 < axis[0] <= bound


def test_axis_bounds_cover_95_percent() -> None:
    rng = np.random.default_rng(5)
    error = rng.normal(0, 1, (20_000, 2)) * [0.01, 0.01]
    along, _ = along_across(np.array([0.02447747]), np.array([0.01]), np.array([0.01]), np.array([90.0]))
    assert (np.abs(error[:, 0]) <= along[0]).mean() == pytest.approx(0.95, abs=0.006)


def test_white_noise_is_learnt_from_a_moving_car() -> None:
    rng = np.random.default_rng(6)
    t, speed, _ = drive()
    size, rough = white_noise(t, speed + rng.normal(0, 0.05, len(t)))
    assert size == pytest.approx(1.959964 * 0.05, rel=0.06)
    assert np.median(rough) < 1.1
    assert np.isnan(white_noise(t[:5], speed[:5])[0])


def test_lasting_differences_are_found_and_noise_is_not() -> None:
    rng = np.random.default_rng(7)
    t = np.arange(3000) * 0.1
    difference = rng.normal(0, 0.05, 3000) + np.where((t > 100) & (t < 120), 0.4, 0.0)
    size, has = lasting(t, difference, width_s=4.0)
    assert has.all() and size[(t > 104) & (t < 116)] == pytest.approx(0.4, abs=0.1)
    assert (size[t < 90] > 0).mean() < 0.12


def test_evidence_is_carried_to_both_sides() -> None:
    t = np.arange(10.0)
    known = np.zeros(10, bool)
    known[[2, 7]] = True
    values = np.where(np.arange(10) == 2, 5.0, 1.0)
    carried, seen = nearest_known(t, values, known, 2.0)
    assert carried.tolist() == [5, 5, 5, 5, 5, 1, 1, 1, 1, 1]
    assert seen.all()
