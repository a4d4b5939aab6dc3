"""Drift of positions while the car stands: what is gone on driving on, and what is not."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from analyzer.evidence.displacement import residual
from analyzer.evidence.noise import Noise
from analyzer.evidence.parts import _standstill
from analyzer.evidence.stand_drift import _settled, stand_drift
from analyzer.evidence.track import Track

STAND = (120.0, 145.0)


def _stopping(rate_hz: float = 10.0, *, doppler_mps: float = 0.01, seed: int = 4) -> Track:
    """Return a drive straight on with one stand within, white position noise of 2 mm and white velocity noise, none at rest."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 300.0, 1 / rate_hz)
    speed = 12.0 * np.clip(np.maximum(STAND[0] - t, t - STAND[1]) / 6.0, 0.0, 1.0)
    way = np.r_[0.0, np.cumsum((speed[1:] + speed[:-1]) / 2 / rate_hz)]
    standing = speed == 0
    velocity = np.column_stack([speed, np.zeros(len(t))]) + doppler_mps * rng.normal(size=(len(t), 2)) * ~standing[:, None]
    places = np.column_stack([way, np.zeros((len(t), 2))]) + 0.002 * rng.normal(size=(len(t), 3))
    every = np.ones(len(t), bool)
    return Track(t=t, places=places, velocity=velocity, fixed=every, placed=every, standing=standing, age=np.full(len(t), 1.0), nominal_s=1 / rate_hz)


def _moved(track: Track, shift_m: np.ndarray) -> Track:
    return replace(track, places=track.places + np.column_stack([0.6 * shift_m, -0.8 * shift_m, np.zeros(len(track))]))


def _drift(t: np.ndarray, size_m: float, kept: float = 0.0) -> np.ndarray:
    """Return a drift that sets in at the stand and decays within seconds behind it, down to the share `kept`."""
    grown = size_m * (1 - np.exp(-np.clip(t - STAND[0], 0, STAND[1] - STAND[0]) / 6.0))
    return np.where(t < STAND[1], grown, grown * (kept + (1 - kept) * np.exp(-np.maximum(t - STAND[1], 0.0) / 2.5)))


def _found(track: Track) -> np.ndarray:
    return stand_drift(track, residual(track)[0], np.ones(len(track), bool))


@pytest.mark.parametrize("rate_hz", [5.0, 10.0, 50.0])
def test_a_drift_that_is_gone_behind_the_stand_is_found_as_large_as_it_is(rate_hz: float) -> None:
    track = _stopping(rate_hz)
    shift = _drift(track.t, 0.15)
    found = _found(_moved(track, shift))
    inside = (track.t > STAND[0] + 1) & (track.t < STAND[1] - 1)
    assert np.hypot(*found.T)[inside] == pytest.approx(shift[inside], abs=0.03)
    assert (found[(track.t < STAND[0]) | (track.t > STAND[1] + 10.5)] == 0).all()
    behind = (track.t > STAND[1]) & (track.t < STAND[1] + 4)
    assert np.hypot(*found.T)[behind] == pytest.approx(shift[behind], abs=0.05)


@pytest.mark.parametrize("shift", [
    pytest.param(lambda t: np.zeros(len(t)), id="nothing"),
    pytest.param(lambda t: _drift(t, 0.02), id="the usual slow error"),
    pytest.param(lambda t: _drift(t, 0.15, kept=1.0), id="one that lasts"),
    pytest.param(lambda t: 0.2 * np.sin(np.pi * np.clip((t - 100) / 120, 0, 1)), id="a swing of two minutes"),
    pytest.param(lambda t: np.where((t > 130) & (t < 147), 0.2, 0.0), id="a step, which is a wrong fix"),
])
def test_what_is_no_drift_of_the_stand_stays(shift) -> None:
    track = _stopping()
    assert (_found(_moved(track, shift(track.t))) == 0).all()


def test_a_velocity_that_may_be_off_by_as_much_tells_of_no_return() -> None:
    track = _stopping(doppler_mps=0.3)
    assert (_found(_moved(track, _drift(track.t, 0.15))) == 0).all()


def test_a_stand_without_motion_before_or_behind_is_left() -> None:
    track = _moved(_stopping(), _drift(_stopping().t, 0.15))
    for usable in (track.t >= STAND[0] + 2, track.t < STAND[1] - 2, (track.t < STAND[1]) | (track.t > STAND[1] + 5)):
        assert (stand_drift(track, residual(track)[0], usable) == 0).all()


def test_the_bound_of_these_moments_covers_what_strayed_and_the_velocity_since() -> None:
    track = _stopping()
    shift = _drift(track.t, 0.15)
    moved = _moved(track, shift)
    noise = Noise(0.002, 1e-5, 0.003, 25.0, learnt=True)
    opinion = SimpleNamespace(strayed=_found(moved), noise=noise, stretches=SimpleNamespace(id=np.zeros(len(track), int)))
    part = _standstill(moved, opinion)
    judged = (track.t > STAND[0] + 1) & (track.t < STAND[1] + 8)
    assert (part[judged] + 0.02 >= shift[judged]).all()
    assert (part[track.t > STAND[1] + 10.5] == 0).all()
    assert part.max() < 0.15 + 2.5 * noise.wander(10.0) + 0.02


@pytest.mark.parametrize(("stand_s", "swing_s", "taken"), [(300.0, 60.0, True), (300.0, 180.0, False), (90.0, 10.0, False)])
def test_what_is_the_same_for_most_of_a_long_stand_is_no_swing(stand_s: float, swing_s: float, taken: bool) -> None:
    """Six centimetres that braking left in the level; what swings beside them is held against them."""
    t = np.arange(0.0, stand_s)
    away = np.column_stack([0.06 + 0.2 * ((t > 20) & (t < 20 + swing_s)), np.zeros(len(t))])
    assert _settled(away, t) == pytest.approx([0.06 if taken else 0.0, 0.0])
