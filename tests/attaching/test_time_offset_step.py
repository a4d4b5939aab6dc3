"""A clock that jumps within the measurement: seen in the windows of its offset, and never averaged into one."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest
from attach_drives import START, Motion, epochs_of, measured_of, motion

from analyzer.attaching.decide import decide
from analyzer.attaching.marker_windows import tie_of
from analyzer.attaching.measured import Measured
from analyzer.attaching.signals import Sampled, pairs
from analyzer.attaching.time_offset import TimeOffset, estimate
from analyzer.attaching.time_offset_fit import fit
from analyzer.attaching.time_offset_step import Watch, halves, watch
from analyzer.errors import RefusedError

DURATION_S = 480.0


@cache
def drive_of(seed: int) -> Motion:
    return motion(DURATION_S, seed=seed)


def jumping(at_s: float, size_s: float, *, seed: int = 21, drift_ppm: float = 0.0) -> TimeOffset:
    """The offset of a clock that is set by `size_s` at `at_s`."""
    drive = drive_of(seed)
    clock, speed = measured_of(drive, drift_ppm=drift_ppm, seed=seed)["speed_mps"]
    clock = np.where(clock >= at_s, clock + size_s, clock)
    order = np.argsort(clock, kind="stable")
    return estimate(epochs_of(drive, seed=seed), {"speed_mps": (clock[order], speed[order])}, origin=START)


@pytest.mark.parametrize(("at_s", "size_s"), [(240.0, 0.3), (240.0, 0.05), (240.0, -0.3), (240.0, 1.0), (120.0, 0.1), (440.0, 0.3), (50.0, -0.1)])
def test_a_clock_that_jumps_is_refused_with_place_and_size(at_s: float, size_s: float) -> None:
    found = jumping(at_s, size_s)
    assert found.step is not None
    assert found.step.from_s - 10.0 <= at_s <= found.step.until_s + 10.0
    assert found.step.size_s == pytest.approx(size_s, abs=max(0.01, found.step.half_width_s))
    for wanted, placed in ((None, True), ("auto", True), (None, False)):
        with pytest.raises(RefusedError, match=r"its clock jumps by .* between 09:0\d:\d\d and 09:0\d:\d\d UTC.*cut the measurement there") as caught:
            decide(found, wanted, name="m.mf4", placed=placed)
        assert caught.value.exit_code == 6


def test_windows_of_a_clock_that_jumps_are_refused() -> None:
    measured = Measured("m.csv", pd.DatetimeIndex([]), {})
    with pytest.raises(RefusedError, match="jumps"):
        tie_of(jumping(240.0, 0.3), measured)
    assert "agrees with the recording" in tie_of(jumping(240.0, 0.0), measured).words


@pytest.mark.parametrize("drift_ppm", [0.0, 60.0, -250.0])
@pytest.mark.parametrize("seed", [21, 22, 23])
def test_a_drift_is_no_step(drift_ppm: float, seed: int) -> None:
    found = jumping(240.0, 0.0, seed=seed, drift_ppm=drift_ppm)
    assert found.watched is not None and found.watched.step is None
    assert any("drift apart" in n for n in found.notes) == (abs(drift_ppm) > 200.0)


def test_slipping_wheels_are_no_step() -> None:
    drive = motion(DURATION_S, seed=24)
    clock, speed = measured_of(drive, seed=24)["speed_mps"]
    speed = speed.copy()
    for at in (6000, 20000, 45500, 46200):
        speed[at:at + 80] += 4.0
    assert estimate(epochs_of(drive, seed=24), {"speed_mps": (clock, speed)}, origin=START).step is None


def test_the_words_say_when_the_clock_was_not_watched() -> None:
    found = jumping(240.0, 0.0)
    assert found.watched is not None
    assert 20.0 < found.watched.from_s < 80.0 and 400.0 < found.watched.until_s < 470.0
    words = decide(found, None, name="m.csv", placed=True).words
    assert "a step of the clock would be seen from 09:00:" in words and "to 09:07:" in words
    short = motion(40.0, seed=25)
    brief = estimate(epochs_of(short), measured_of(short), origin=START)
    assert brief.watched is None
    assert "holds only if it made none" in decide(brief, None, name="m.csv", placed=True).words


def test_a_step_too_small_to_be_told_from_a_delay_widens_the_interval() -> None:
    small, none = jumping(240.0, 0.014), jumping(240.0, 0.0)
    assert small.step is None
    assert small.line is not None and none.line is not None
    for true in (0.0, 0.014):
        assert abs(small.line.offset_s - true) <= small.line.half_width_s


def test_one_window_that_differs_is_no_step() -> None:
    rng = np.random.default_rng(4)
    seconds = np.arange(10.0, 480.0, 20.0)
    table = pd.DataFrame({"seconds": seconds, "offset_s": 0.003 * rng.standard_normal(len(seconds)), "weight": 1.0})
    alone = table.copy()
    alone.loc[len(table) - 1, "offset_s"] = 0.3
    both = alone.copy()
    both.loc[len(table) - 2, "offset_s"] = 0.3
    for windows, seen in ((table, False), (alone, False), (both, True)):
        made = watch(windows)
        assert made is not None
        assert (made.step is not None) == seen
    assert watch(table.iloc[:4]) is None


@pytest.mark.parametrize(("size_s", "seen"), [(0.3, True), (0.0, False)])
def test_a_step_is_seen_by_halves_where_windows_tell_too_little(size_s: float, seen: bool) -> None:
    drive = drive_of(26)
    clock, yaw = measured_of(drive, inertial=True, seed=26)["yaw_rate_radps"]
    clock = np.where(clock >= 250.0, clock + size_s, clock)
    pair = next(p for p in pairs(epochs_of(drive, seed=26), {"yaw_rate_radps": Sampled(clock, yaw)}, START))
    line = fit(pair, 0.5 * size_s)
    vague = Watch(30.0, 450.0, 0.3)
    for watched in (None, vague):
        made = halves(pair, line, watched)
        assert (made is not None and made.step is not None) == seen
        if seen:
            assert made is not None and made.step is not None and made.step.clear
            assert made.step.size_s == pytest.approx(size_s, abs=2.0 * made.step.half_width_s)
            assert made.step.from_s <= 250.0 <= made.step.until_s
        else:
            assert made is watched
    sure = Watch(30.0, 450.0, 0.02)
    assert halves(pair, line, sure) is sure
