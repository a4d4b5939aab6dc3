"""An offset that turns with the car where the car turns back slowly."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analyzer.evidence.displacement import residual
from analyzer.evidence.track import Track
from analyzer.evidence.turning import turning_offset


def test_a_slow_turn_back_turns_the_offset_evenly() -> None:
    """Out and back at 15 m/s with turns at 3.6 m/s, below the speed from which the offset is learnt: what is taken out makes no step."""
    t = np.arange(0.0, 600.0, 0.1)
    lap = np.mod(t, 60.0)
    turns = (lap > 24) & (lap < 31)
    speed = np.where((lap > 22) & (lap < 33), 3.6, 15.0)
    bends = 0.35 * np.sin(2 * np.pi * lap / 20.0) * (lap < 20)
    course = np.cumsum(np.where(turns, np.pi / 7.0, 0.0)) * 0.1 + bends
    ahead = np.column_stack([np.cos(course), np.sin(course)])
    velocity = speed[:, None] * ahead
    path = np.vstack([np.zeros(2), np.cumsum((velocity[1:] + velocity[:-1]) / 20, axis=0)])
    rng = np.random.default_rng(1)
    every = np.ones(len(t), dtype=bool)
    track = Track(t=t, places=np.column_stack([path - 0.08 * ahead + 0.003 * rng.normal(size=path.shape), 0 * t]), velocity=velocity, fixed=every,
                  placed=every, standing=~every, age=np.ones(len(t)), nominal_s=0.1)
    left = residual(track)[0]
    found = turning_offset(track, left, every)
    assert found is not None and abs(found.forward_m + 0.08) < 0.02
    assert np.hypot(*np.diff(found.part, axis=0).T).max() < 0.01, "no heading leaps from one epoch to the next"
    rest = left - found.part
    assert np.hypot(*(rest[50:] - rest[:-50]).T).max() < 0.08
    assert turning_offset(replace(track, places=np.column_stack([path, 0 * t])), path - path, every) is None
