"""Independent data that do not stand on the clock of the positions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer.evidence.source_clock import lag_of, on_the_clock
from analyzer.evidence.track import Track
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


def test_a_source_that_covers_a_part_of_the_drive_is_not_moved_to_cover_more_of_it() -> None:
    """Laps of 90 s: the first lap alone fits the second as well, moved by as much as is looked for or less."""
    t = np.arange(0, 360, 0.1)
    own = np.where(t > 60.0, rate(np.mod(t, 40.0)) + 0.02 * np.random.default_rng(4).normal(size=len(t)), np.nan)
    at = np.arange(0, 75, 0.01)
    assert lag_of(t, own, at, rate(np.mod(at, 40.0))) is None


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


def bends(ahead_m: float, late_s: float, speed_mps: float) -> tuple[Recording, Track]:
    """Return a drive through bends whose antenna stands `ahead_m` before the axle, and gyros whose clock is `late_s` ahead."""
    t = np.arange(0.0, 600.0, 0.01)
    turn = 0.25 * rate(t)
    yaw = np.cumsum(turn) * 0.01
    course = yaw + np.arctan(ahead_m * turn / speed_mps)
    every = slice(None, None, 10)
    track = replace(
        weaving(600.0), velocity=(speed_mps * np.column_stack([np.cos(course), np.sin(course)]))[every], fixed=np.ones(6000, bool),
        standing=np.zeros(6000, bool))
    start = pd.Timestamp("2026-05-02T09:00:00", tz="UTC")
    index = pd.DatetimeIndex(start + pd.to_timedelta(track.t, unit="s")).as_unit("us")
    inertial = pd.DataFrame({"source_id": 0, "rate_z_radps": turn}, index=pd.DatetimeIndex(start + pd.to_timedelta(t + late_s, unit="s")).as_unit("us"))
    return Recording((), fixes=pd.DataFrame(index=index), inertial=inertial), track


@pytest.mark.parametrize("speed_mps", [6.0, 12.0, 25.0])
@pytest.mark.parametrize("ahead_m", [0.5, 1.2, 2.2])
def test_an_antenna_ahead_of_the_axle_is_no_clock(ahead_m: float, speed_mps: float) -> None:
    """Its course leads the yaw of the car by its distance over the speed: a tenth of a second and more at walking pace of a test lane."""
    found = on_the_clock(*bends(ahead_m, 0.0, speed_mps))
    assert found.lags_s == {} and found.findings() == ()


@pytest.mark.parametrize("late_s", [-1.5, 0.6, 18.0])
def test_a_clock_that_is_off_is_found_beside_such_an_antenna(late_s: float) -> None:
    found = on_the_clock(*bends(1.2, late_s, 15.0))
    assert found.lags_s["inertial data"] == pytest.approx(late_s, abs=0.2)
