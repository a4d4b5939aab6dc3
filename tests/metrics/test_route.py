"""Distance along the route against truth: noise does not lengthen it, rest does not, curves do not shorten it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from metric_tables import fixes, recording, without

from analyzer import geodesy
from analyzer.metrics.measure import measure


def lap(rate_hz, noise_m, *, speed_mps=10.0, radius_m=30.0, duration_s=300.0, stop=(100.0, 160.0), speed=True, seed=5):
    """Return laps of a circle with a halt, and the true length driven."""
    rng = np.random.default_rng(seed)
    moment = np.arange(round(duration_s * rate_hz)) / rate_hz
    pace = np.interp(moment, [0, stop[0] - 5, stop[0], stop[1], stop[1] + 5, duration_s],
                     [speed_mps, speed_mps, 0, 0, speed_mps, speed_mps])
    way = np.r_[0.0, np.cumsum((pace[1:] + pace[:-1]) / 2 / rate_hz)]
    east = radius_m * np.cos(way / radius_m) + rng.normal(0, noise_m, len(way))
    north = radius_m * np.sin(way / radius_m) + rng.normal(0, noise_m, len(way))
    latitude, longitude, height = geodesy.from_enu(east, north, 0.0, origin=(48.0, 11.0, 0.0))
    channel = np.abs(pace + rng.normal(0, 0.02, len(pace))) if speed else np.nan
    return fixes(moment, latitude_deg=latitude, longitude_deg=longitude, height_m=height, speed_mps=channel), way[-1]


@pytest.mark.parametrize("rate_hz, noise_m, within", [
    (100, 0.0, 0.001), (100, 0.01, 0.001), (100, 0.03, 0.001), (100, 0.3, 0.003), (10, 0.01, 0.001), (10, 0.03, 0.001),
    (5, 0.01, 0.002),
])
@pytest.mark.parametrize("speed", [True, False])
def test_length_of_laps_with_noise(rate_hz, noise_m, within, speed):
    frame, truth = lap(rate_hz, noise_m, speed=speed)
    assert measure(recording(frame))["route_length_m"].value == pytest.approx(truth, rel=within)


def test_the_plain_sum_of_steps_would_fail():
    frame, truth = lap(100, 0.03)
    plain = geodesy.step_lengths(frame["latitude_deg"], frame["longitude_deg"]).sum()
    assert plain > 1.2 * truth


@pytest.mark.parametrize("rate_hz", [1, 10, 100])
@pytest.mark.parametrize("speed", [True, False])
def test_distance_does_not_grow_while_parked(rate_hz, speed):
    frame, _ = lap(rate_hz, 0.01, speed=speed)
    result = measure(recording(frame))
    moment = np.asarray((frame.index - frame.index[0]) / pd.Timedelta(seconds=1))
    parked = result.epochs["distance_m"].to_numpy()[(moment > 103) & (moment < 157)]
    assert np.ptp(parked) == pytest.approx(0.0, abs=1e-6)
    assert np.all(np.diff(result.epochs["distance_m"]) >= 0)


def test_slow_drift_while_parked_adds_nothing():
    rng = np.random.default_rng(2)
    moment = np.arange(6000) / 10
    walk = np.cumsum(rng.normal(0, 0.002, (2, 6000)), axis=1)
    latitude, longitude, _ = geodesy.from_enu(walk[0], walk[1], 0.0, origin=(48.0, 11.0, 0.0))
    result = measure(recording(fixes(moment, latitude_deg=latitude, longitude_deg=longitude)))
    assert result["route_length_m"].value < 1.0


def test_interruptions_are_left_out_and_bridged_under_their_own_names():
    frame, truth = lap(10, 0.005, radius_m=1e5, stop=(290.0, 299.0), duration_s=280.0)
    frame = without(frame, 50.0, 60.0)
    frame.loc[frame.index[1500:1600], ["latitude_deg", "longitude_deg"]] = np.nan
    result = measure(recording(frame))
    assert result["route_length_bridged_m"].value == pytest.approx(truth, rel=1e-3)
    assert result["route_length_m"].value == pytest.approx(truth - 101 - 101, abs=2.0)
    assert result["route_length_m"].evidence["interruptions"] == 2
    assert "route_interrupted" in {f.code for f in result.findings}
    assert result.gaps["bridged_m"].tolist() == pytest.approx([101.0], abs=0.5)


def test_a_position_jump_is_no_travel():
    frame, truth = lap(10, 0.005, duration_s=90.0)
    frame.iloc[300, frame.columns.get_loc("latitude_deg")] += 0.01
    result = measure(recording(frame))
    assert result["route_length_m"].value == pytest.approx(truth, abs=5.0)
    assert "position_jumps" in {f.code for f in result.findings}


def test_a_speed_field_that_is_always_zero_is_no_standstill():
    frame, truth = lap(10, 0.005, duration_s=90.0)
    result = measure(recording(frame.assign(speed_mps=0.0)))
    assert result["route_length_m"].value == pytest.approx(truth, rel=2e-3)


def test_without_positions_there_is_no_length():
    result = measure(recording(fixes(np.arange(20.0))))
    assert result["route_length_m"].not_evaluated == "no epoch has a position"
    assert result.origin is None


def test_length_of_a_real_mountain_drive(shared_data):
    """Source: SOURCES.md beside the recordings: 240.6 km without and 242.9 km with straight lines across interruptions,
    10 412 RMC epochs of which 85 have no position, gaps of 11.9 s and 206.6 s at a nominal 1 Hz."""
    rows = {}
    for line in (shared_data / "drives" / "mountain_drive_2010.nmea").read_text("latin-1").splitlines():
        if line.startswith("$GPRMC,"):
            part = line.split("*")[0].split(",")
            clock = float(part[1][:2]) * 3600 + float(part[1][2:4]) * 60 + float(part[1][4:])
            place = [float(v[:n]) + float(v[n:]) / 60 if v else np.nan for v, n in ((part[3], 2), (part[5], 3))]
            letter = {"A": "autonomous", "E": "estimated", "N": "no_fix"}[part[12]]
            rows[clock] = (*place, float(part[7]) * 1852 / 3600 if part[7] else np.nan, letter)
    moment = np.array(sorted(rows))
    latitude, longitude, speed, state = zip(*(rows[t] for t in moment), strict=True)
    frame = fixes(moment - moment[0], latitude_deg=latitude, longitude_deg=longitude, speed_mps=speed, fix_state=state)
    result = measure(recording(frame))
    assert (len(frame), int(frame["latitude_deg"].isna().sum())) == (10_412, 85)
    assert result["route_length_m"].value == pytest.approx(240_600, abs=100)
    assert result["route_length_bridged_m"].value == pytest.approx(242_900, abs=100)
    assert result["rate_hz"].value == 1.0
    assert result.gaps["duration_s"].round(1).tolist() == [11.9, 206.6]
    assert [f"{t:%H:%M:%S}" for t in result.gaps["start_utc"] - frame.index[0] + pd.Timestamp(0) +
            pd.Timedelta(seconds=moment[0])] == ["13:10:21", "13:14:16"]
    assert result.dropouts["kind"].tolist() == ["missing_epochs"] * 2
    assert result.dropouts["cause"].tolist() == ["receiver_restart"] * 2
