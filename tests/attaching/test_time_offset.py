"""The offset between two clocks, against simulated drives with a known one and against an open recording."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from attach_drives import START, epochs_of, measured_of, motion

from analyzer.attaching.decide import decide
from analyzer.attaching.pulse import find_pulses
from analyzer.attaching.time_offset import TimeOffset, estimate, suspicion
from analyzer.attaching.time_offset_search import known_offsets

ROLLOVER_S = 1024 * 7 * 86400.0


def largest_error_ms(found: TimeOffset, duration_s: float, offset_s: float, drift_ppm: float = 0.0) -> float:
    """Largest difference of applied and true offset over all rows [ms]."""
    assert found.line is not None, found.not_evaluated
    true = np.linspace(0.0, duration_s, 200)
    return 1e3 * float(np.abs(found.line.at(true) - offset_s - drift_ppm * 1e-6 * true).max())


@pytest.mark.parametrize(("offset_s", "rate_hz"), [
    (-30.0, 50.0), (-0.25, 100.0), (0.0, 200.0), (0.37, 50.0), (30.0, 100.0), (4.0, 50.0), (14.0, 100.0), (18.0, 200.0),
    (-18.0, 100.0), (19.0, 50.0), (37.0, 100.0), (3600.0, 100.0), (-34200.0, 50.0), (50400.0, 100.0), (7218.0, 100.0),
    (ROLLOVER_S, 100.0), (-ROLLOVER_S, 50.0),
])
def test_offsets_are_found_to_five_milliseconds(offset_s: float, rate_hz: float) -> None:
    drive = motion(300.0, seed=int(abs(offset_s)) % 97)
    found = estimate(epochs_of(drive), measured_of(drive, rate_hz=rate_hz, offset_s=offset_s), origin=START)
    assert largest_error_ms(found, 300.0, offset_s) <= 5.0


@pytest.mark.parametrize("drift_ppm", [50.0, -50.0])
@pytest.mark.parametrize("gnss_hz", [1.0, 10.0, 100.0])
def test_a_drift_is_taken_out(drift_ppm: float, gnss_hz: float) -> None:
    drive = motion(600.0, seed=5)
    found = estimate(epochs_of(drive, rate_hz=gnss_hz), measured_of(drive, offset_s=0.02, drift_ppm=drift_ppm), origin=START)
    assert largest_error_ms(found, 600.0, 0.02, drift_ppm) <= 10.0
    assert found.drift_ppm == pytest.approx(drift_ppm, abs=15.0)


def test_constant_speed_gives_no_guess() -> None:
    rng = np.random.default_rng(3)
    seconds = np.arange(0.0, 300.0, 0.1)
    epochs = pd.DataFrame({"speed_mps": 25.0 + 0.03 * rng.standard_normal(len(seconds))},
                          index=START + pd.to_timedelta(seconds, unit="s"))
    times = np.arange(0.0, 300.0, 0.01)
    found = estimate(epochs, {"speed_mps": (times, 25.2 + 0.05 * rng.standard_normal(len(times)))}, origin=START)
    assert found.line is None
    assert "constant" in str(found.not_evaluated)


def test_a_standing_car_gives_no_guess() -> None:
    times = np.arange(0.0, 300.0, 0.1)
    epochs = pd.DataFrame({"speed_mps": np.zeros(len(times))}, index=START + pd.to_timedelta(times, unit="s"))
    found = estimate(epochs, {"speed_mps": (times, np.zeros(len(times)))}, origin=START)
    assert found.line is None


def test_a_drive_that_repeats_itself_exactly_is_ambiguous() -> None:
    seconds = np.arange(0.0, 1200.0, 0.1)
    speed = 15.0 + 6.0 * np.sin(2 * np.pi * seconds / 12.0)
    epochs = pd.DataFrame({"speed_mps": speed}, index=START + pd.to_timedelta(seconds, unit="s"))
    found = estimate(epochs, {"speed_mps": (seconds, speed)}, origin=START)
    assert found.line is None
    assert "two offsets" in str(found.not_evaluated)


def test_another_drive_is_no_match() -> None:
    found = estimate(epochs_of(motion(300.0, seed=1)), measured_of(motion(300.0, seed=2)), origin=START)
    assert found.line is None


def test_no_common_time_is_said() -> None:
    drive = motion(120.0)
    found = estimate(epochs_of(drive), measured_of(drive, offset_s=40 * 86400.0), origin=START)
    assert found.line is None
    assert "share" in str(found.not_evaluated)


def test_a_clock_that_is_no_utc_is_searched_everywhere() -> None:
    drive = motion(300.0, seed=8)
    signals = measured_of(drive, offset_s=-123.4)
    part = {"speed_mps": tuple(x[5000:20000] for x in signals["speed_mps"])}
    found = estimate(epochs_of(drive), part, origin=START, anywhere=True)
    assert found.offset_s == pytest.approx(-123.4, abs=0.005)
    assert found.suspicion is None


def test_the_interval_holds_the_truth_as_often_as_it_says() -> None:
    held = []
    for seed in range(16):
        drive = motion(200.0, seed=100 + seed)
        epochs = epochs_of(drive, rate_hz=(1.0, 5.0, 10.0, 20.0)[seed % 4], seed=seed)
        found = estimate(epochs, measured_of(drive, offset_s=0.03, seed=seed), origin=START)
        assert found.interval_s is not None
        held.append(found.interval_s[0] <= 0.03 <= found.interval_s[1])
        assert found.interval_s[1] - found.interval_s[0] < 0.02
    # 95 % of 16 is 15; below 12 would be a chance of one in a thousand (binomial)
    assert sum(held) >= 12


def test_the_sensors_own_delay_is_told_apart_by_inertial_signals() -> None:
    drive = motion(400.0, seed=11)
    found = estimate(epochs_of(drive), measured_of(drive, offset_s=0.02, delay_s=0.045, inertial=True), origin=START)
    assert found.delay_source == "inertial"
    assert found.signal_delay_s == pytest.approx(0.045, abs=0.006)
    assert found.offset_s == pytest.approx(0.02, abs=0.006)
    assert found.apparent is not None
    assert found.apparent.line is not None
    assert found.apparent.line.offset_s == pytest.approx(0.065, abs=0.005)


def test_one_inertial_signal_does_not_confirm_itself() -> None:
    drive = motion(400.0, seed=11)
    signals = measured_of(drive, offset_s=0.02, inertial=True)
    del signals["speed_mps"]
    both = estimate(epochs_of(drive), signals, origin=START)
    assert both.delay_source == "inertial"
    alone = estimate(epochs_of(drive), {"yaw_rate_radps": signals["yaw_rate_radps"]}, origin=START)
    assert alone.offset_s == pytest.approx(0.02, abs=0.006)
    assert alone.delay_source == "single"
    words = decide(alone, None, name="m.csv", placed=True).words
    assert "no second signal confirms it" in words
    assert "show the same" not in words


def test_a_stated_delay_is_taken_from_the_apparent_one() -> None:
    drive = motion(300.0, seed=12)
    found = estimate(epochs_of(drive), measured_of(drive, delay_s=0.04), origin=START, signal_delay_s=0.04)
    assert found.offset_s == pytest.approx(0.0, abs=0.005)
    assert not found.outside_band
    assert estimate(epochs_of(drive), measured_of(drive, delay_s=0.04), origin=START).delay_source is None


def test_the_error_it_would_cause_is_speed_times_delay() -> None:
    drive = motion(300.0, seed=13)
    epochs = epochs_of(drive)
    found = estimate(epochs, measured_of(drive, delay_s=0.1), origin=START)
    assert found.position_error_m == pytest.approx(0.1 * np.quantile(epochs["speed_mps"], 0.95), rel=0.06)
    # facts of the trade: 10 ms at 100 km/h are 28 cm
    assert pytest.approx(0.28, abs=0.005) == 0.010 * 100 / 3.6


def test_slipping_wheels_and_wild_rows_do_not_move_it() -> None:
    drive = motion(300.0, seed=14)
    signals = measured_of(drive, offset_s=0.01)
    clock, speed = signals["speed_mps"]
    speed = speed.copy()
    speed[5000:5060] += 6.0
    speed[12000:12010] = 0.0
    found = estimate(epochs_of(drive), {"speed_mps": (clock, speed)}, origin=START)
    assert found.offset_s == pytest.approx(0.01, abs=0.005)


def test_a_gap_in_the_measurement_is_not_bridged() -> None:
    drive = motion(300.0, seed=15)
    clock, speed = measured_of(drive, offset_s=0.01)["speed_mps"]
    kept = (clock < 80.0) | (clock > 150.0)
    found = estimate(epochs_of(drive), {"speed_mps": (clock[kept], speed[kept])}, origin=START)
    assert found.offset_s == pytest.approx(0.01, abs=0.006)


@pytest.mark.parametrize(("offset_s", "words"), [
    (18.04, "GPS time for UTC"), (-18.0, "GPS time for UTC"), (37.02, "atomic time"), (14.0, "BeiDou"), (4.05, "BeiDou"),
    (3600.04, "+1 h"), (-34200.0, "-9:30 h"), (900.0, "+0:15 h"), (3618.03, "+1 h and GPS time"), (5.05, "whole number"),
    (ROLLOVER_S + 0.04, "1024 weeks"),
])
def test_known_offsets_are_named(offset_s: float, words: str) -> None:
    # BDT, GPS, TAI and UTC: leap-seconds list of the IERS (18 s since 2017-01-01); zones: IANA time zone data
    assert words in str(suspicion(offset_s))


@pytest.mark.parametrize("offset_s", [0.0, 0.04, -0.015, 0.119, 0.5, -0.3])
def test_other_offsets_are_not_named(offset_s: float) -> None:
    assert suspicion(offset_s) is None


def test_the_known_offsets_are_those_of_the_issue() -> None:
    known = known_offsets()
    assert {4.0, 14.0, 18.0, 19.0, 37.0, ROLLOVER_S} <= set(known)
    assert sum(abs(c) % 900 == 0 and abs(c) < 1e6 for c in known) == 112


def test_the_band() -> None:
    drive = motion(300.0, seed=16)
    assert estimate(epochs_of(drive), measured_of(drive, offset_s=0.2), origin=START).outside_band
    assert estimate(epochs_of(drive), measured_of(drive, offset_s=-0.06), origin=START).outside_band
    assert not estimate(epochs_of(drive), measured_of(drive, offset_s=0.06), origin=START).outside_band


def test_a_pulse_per_second_gives_the_fraction() -> None:
    clock = np.arange(0.0, 60.0, 0.002)
    pulses = find_pulses(clock, ((clock - 0.237) % 1.0 < 0.1).astype(float))
    assert pulses is not None
    assert pulses.offset_near(0.237 + 0.05, 0.002) == pytest.approx(0.237, abs=0.002)
    assert pulses.offset_near(18.237, 0.002) == pytest.approx(18.237, abs=0.002)
    assert find_pulses(clock, (clock > 20.0).astype(float)) is None
    presses = np.zeros(len(clock))
    for at in np.random.default_rng(1).uniform(1, 58, 25):
        presses[np.abs(clock - at) < 0.2] = 1.0
    assert find_pulses(clock, presses) is None


def test_a_pulse_separates_the_sensors_delay() -> None:
    drive = motion(300.0, seed=17)
    signals = measured_of(drive, offset_s=0.015, delay_s=0.05)
    clock = np.arange(0.0, 300.0, 0.001)
    pulses = find_pulses(clock, ((clock - 0.015) % 1.0 < 0.2).astype(float))
    found = estimate(epochs_of(drive), signals, origin=START, pulses=pulses)
    assert found.delay_source == "pulse"
    assert found.offset_s == pytest.approx(0.015, abs=0.001)
    assert found.signal_delay_s == pytest.approx(0.05, abs=0.005)


@pytest.fixture(scope="module")
def motorway(shared_data: Path) -> dict[str, pd.DataFrame]:
    """Sixty seconds of motorway: commaai/comma2k19 @4c7f1a6, Example_1, MIT."""
    folder = shared_data / "car_with_reference"
    return {name: pd.read_csv(folder / f"{name}.csv") for name in ("gnss", "can_speed")}


#: UTC minus boot clock (SOURCES.md, car_with_reference).
BOOT_UTC_S = 1533180079.8495


@pytest.mark.parametrize(("clock", "expected_s"), [("device", 0.03), ("arrival", -0.16)])
@pytest.mark.parametrize("planted_s", [0.0, 0.25, -0.25, 18.0])
def test_motorway_figures_and_planted_shifts(motorway: dict[str, pd.DataFrame], clock: str, expected_s: float, planted_s: float) -> None:
    """Bus speed lags GNSS speed by about 0.03 s on device time and appears 0.16 s early on arrival time (SOURCES.md)."""
    gnss, bus = motorway["gnss"], motorway["can_speed"]
    unix_s = gnss["utc_unix_ms"] / 1e3 if clock == "device" else gnss["boot_time_s"] + BOOT_UTC_S
    index = pd.DatetimeIndex(pd.to_datetime(np.rint(unix_s * 1e6).astype("int64"), unit="us", utc=True))
    epochs = pd.DataFrame({"speed_mps": gnss["speed_mps"].to_numpy()}, index=index).sort_index()
    seconds = (bus["boot_time_s"] + BOOT_UTC_S - epochs.index[0].timestamp()).to_numpy() + planted_s
    found = estimate(epochs, {"speed_mps": (seconds, bus["speed_mps"].to_numpy())})
    assert found.line is not None
    assert found.offset_s == pytest.approx(expected_s + planted_s, abs=0.020)
    assert found.interval_s is not None
    assert found.interval_s[0] - 0.005 <= expected_s + planted_s <= found.interval_s[1] + 0.005
    assert found.outside_band == (not -0.02 <= expected_s + planted_s <= 0.12)
    assert (found.suspicion is not None) == (planted_s == 18.0 and abs(found.offset_s - 18.0) < 0.25)
