"""Offsets at which a drive merely resembles itself, against the ones that were planted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from attach_drives import FINE_HZ, START, Motion, epochs_of, measured_of, motion
from scipy.ndimage import gaussian_filter1d

from analyzer.attaching.signals import Pair, Sampled, pairs
from analyzer.attaching.time_offset import estimate
from analyzer.attaching.time_offset_fit import Line, fit
from analyzer.attaching.time_offset_rest import proven, rest_of


def laps(count: int, lap_s: float, *, seed: int, day: int = 0, apart_mps: float = 0.2, uneven: float = 0.002) -> Motion:
    """One course (`seed`) driven `count` times, each lap a little faster or slower and otherwise than the one before."""
    course, driver = np.random.default_rng(seed), np.random.default_rng([seed, day])
    at = np.arange(0.0, lap_s + 1.0, 5.0)
    wanted = course.uniform(5.0, 25.0, len(at))
    driven = []
    for _ in range(count):
        length = 1.0 + uneven * driver.standard_normal()
        driven.append(np.interp(np.arange(0.0, lap_s * length, 1.0 / FINE_HZ) / length, at,
                                wanted + apart_mps * driver.standard_normal(len(at))))
    speed = gaussian_filter1d(np.concatenate(driven), 0.5 * FINE_HZ, mode="nearest")
    seconds = np.arange(len(speed)) / FINE_HZ - 2.0
    return Motion(seconds, speed, np.gradient(speed, 1.0 / FINE_HZ), np.zeros(len(speed)))


def both(drive: Motion, offset_s: float) -> Pair:
    """The speeds of one drive as a pair."""
    found = pairs(epochs_of(drive), {"speed_mps": Sampled(*measured_of(drive, offset_s=offset_s)["speed_mps"])}, START)
    return found[0]


@pytest.mark.parametrize("offset_s", [250.0, -300.0, 400.0])
def test_any_offset_is_found_and_none_beside_it(offset_s: float) -> None:
    drive = motion(300.0, seed=int(abs(offset_s)))
    found = estimate(epochs_of(drive), measured_of(drive, rate_hz=50.0, offset_s=offset_s), origin=START)
    assert found.offset_s == pytest.approx(offset_s, abs=0.005), found.not_evaluated


@pytest.mark.parametrize(("offset_s", "lap_s"), [(250.0, 60.0), (400.0, 90.0), (0.03, 60.0)])
def test_laps_are_told_apart_by_how_they_were_driven(offset_s: float, lap_s: float) -> None:
    """A lap more or less lies within reach of zero, and each lap resembles the next to 0.99."""
    drive = laps(round(360.0 / lap_s), lap_s, seed=int(abs(offset_s)))
    found = estimate(epochs_of(drive), measured_of(drive, rate_hz=50.0, offset_s=offset_s), origin=START)
    assert found.offset_s == pytest.approx(offset_s, abs=0.02), found.not_evaluated


def test_laps_that_are_all_the_same_keep_the_offset_near_zero() -> None:
    """Nothing in the speeds speaks against a whole lap more; a clock that is off by one is far less likely."""
    drive = laps(5, 75.0, seed=5, apart_mps=0.0, uneven=0.0)
    found = estimate(epochs_of(drive), measured_of(drive, rate_hz=50.0, offset_s=0.02), origin=START)
    assert found.offset_s == pytest.approx(0.02, abs=0.005), found.not_evaluated


def test_the_same_course_on_another_day_is_no_match() -> None:
    first, second = (laps(8, 60.0, seed=4, day=k, apart_mps=0.7, uneven=0.01) for k in (1, 2))
    found = estimate(epochs_of(first), measured_of(second, rate_hz=50.0), origin=START)
    assert found.line is None


def test_what_is_left_tells_one_recording_twice_from_two_laps() -> None:
    drive = laps(6, 60.0, seed=3, apart_mps=1.0, uneven=0.01)
    pair = both(drive, 0.0)
    right = fit(pair, 0.0)
    assert proven(pair, right).reason is None
    rest = rest_of(pair, right)
    # planted: 0.03 and 0.05 m/s of noise that is averaged over a tenth of a second on one side
    assert rest.noise == pytest.approx(np.hypot(0.03, 0.05 / np.sqrt(10.0)), rel=0.1)
    assert rest.correlation > 0.999 and rest.left < 0.02
    lap = proven(pair, replace(right, offset_s=60.0))
    assert "times their noise" in str(lap.reason)


def test_a_drive_with_hardly_any_changes_is_judged_by_the_noise() -> None:
    """Changes of 5 cm/s under 10 cm/s of noise correlate badly, and yet no more is left than the noise."""
    drive = motion(400.0, seed=9)
    flat = replace(drive, speed=25.0 + 0.01 * (drive.speed - drive.speed.mean()))
    epochs = epochs_of(flat, noise_mps=0.1)
    signals = {"speed_mps": Sampled(*measured_of(flat, noise_mps=0.3)["speed_mps"])}
    line = Line(0.0, 0.0, 200.0, 0.01, 0.0, 0, np.nan, np.nan)
    assert proven(pairs(epochs, signals, START)[0], line).reason is None
