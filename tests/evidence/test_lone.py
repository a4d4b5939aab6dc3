"""Single epochs beside their neighbours, at rates where a smoothed walk follows them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analyzer.evidence.displacement import residual
from analyzer.evidence.lone import off_neighbours
from analyzer.evidence.noise import learn
from analyzer.evidence.track import Track
from tests.evidence.tracks import weaving


def off(track: Track) -> tuple[np.ndarray, np.ndarray]:
    left, extra, truncated = residual(track)
    noise = learn(left, track.fixed, track.nominal_s)
    return off_neighbours(track, left, noise, coarse=np.ones(len(track)), step_var=truncated + extra)


def moved(track: Track, rows: list[int], by: tuple[float, float]) -> Track:
    places = track.places.copy()
    places[rows, :2] += by
    return replace(track, places=places)


@pytest.mark.parametrize("at", [15, 150], ids=["at rest", "in motion"])
@pytest.mark.parametrize("rate_hz", [1.0, 2.0])
def test_a_spike_shows_its_whole_size(at: int, rate_hz: float) -> None:
    spiky = moved(weaving(rate_hz=rate_hz), [round(at * rate_hz)], (0.4, -0.3))
    away, sigma = off(spiky)
    assert np.flatnonzero(np.isfinite(sigma)).tolist() == [round(at * rate_hz)]
    assert np.hypot(*away[round(at * rate_hz)]) == pytest.approx(0.5, abs=4 * float(np.nanmax(sigma)))


@pytest.mark.parametrize("seed", range(5))
def test_honest_noise_has_none(seed: int) -> None:
    _, sigma = off(weaving(1800.0, 1.0, seed=seed, white_m=0.01))
    assert np.isnan(sigma).all()


def test_a_step_that_stays_two_epochs_together_and_higher_rates_are_left_to_others() -> None:
    slow = weaving(rate_hz=1.0)
    for other in (moved(slow, list(range(150, 300)), (0.5, 0.0)), moved(slow, [150, 151], (0.5, 0.0)), moved(weaving(), [1500], (0.5, 0.0)),
                  replace(moved(slow, [150], (0.5, 0.0)), from_places=True)):
        assert np.isnan(off(other)[1]).all()
