"""Steps drawn out by a filter of the receiver: found with their ends, and nothing else is taken for one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter

from analyzer.evidence.chain import Posterior
from analyzer.evidence.displacement import residual
from analyzer.evidence.noise import Noise
from analyzer.evidence.slews import none_found
from analyzer.evidence.slow_ends import into_slews
from analyzer.evidence.smoothed_steps import smoothed_steps
from analyzer.evidence.stretches import Stretches, cut
from analyzer.evidence.track import Track
from tests.evidence.tracks import weaving

NOISE = Noise(0.002, 2e-5, 0.002, 25.0, True)
HERE, BACK = 100.0, 140.0


def first_order(values: np.ndarray, rate_hz: float, tau_s: float) -> np.ndarray:
    """Return what a filter that carries positions on by velocity makes of positions whose error is `values` (n, 2)."""
    share = 1 - np.exp(-1 / (rate_hz * tau_s))
    return np.asarray(lfilter([share], [1, share - 1], values, axis=0))


def error(rate_hz: float, size: tuple[float, float], tau_s: float, seconds: float = 240.0) -> np.ndarray:
    """Return the error of a wrong fix that is taken at `HERE` and mended at `BACK`."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    return first_order(np.where(((t >= HERE) & (t < BACK))[:, None], np.array(size), 0.0), rate_hz, tau_s)


def looked(values: np.ndarray, rate_hz: float, *, seed: int = 1, velocity: np.ndarray | None = None, coarse: np.ndarray | None = None) -> list[tuple[float, float]]:
    """Return the spans [s] found in an error with the noise of a usual drive."""
    rng = np.random.default_rng(seed)
    walk = np.cumsum(rng.normal(size=values.shape), axis=0) * np.sqrt(NOISE.walk_m2ps / rate_hz)
    speed = np.zeros_like(values) if velocity is None else velocity
    found = smoothed_steps(values + walk + NOISE.white_m * rng.normal(size=values.shape), speed, 1 / rate_hz, NOISE,
                           coarse=np.ones(len(values)) if coarse is None else coarse, truncated=np.zeros(len(values) - 1))
    return [(a / rate_hz, b / rate_hz) for a, b in found]


@settings(max_examples=30, deadline=None)
@given(rate_hz=st.sampled_from([5.0, 10.0, 50.0]), tau_s=st.floats(0.3, 1.4), size=st.floats(0.2, 1.0), angle=st.floats(0, 6.28), seed=st.integers(0, 999))
def test_both_ends_of_a_drawn_out_wrong_fix_are_found(rate_hz: float, tau_s: float, size: float, angle: float, seed: int) -> None:
    found = looked(error(rate_hz, (size * np.cos(angle), size * np.sin(angle)), tau_s), rate_hz, seed=seed)
    assert len(found) == 2
    for (first, last), moment in zip(found, (HERE, BACK), strict=True):
        assert moment - 1.2 <= first <= moment + 0.3 and moment + 1.5 * tau_s <= last <= moment + 4.5 * tau_s + 2.0


@pytest.mark.parametrize("rate_hz", [5.0, 10.0, 100.0])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_drive_without_one_has_none(rate_hz: float, seed: int) -> None:
    assert looked(np.zeros((round(1200 * rate_hz), 2)), rate_hz, seed=seed) == []


@pytest.mark.parametrize("what", ["swing", "small", "velocity", "trees", "rate"])
def test_what_moves_otherwise_is_not_taken_for_one(what: str) -> None:
    rate_hz = 2.0 if what == "rate" else 10.0
    t = np.arange(round(240 * rate_hz)) / rate_hz
    values = error(rate_hz, (0.24, -0.32) if what != "small" else (0.05, 0.04), 0.7)
    velocity, coarse = None, None
    if what == "swing":  # half a metre of slow multipath within a minute
        values = 0.25 * np.sin(2 * np.pi * t / 60)[:, None] * np.array([1.0, 0.5])
    if what == "velocity":  # a late clock shows wherever the car brakes
        velocity = 4.0 / 0.4 * error(rate_hz, (0.24, -0.32), 0.7)
    if what == "trees":
        coarse = np.where(np.abs(t - 120) < 40, 6.0, 1.0)
    assert looked(values, rate_hz, velocity=velocity, coarse=coarse) == []


def drawn(size: tuple[float, float] = (0.2, 0.2), rate_hz: float = 10.0) -> tuple[Track, Stretches]:
    """Return a drive with a drawn-out wrong fix, and its stretches."""
    track = weaving(240.0, rate_hz, doppler_mps=0.01)
    places = track.places.copy()
    places[:, :2] += error(rate_hz, size, 0.7)
    track = replace(track, places=places)
    every = np.ones(len(track), dtype=bool)
    left, extra, truncated = residual(track)
    return track, cut(track, left, NOISE, breaks=~every, fixed=every, coarse=np.ones(len(track)), truncated=truncated + extra)


def test_the_stretches_lie_beside_the_ramps() -> None:
    track, found = drawn()
    assert len(found) == 3 and found.by_jump.tolist() == [False, True, True] and len(found.ramps) == 2
    for (first, last), moment in zip(found.ramps, (HERE, BACK), strict=True):
        inside = (track.t >= first) & (track.t <= last)
        assert first <= moment <= last < moment + 4.5 and (found.id[inside] == -1).all()
    assert (found.id >= 0).sum() > len(track) - 100


def test_epochs_on_the_way_count_with_the_worse_side() -> None:
    track, found = drawn()
    posterior = Posterior(np.array([0.0, 1.0, 0.0]), np.zeros((3, 3)), np.ones((3, 2)), np.zeros(3))
    ids = into_slews(found, posterior, none_found(len(track)), track)
    assert (ids >= 0).all()
    wrong = np.hypot(*error(10.0, (0.2, 0.2), 0.7).T) > 0.05
    assert (ids[wrong] == 1).all()
