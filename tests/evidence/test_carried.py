"""The way across seconds without velocity, against the way that was driven."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analyzer.evidence.carried import Sensors, carry, holes_in
from analyzer.evidence.displacement import residual
from analyzer.evidence.track import Track

RATE_HZ, SECONDS = 10.0, 600.0


def driven(*, seed: int = 1, weaving: float = 0.05) -> tuple[Track, Sensors]:
    """Return ten minutes of driving whose course weaves, and what a gyro and wheels see of it, with biases of their own."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
    speed = 15.0 + 4.0 * np.sin(t / 31.0) + weaving * 20 * np.sin(t / 2.1)
    course = 0.4 * np.sin(t / 40.0) + weaving * np.sin(t / 1.3)
    velocity = speed[:, None] * np.column_stack([np.cos(course), np.sin(course)])
    places = np.vstack([np.zeros(2), np.cumsum((velocity[1:] + velocity[:-1]) / 2 / RATE_HZ, axis=0)])
    every = np.ones(len(t), bool)
    track = Track(t=t, places=np.column_stack([places, 0 * t]), velocity=velocity + 0.02 * rng.normal(size=velocity.shape), fixed=every, placed=every,
                  standing=~every, age=np.ones(len(t)), nominal_s=1 / RATE_HZ)
    return track, Sensors(course + 0.002 * t, speed + 0.05 * t)


def hidden(track: Track, first_s: float, last_s: float) -> Track:
    velocity = track.velocity.copy()
    velocity[(track.t > first_s - 0.01) & (track.t < last_s + 0.01)] = np.nan
    return replace(track, velocity=velocity)


def missed(track: Track) -> tuple[float, float]:
    """Return by how much the way across the hole is off, and its sigma [m]."""
    (first, last), = holes_in(track)
    left, extra, _ = residual(track)
    return float(np.hypot(*(left[last] - left[first]))), float(np.sqrt(extra[first:last].sum()))


@pytest.mark.parametrize("begins_s", [100.0, 203.3, 404.4])
@pytest.mark.parametrize("length_s", [2.0, 4.0, 8.0])
def test_what_the_way_may_be_off_is_learnt_from_the_drive(begins_s: float, length_s: float) -> None:
    track, sensors = driven()
    gap = hidden(track, begins_s, begins_s + length_s)
    blind = missed(gap)[1]
    off, sigma = missed(carry(gap, Sensors()))
    assert off < 3 * sigma and (sigma < blind / 10 or length_s > 4.5)
    off_with, sigma_with = missed(carry(gap, sensors))
    assert off_with < 3 * sigma_with and sigma_with < min(sigma, 0.1 + 0.03 * length_s)


def test_a_calm_drive_is_carried_farther_than_one_that_weaves() -> None:
    sigmas = [missed(carry(hidden(driven(weaving=w)[0], 100.0, 104.0), Sensors()))[1] for w in (0.01, 0.05)]
    assert sigmas[0] < 0.6 * sigmas[1]


def test_a_gyro_of_another_drive_shows_in_what_it_misses() -> None:
    track, sensors = driven()
    gap = hidden(track, 100.0, 104.0)
    assert sensors.turned is not None
    foreign = missed(carry(gap, Sensors(sensors.turned[::-1], None)))
    assert foreign[0] < 3 * foreign[1] and foreign[1] > 2 * missed(carry(gap, sensors))[1]


def test_nothing_is_carried_where_a_drive_cannot_tell() -> None:
    track, sensors = driven()
    for gap in (hidden(track, 100.0, 100.9), hidden(track, 100.0, 130.0), track):
        assert carry(gap, sensors) is gap or not len(holes_in(gap))
    short = hidden(track, 3.0, 597.0)
    assert not len(holes_in(short))
    brief = replace(track, velocity=np.where((track.t < 12)[:, None], track.velocity, np.nan))
    gap = hidden(brief, 5.0, 8.0)
    assert not np.isfinite(carry(gap, Sensors()).carried_var).any()


def test_where_epochs_are_missing_too_sensors_tell_nothing() -> None:
    track, sensors = driven()
    kept = (track.t < 100.05) | (track.t > 103.95)
    gap = replace(track, **{name: getattr(track, name)[kept] for name in ("t", "places", "velocity", "fixed", "placed", "standing", "age")})
    told = Sensors(*(x[kept] for x in (sensors.turned, sensors.gained) if x is not None))
    assert missed(carry(gap, told)) == missed(carry(gap, Sensors()))
    longer = (track.t < 100.05) | (track.t > 105.95)
    gap = replace(track, **{name: getattr(track, name)[longer] for name in ("t", "places", "velocity", "fixed", "placed", "standing", "age")})
    assert not np.isfinite(carry(gap, Sensors(*(x[longer] for x in (sensors.turned, sensors.gained) if x is not None))).carried_var).any()
