"""Wheel speed that contradicts the log: benches, ferries, units; and what tyres do by themselves."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analyzer import tables
from analyzer.evidence.wheels_against import wheels_against
from analyzer.recording import Recording

START = pd.Timestamp("2026-05-06T09:00:00Z")


def recorded(speed: np.ndarray, wheels: np.ndarray) -> Recording:
    """Return a log at 10 Hz with a wheel speed at 50 Hz beside it."""
    t = np.arange(len(speed)) / 10
    at = np.arange(0.0, t[-1], 0.02)
    index = [START + pd.to_timedelta(np.rint(x * 1e6), unit="us") for x in (t, at)]
    fixes = pd.DataFrame({"speed_mps": speed}, index=index[0])
    noise = 0.03 * np.random.default_rng(1).standard_normal(len(at))
    return Recording((), fixes=fixes, measurement=tables.MEASUREMENT.conform(
        pd.DataFrame({"speed_mps": np.interp(at, t, wheels) + noise}, index=pd.DatetimeIndex(index[1]))))


def town() -> np.ndarray:
    """Return ten minutes of speeds between stands."""
    t = np.arange(6000) / 10
    return np.asarray(np.clip(10 + 8 * np.sin(2 * np.pi * t / 70), 0.0, None) * (np.sin(2 * np.pi * t / 140) > -0.9))


@pytest.mark.parametrize("scale", [0.9, 0.98, 1.1])
def test_tyres_contradict_nobody(scale: float) -> None:
    speed = town()
    assert wheels_against(recorded(speed, scale * speed)) == ()
    locked = scale * speed
    locked[1500:1600] = 0.0  # ten seconds of sliding
    assert wheels_against(recorded(speed, locked)) == ()


def test_a_roller_bench_a_ferry_and_a_dead_sensor_are_told() -> None:
    speed = town()
    bench, ferry, dead = speed.copy(), speed.copy(), speed.copy()
    bench[2000:4000], ferry[2000:4000], dead[:] = 20.0, 8.0, 0.0
    still = speed.copy()
    still[2000:4000] = 0.0
    (told,) = wheels_against(recorded(still, bench))
    assert told.code == "wheel_speed_contradicts"
    assert told.evidence["times"] == 1 and told.evidence["seconds"] == pytest.approx(200.0, abs=1.0)
    assert "from 09:03:20 to 09:06:39 UTC: the wheels turn at 20.0 m/s, the log says 0.0 m/s" in told.text
    (told,) = wheels_against(recorded(ferry, still))
    assert "the wheels turn at 0.0 m/s, the log says 8.0 m/s" in told.text
    (told,) = wheels_against(recorded(speed, dead))
    assert told.code == "wheel_speed_contradicts"


def test_another_unit_is_told_as_a_scale() -> None:
    speed = town()
    (told,) = wheels_against(recorded(speed, 3.6 * speed))
    assert told.code == "wheel_speed_scale" and told.evidence["ratio"] == pytest.approx(3.6, rel=0.01)
    assert "3.6 times" in told.text


def test_nothing_is_said_without_wheels() -> None:
    recording = recorded(town(), town())
    assert wheels_against(Recording((), fixes=recording.fixes)) == ()
