"""Causes of dropouts with more recordings than the rover log, and patterns in place that chance does not explain."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer import tables
from analyzer.demo import Fault, make_drive
from analyzer.metrics.dropout_causes import advice
from analyzer.metrics.measure import measure
from analyzer.parsers.reading import read
from analyzer.recording import Recording
from analyzer.verdict.causes import better_causes
from analyzer.verdict.range_pattern import binomial_tails, chance_of_smallest_tail, range_pattern

START = pd.Timestamp("2026-04-14T08:10:00Z")
BOTH = (("base", "base"), ("rover", "rover"))


def drive_of(folder: Path, *faults: Fault | str, seed: int = 7) -> Path:
    return make_drive(folder, seed=seed, faults=faults, duration_s=600.0, rate_hz=5.0, outputs=("corrections",))


def causes_of(drive: Path, places: tuple[tuple[str, str], ...] = BOTH, **more: Recording) -> pd.DataFrame:
    log = read([drive / "rover.nmea"], corrections=[(drive / f"corrections_{f}.rtcm3", p) for f, p in places])
    metrics = measure(log)
    return better_causes(metrics.dropouts, log, metrics, **more)  # type: ignore[arg-type]


def planted(drive: Path) -> list[str]:
    return [f["cause"] for f in json.loads((drive / "faults.json").read_text())["faults"] if f["dropout_kind"]]


@pytest.mark.parametrize("fault", [
    Fault("radio_loss", start_s=200, duration_s=40), Fault("base_pause", start_s=200, duration_s=40), Fault("second_base"),
    Fault("base_resurveyed", start_s=200, duration_s=40), Fault("stale_corrections", start_s=200, duration_s=80),
])
def test_recordings_at_both_places_decide(tmp_path: Path, fault: Fault) -> None:
    drive = drive_of(tmp_path, fault)
    found = causes_of(drive)
    assert found["cause"].tolist() == planted(drive)
    assert found["advice"].tolist() == [advice()[c] for c in found["cause"]]
    assert found["evidence"].str.len().gt(20).all()


def test_frames_that_two_recordings_share_are_no_damage(tmp_path: Path) -> None:
    """Both streams named without their places: what the one repeats of the other was called damaged, at many times the usual bytes."""
    drive = drive_of(tmp_path, Fault("second_base"))
    told = [causes_of(drive, places)["evidence"].str.extract(r"(\d+)% of the usual bytes")[0].dropna().astype(float)
            for places in ((("rover", "rover"),), (("base", "unknown"), ("rover", "unknown")))]
    assert len(told[0]) == len(told[1]) > 0
    assert (told[1] <= told[0] + 1.0).all()


def test_without_a_recording_at_the_base_the_side_stays_open(tmp_path: Path) -> None:
    drive = drive_of(tmp_path, Fault("base_pause", start_s=200, duration_s=40))
    for places in ((("rover", "rover"),), ()):
        found = causes_of(drive, places)
        assert found["cause"].tolist() == ["corrections_stopped"]
        assert "cannot tell base from link" in found["evidence"].iloc[0]
    assert causes_of(drive, (("base", "base"),))["cause"].tolist() == ["base_outage"]


def test_a_gap_of_the_base_log_proves_an_outage_of_the_base(tmp_path: Path) -> None:
    drive = drive_of(tmp_path, Fault("base_pause", start_s=200, duration_s=40))
    times = START + pd.to_timedelta(np.r_[np.arange(-60, 201), np.arange(240, 700)], unit="s")
    log = Recording((), fixes=tables.FIXES.conform(pd.DataFrame(index=pd.DatetimeIndex(times))))
    found = causes_of(drive, (), base_log=log)
    assert found["cause"].tolist() == ["base_outage"] and "gap" in found["evidence"].iloc[0]
    whole = START + pd.to_timedelta(np.arange(-60, 700), unit="s")
    log = Recording((), fixes=tables.FIXES.conform(pd.DataFrame(index=pd.DatetimeIndex(whole))))
    found = causes_of(drive, (), base_log=log)
    assert found["cause"].tolist() == ["corrections_stopped"] and "does not prove" in found["evidence"].iloc[0]


def test_a_second_rover_tells_base_from_link(tmp_path: Path) -> None:
    drive = drive_of(tmp_path / "a", Fault("base_pause", start_s=200, duration_s=40))
    same = read([drive_of(tmp_path / "b", Fault("base_pause", start_s=200, duration_s=40), seed=8) / "rover.nmea"])
    clean = read([drive_of(tmp_path / "c", seed=9) / "rover.nmea"])
    found = causes_of(drive, (), second_rover=same)
    assert found["cause"].tolist() == ["base_outage"] and "second rover" in found["evidence"].iloc[0]
    assert causes_of(drive, (), second_rover=clean)["cause"].tolist() == ["correction_link"]


def test_what_the_base_itself_recorded_stands_over_a_second_rover(tmp_path: Path) -> None:
    """A sender between recorder and both rovers may fail: the base sent, and both lost its corrections."""
    drive = drive_of(tmp_path / "a", Fault("radio_loss", start_s=200, duration_s=40))
    same = read([drive_of(tmp_path / "b", Fault("radio_loss", start_s=200, duration_s=40), seed=8) / "rover.nmea"])
    found = causes_of(drive, (("base", "base"),), second_rover=same)
    assert found["cause"].tolist() == ["correction_link"]
    assert "the base sent" in found["evidence"].iloc[0] and "a second rover lost its corrections too" in found["evidence"].iloc[0]


def test_other_causes_and_clean_drives_stay_as_they_are(tmp_path: Path) -> None:
    assert causes_of(drive_of(tmp_path / "a")).empty
    drive = drive_of(tmp_path / "b", "logger_gap")
    assert set(causes_of(drive)["cause"]) == {"logger_gap"}
    drive = drive_of(tmp_path / "c", Fault("never_fixed"))
    found = causes_of(drive)
    assert set(found["cause"]) == {"incomplete_corrections"}


# --- patterns in place ------------------------------------------------------------------------------------------------


def outages(distance: np.ndarray, cause: str = "corrections_stopped") -> pd.DataFrame:
    return pd.DataFrame({"kind": "correction_outage", "cause": cause, "base_distance_m": distance,
                         "start_latitude_deg": 47.0, "start_longitude_deg": 20.0 + distance / 76_000})


EVEN = pd.DataFrame({"base_distance_m": np.linspace(100, 3000, 5000), "interval_s": 0.1})


def test_losses_far_from_the_base_are_reported_with_numbers() -> None:
    found = range_pattern(outages(np.array([2500, 2600, 2650, 2700, 2800, 2900, 2950.0, 900.0])), EVEN)
    assert found is not None and "7 of 8" in found.text and "2.50 km" in found.text
    assert found.evidence["chance"] < 0.005


def test_even_losses_and_few_losses_are_no_pattern() -> None:
    assert range_pattern(outages(np.linspace(200, 2900, 8)), EVEN) is None
    assert range_pattern(outages(np.array([2950.0, 2960.0])), EVEN) is None


@pytest.mark.parametrize("cause", ["base_outage", "interference", "base_position_changed"])
def test_losses_that_the_base_caused_say_nothing_of_range(cause: str) -> None:
    assert range_pattern(outages(np.array([2500, 2600, 2650, 2700, 2800.0]), cause), EVEN) is None


def test_a_bearing_is_reported_where_the_base_is_known() -> None:
    rng = np.random.default_rng(1)
    angle = rng.uniform(0, 2 * np.pi, 5000)
    epochs = pd.DataFrame({"latitude_deg": 47.0 + 0.01 * np.cos(angle), "longitude_deg": 20.0 + 0.0146 * np.sin(angle),
                           "base_distance_m": rng.uniform(500, 1500, 5000), "interval_s": 0.1})
    found = range_pattern(outages(rng.uniform(600, 1400, 6)), epochs, base=(47.0, 20.0, 100.0))
    assert found is not None and "east of the base" in found.text


def test_chance_patterns_are_as_rare_as_stated() -> None:
    rng = np.random.default_rng(2)
    shown = sum(range_pattern(outages(rng.uniform(100, 3000, 8)), EVEN) is not None for _ in range(600))
    assert shown <= 11, "half of 1 % of 600 is 3; more than 11 has a probability below 1e-4"


@given(st.integers(1, 12), st.floats(1e-4, 0.9))
def test_the_chance_of_the_smallest_tail_is_exact(n: int, tail: float) -> None:
    """One draw: its tail is even, so the chance is the tail itself; more draws: never below it nor above n times it."""
    chance = chance_of_smallest_tail(tail, n)
    if n == 1:
        assert chance == pytest.approx(tail)
    assert tail - 1e-12 <= chance <= min(1.0, n * tail) + 1e-12


def test_the_chance_of_the_smallest_tail_agrees_with_draws() -> None:
    rng = np.random.default_rng(3)
    smallest = np.array([binomial_tails(np.sort(rng.uniform(size=6))).min() for _ in range(8_000)])
    for tail in (0.01, 0.05, 0.2):
        assert (smallest <= tail).mean() == pytest.approx(chance_of_smallest_tail(tail, 6), abs=0.012)
