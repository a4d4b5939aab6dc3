"""Integrated velocity against closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analyzer.evidence.displacement import integrate, lagged, residual, robust_sigma
from tests.evidence.tracks import weaving


def test_cubic_velocity_is_integrated_exactly_inside() -> None:
    """Euler-Maclaurin: the trapezoid with its first end correction is exact for cubics (textbook result).

    What the ends of a natural spline bend fades by 2 - √3 per epoch (textbook result): 1e-7 after twelve. Intervals of half a second are coarse.
    """
    t = np.arange(0, 20, 0.5)
    moved, _ = integrate(t, np.column_stack([t**3, 2 * t**2]))
    exact = np.column_stack([np.diff(t**4 / 4), np.diff(2 * t**3 / 3)])
    assert np.allclose(moved[12:-12], exact[12:-12], rtol=1e-6)


def test_a_slalom_known_once_a_second_is_followed_to_less_than_a_hundredth() -> None:
    """The way across is 1/w sin(w t) (closed form); a gate every 2.5 s."""
    turn, fine = 2 * np.pi / 5.0, np.arange(0.0, 60.0)
    for phase in np.linspace(0.0, np.pi, 7):
        moved, _ = integrate(fine, np.column_stack([np.full(60, 10.0), np.cos(turn * fine + phase)]))
        across = np.cumsum(moved[:, 1]) - np.sin(turn * fine[1:] + phase) / turn
        assert np.ptp(across[15:45]) / 2 < 0.01 / turn


def test_a_pause_of_velocity_does_not_bend_the_way_beside_it() -> None:
    t = np.r_[np.arange(0.0, 30.0), np.arange(90.0, 120.0)]
    velocity = np.column_stack([np.where(t < 50, 1.0 * t, 300.0), np.zeros(60)])
    moved, _ = integrate(t, velocity)
    assert np.allclose(moved[:28, 0], np.diff(t[:29] ** 2 / 2))
    assert np.allclose(moved[30:, 0], 300.0)


def test_over_a_long_pause_velocities_beside_it_make_no_way_of_their_own_and_digits_stay() -> None:
    """Half a metre per second squared on either side of an hour would be a way of 500 km; its variance would leave no digits of millimetres behind it."""
    track = weaving()
    t = np.where(np.arange(3000) < 1500, track.t, track.t + 3600.0)
    left, extra, truncated = residual(replace(track, t=t))
    assert np.hypot(*(left[1500] - left[1499])) < 16.0 * 3600.0
    assert truncated[1499] == 0.0
    assert 1e3 < np.sqrt(extra[1499]) <= 1e4
    walked = np.r_[0.0, np.cumsum(extra + 1e-5)]
    assert np.diff(walked)[1600:1700] == pytest.approx(np.full(100, 1e-5), rel=0.01)


def test_a_car_without_velocity_keeps_its_direction() -> None:
    """The way driven in three minutes is no jump: what it may be grows with time, not with its root."""
    track = weaving()
    velocity = track.velocity.copy()
    velocity[600:2400] = np.nan
    _, extra, _ = residual(replace(track, velocity=velocity))
    driven = np.hypot(*(track.places[2400, :2] - track.places[599, :2]))
    assert np.sqrt(extra.sum()) > driven / 3
    at_the_end = track.velocity.copy()
    at_the_end[2400:] = np.nan
    _, extra, _ = residual(replace(track, velocity=at_the_end))
    assert np.sqrt(extra.sum()) == pytest.approx(40.0 * 60.0, rel=0.02)


def test_a_step_of_the_position_stays_and_motion_drops_out() -> None:
    track = weaving(white_m=0.0, doppler_mps=0.0)
    places = track.places.copy()
    places[1500:, 0] += 0.3
    left, _, _ = residual(replace(track, places=places))
    assert left[1510, 0] - left[1490, 0] == pytest.approx(0.3, abs=0.002)
    assert abs(left[1490, 0] - left[400, 0]) < 0.01


def test_a_hole_in_velocity_makes_the_way_uncertain() -> None:
    track = weaving()
    velocity = track.velocity.copy()
    velocity[1500:1600] = np.nan
    _, extra, _ = residual(replace(track, velocity=velocity))
    assert np.sqrt(extra[1500:1600].sum()) > 10.0
    driven = (np.abs(velocity[:1490]) > 0).any(axis=1)
    assert extra[:1489][driven[1:] & driven[:-1]].sum() == 0.0


@pytest.mark.parametrize("interval_s", [0.1, 1.0])
def test_beside_a_stand_the_way_is_known_to_the_limit_for_rest_only(interval_s: float) -> None:
    """Sigma of a uniform speed from none to 0.25 m/s is 0.25 / sqrt(12) (closed form)."""
    track = weaving(120.0, rate_hz=1 / interval_s)
    velocity = np.where(((track.t > 40) & (track.t < 60))[:, None], 0.0, np.array([3.0, 1.0]))
    _, extra, _ = residual(replace(track, velocity=velocity))
    rest = np.flatnonzero((velocity == 0).all(axis=1))
    at = np.flatnonzero(extra)
    assert at.tolist() == [rest[0] - 1, rest[0], rest[-1] - 1, rest[-1]]
    assert np.allclose(np.sqrt(extra[at]), 0.25 * interval_s / np.sqrt(12))


def test_lagged_never_reaches_across_a_break_and_robust_sigma_is_that_of_a_normal() -> None:
    values = np.arange(20.0)[:, None]
    usable = np.ones(20, bool)
    usable[10] = False
    assert len(lagged(values, 3, usable)) == 7 + 6
    sample = np.random.default_rng(3).normal(0, 2.0, 20_000)
    assert robust_sigma(sample) == pytest.approx(2.0, rel=0.03)
    assert np.isnan(robust_sigma(np.array([np.nan])))
