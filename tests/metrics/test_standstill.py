"""Standstills found from speed or positions, with their scatter and place."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from metric_tables import START, fixes, recording

from analyzer import geodesy, tables
from analyzer.metrics.measure import measure
from analyzer.metrics.motion import rolling_mean
from analyzer.metrics.standstill import COLUMNS, mean_direction

HALTS = ((60, 100), (150, 153), (200, 260))


def stop_and_go(rate_hz=10.0, *, noise_m=0.006, speed=True, seed=9, stops=HALTS):
    """Return a straight drive east with halts; noise is white."""
    rng = np.random.default_rng(seed)
    moment = np.arange(round(300 * rate_hz)) / rate_hz
    pace = np.full(len(moment), 12.0)
    for start, end in stops:
        pace = np.minimum(pace, 3.0 * np.maximum(np.maximum(start - moment, moment - end), 0.0))
    way = np.r_[0.0, np.cumsum((pace[1:] + pace[:-1]) / 2 / rate_hz)]
    east, north, up = (x + rng.normal(0, noise_m, len(way)) for x in (way, np.zeros(len(way)), np.zeros(len(way))))
    latitude, longitude, height = geodesy.from_enu(east, north, up, origin=(48.0, 11.0, 400.0))
    return fixes(moment, latitude_deg=latitude, longitude_deg=longitude, height_m=height,
                 speed_mps=np.abs(pace + rng.normal(0, 0.02, len(pace))) if speed else np.nan,
                 heading_deg=np.where(np.arange(len(way)) % 2, 359.0, 1.0))


@pytest.mark.parametrize("speed", [True, False])
@pytest.mark.parametrize("rate_hz", [1.0, 5.0, 10.0, 50.0])
def test_halts_of_five_seconds_are_found(rate_hz, speed):
    table = measure(recording(stop_and_go(rate_hz, speed=speed))).standstills
    assert len(table) == 2
    for column, expected, room in (("start_utc", [60, 200], 2.1), ("end_utc", [100, 260], 2.1)):
        found = np.asarray((table[column] - START) / pd.Timedelta(seconds=1))
        assert np.allclose(found, expected, atol=room)
    assert list(table.columns[:len(COLUMNS)]) == list(COLUMNS)


def test_a_car_that_creeps_along_a_queue_does_not_stand() -> None:
    """At 0.1 m/s from second 100 on, below the limit for rest: precise positions get on as the speed says."""
    moment = np.arange(1800) / 10.0
    pace = np.where(moment < 60, 10.0, np.where((moment > 100) & (moment < 140), 0.1, 0.0))
    rng = np.random.default_rng(4)
    east = np.cumsum(pace) / 10 + rng.normal(0, 0.006, len(pace))
    latitude, longitude, height = geodesy.from_enu(east, 0 * east, 0 * east, origin=(48.0, 11.0, 400.0))
    drive = fixes(moment, latitude_deg=latitude, longitude_deg=longitude, height_m=height, speed_mps=np.abs(pace + rng.normal(0, 0.02, len(pace))))
    table = measure(recording(drive)).standstills
    found = np.asarray((table[["start_utc", "end_utc"]] - START) / pd.Timedelta(seconds=1))
    assert np.allclose(found, [[60, 100], [140, 180]], atol=5.5)


def test_row_of_a_standstill():
    result = measure(recording(stop_and_go()))
    row = result.standstills.iloc[1]
    assert row["fix_state"] == "fixed" and row["n"] == pytest.approx(580, abs=20) and row["n_eff"] > 150
    assert row["var_nn_m2"] == pytest.approx(0.006**2, rel=0.3) and row["height_m"] == pytest.approx(400.24, abs=0.01)
    assert row["r95_m"] == pytest.approx(2.44775 * 0.006, rel=0.15)
    assert np.cos(np.radians(row["heading_deg"])) == pytest.approx(1.0, abs=1e-6)
    place = geodesy.to_enu(row["latitude_deg"], row["longitude_deg"], row["height_m"], origin=(48.0, 11.0, 400.0))
    assert abs(float(place[1])) < 0.002 and abs(float(place[2])) < 0.002  # in the plane of the drive, 1.7 km east
    metric = result["standstill_r95_m"]
    assert metric.evidence["standstill_id"] == 2 and metric.interval[0] < metric.value < metric.interval[1]
    assert "repeatability" in metric.method and "not accuracy" in metric.method
    ids = result.epochs["standstill_id"]
    assert ids.dropna().unique().tolist() == [1, 2] and (ids == 2).sum() == pytest.approx(600, abs=25)
    assert not result.epochs["moving"][(ids == 2).fillna(False)].any()


def test_float_minutes_do_not_widen_a_fixed_standstill():
    frame = stop_and_go()
    states = np.where((np.arange(len(frame)) >= 2000) & (np.arange(len(frame)) < 2100), "float", "fixed")
    frame["fix_state"] = pd.Categorical(states, tables.FIX_STATES)
    frame.loc[frame.index[2000:2100], "latitude_deg"] += 5e-6
    row = measure(recording(frame)).standstills.iloc[1]
    assert row["fix_state"] == "fixed" and row["r95_m"] < 0.02


def test_pinned_and_drifting_output_are_named():
    held = measure(recording(stop_and_go(noise_m=0.00002)))
    assert "pinned_output" in {f.code for f in held.findings}
    frame = stop_and_go(noise_m=0.0005)
    ramp = np.interp(np.arange(len(frame)), [2000, 2600], [0.0, 0.2]) / 111_190.0
    drift = measure(recording(frame.assign(latitude_deg=frame["latitude_deg"] + ramp)))
    words = [f.text for f in drift.findings if f.code == "standstill_drift"]
    assert len(words) == 1 and "the fixed position drifts slowly by 0.19 m" in words[0]
    assert drift["standstill_r95_m"].interval is None
    state = np.where(np.arange(len(frame)) >= 1990, "float", "fixed")
    floating = measure(recording(frame.assign(latitude_deg=frame["latitude_deg"] + ramp, fix_state=pd.Categorical(state, tables.FIX_STATES))))
    (one,) = [f for f in floating.findings if f.code == "standstill_drift"]
    assert one.level == "note" and "the float position drifts slowly" in one.text, "that is what float is, not a fault"
    assert "standstill_drift" not in {f.code for f in measure(recording(stop_and_go())).findings}


def test_a_car_that_never_moved_is_said_to_have_stood():
    """Every second of it may be trusted, and it shows nothing of a drive."""
    codes = [[f.code for f in measure(recording(stop_and_go(stops=stops))).findings] for stops in (((0, 300),), ((0, 290),))]
    assert "never_moved" in codes[0] and "never_moved" not in codes[1]


def test_a_drive_without_a_halt():
    result = measure(recording(stop_and_go(stops=())))
    assert result["standstills"].value == 0 and result["share_time_standing"].value == 0.0
    assert "no standstill" in result["standstill_cep50_m"].not_evaluated


def test_mean_direction_wraps():
    assert np.cos(np.radians(mean_direction(np.array([350.0, 10.0, np.nan])))) == pytest.approx(1.0)
    assert np.isnan(mean_direction(np.array([np.nan])))


def test_rolling_mean_leaves_missing_ones_out():
    found = rolling_mean(np.array([1.0, np.nan, 3.0, 5.0]), 3)
    assert found.tolist() == [1.0, 2.0, 4.0, 4.0]
    large = rolling_mean(6.4e6 + np.arange(1000) * 1e-4, 11)
    assert large[500] - large[499] == pytest.approx(1e-4, abs=2e-9)


def test_a_stand_lasts_until_the_pause_behind_it():
    """Of positions averaged across a pause the car drove off before it: a stand ended a second early, and beside the pause nobody stood."""
    frame = stop_and_go(stops=((0, 100), (200, 300)))
    moment = np.asarray((frame.index - START) / pd.Timedelta(seconds=1))
    table = measure(recording(frame[(moment < 90) | (moment >= 250)])).standstills
    assert len(table) == 2
    assert (table["end_utc"].iloc[0] - START) / pd.Timedelta(seconds=1) == pytest.approx(89.9)
    assert (table["start_utc"].iloc[1] - START) / pd.Timedelta(seconds=1) == pytest.approx(250.0)
