"""Independent data that do not stand on the clock of the positions."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer.evidence.source_clock import lag_of, on_the_clock
from analyzer.recording import Recording
from tests.evidence.tracks import weaving


def rate(t: np.ndarray, seed: int = 3) -> np.ndarray:
    """Return turns of some seconds, seldom twice the same."""
    draws = np.random.default_rng(seed)
    at = np.sort(draws.uniform(-80.0, 680.0, 60))
    return (draws.normal(size=60) * np.exp(-0.5 * ((t[:, None] - at) / 2.0) ** 2)).sum(axis=1)


@settings(max_examples=25, deadline=None)
@given(st.floats(0.5, 50.0), st.sampled_from([-1.0, 1.0]), st.sampled_from([5.0, 10.0, 50.0]))
def test_a_lag_is_found_to_a_tenth_of_a_second_from_five_hertz_on(lag: float, side: float, rate_hz: float) -> None:
    t = np.arange(0.0, 600.0, 1 / rate_hz)
    at = np.arange(-70.0, 670.0, 0.02)
    found = lag_of(t, rate(t), at, 1.1 * rate(at - side * lag) + 0.02)
    assert found == pytest.approx(side * lag, abs=0.1)


def test_noise_holes_and_stands_do_not_hide_it() -> None:
    t = np.arange(0.0, 600.0, 0.1)
    draws = np.random.default_rng(5)
    own = rate(t) + 0.1 * draws.normal(size=len(t))
    own[(t > 100) & (t < 160)] = np.nan
    at = np.arange(0.0, 600.0, 0.01)
    assert lag_of(t, own, at, rate(at - 18.0) + 0.1 * draws.normal(size=len(at))) == pytest.approx(18.0, abs=0.1)


@pytest.mark.parametrize("other", ["same", "unrelated", "still", "few"])
def test_nothing_is_moved_where_nothing_shows_a_lag(other: str) -> None:
    t = np.arange(0.0, 600.0, 0.1)
    at = np.arange(0.0, 600.0, 0.01)
    values = {"same": rate(at), "unrelated": rate(at, seed=11), "still": np.zeros(len(at)), "few": np.where(at < 0.5, 0.0, np.nan)}
    assert lag_of(t, rate(t), at, values[other]) is None


def test_evenly_repeated_turns_say_nothing() -> None:
    """A slalom repeats itself: a lag of a whole turn agrees as well, and no lag has to be taken from it."""
    t = np.arange(0.0, 600.0, 0.1)
    assert lag_of(t, np.sin(t), t, np.sin(t)) is None


def test_wheels_on_gps_time_are_moved_and_leap_seconds_named() -> None:
    track = weaving(600.0)
    speed = 12.0 + 3.0 * np.cumsum(rate(track.t)) * 0.1
    track.velocity[:] = np.maximum(speed, 4.0)[:, None] * [0.6, 0.8]
    times = pd.date_range("2026-05-02T09:00:00", periods=len(track), freq="100ms", tz="UTC")
    wheels = pd.DataFrame({"speed_mps": np.hypot(*track.velocity.T)}, index=times + pd.Timedelta(seconds=18))
    recording = Recording((), fixes=pd.DataFrame(index=times), measurement=wheels)
    found = on_the_clock(recording, track)
    assert found.lags_s["measurement data"] == pytest.approx(18.0, abs=0.1)
    assert abs((found.recording.measurement.index[0] - times[0]).total_seconds()) < 0.1
    assert len(recording.measurement) == len(found.recording.measurement) and recording.measurement.index[0] == wheels.index[0]
    (said,) = found.findings()
    assert "18.0 s ahead" in said.text and "GPS time" in said.text
    assert said.evidence["words"] == "the clock of the measurement data is 18.0 s ahead of that of the positions"
