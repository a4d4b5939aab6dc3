"""Where a car stands and where it creeps, by its speed and its positions."""

from __future__ import annotations

import numpy as np
import pytest

from analyzer.evidence.standing import creeps, standing_by_speed


def test_a_stand_ends_at_a_pause_of_the_log() -> None:
    """A car that is parked, and logged again from another place, did not stand there in one stand."""
    t = np.r_[np.arange(0.0, 60.0, 0.1), np.arange(3660.0, 3720.0, 0.1)]
    standing = standing_by_speed(t, np.zeros(len(t)), 0.1)
    assert not standing[595:605].any() and standing[:585].all() and standing[615:].all()
    t[600:] -= 3595.0
    assert standing_by_speed(t, np.zeros(len(t)), 0.1).all(), "over five seconds it did"


def test_a_car_that_creeps_along_a_queue_does_not_stand() -> None:
    """At 5 cm/s for 30 s, below any limit for rest: positions get on as the speed says. Noise of Doppler at rest, and a bias of it, do not."""
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 90.0, 0.1)
    pace = np.where((t > 30) & (t < 60), 0.05, 0.0)[:, None] * [0.6, 0.8]
    places = np.cumsum(pace * 0.1, axis=0) + 0.008 * rng.normal(size=pace.shape)
    seen = pace + 0.02 * rng.normal(size=pace.shape)
    every = np.ones(len(t), dtype=bool)
    found = creeps(t, places, seen, every)
    assert found[(t > 36) & (t < 54)].all() and not found[(t < 27) | (t > 63)].any()
    assert not creeps(t, places, seen, ~every).any(), "without precise positions nothing shows it"
    still = 0.008 * rng.normal(size=pace.shape)
    assert not creeps(t, still, seen - pace + [0.05, 0.0], every).any()
    assert not creeps(t, places, seen - pace, every).any(), "a position that drifts while the speed shows none is an error"


@pytest.mark.parametrize("noise_mps", [0.0, 0.02, 0.06])
def test_a_gentle_start_is_not_part_of_the_stand(noise_mps: float) -> None:
    """The car takes four seconds to walking pace, and covers 0.2 m meanwhile; taken for rest that would be an error of the position."""
    rng = np.random.default_rng(2)
    t = np.arange(0.0, 60.0, 0.1)
    pace = 0.25 * (np.clip(t - 30.0, 0, None) / 4.0) ** 2
    seen = np.abs(pace + noise_mps * rng.normal(size=len(t)))
    standing = standing_by_speed(t, seen, 0.1)
    last = int(np.flatnonzero(standing)[-1])
    assert standing[:250].all() and t[last] > 27.0
    assert pace[:last + 1].sum() * 0.1 < 0.02 + 0.7 * noise_mps
    assert standing_by_speed(t, seen, 0.1, fused=True)[last + 5], "a fused solution shows its own slow steps as speed"
