"""Recorded channels with planted resolution, holding, interpolation, freezing and delay."""

from __future__ import annotations

import time
import tracemalloc
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer import tables
from analyzer.metrics.channels import channel_table, check_channels, check_recorded_channels
from analyzer.metrics.channels_latency import LATENCY_COLUMNS, latencies
from analyzer.metrics.channels_values import resolution, update
from analyzer.metrics.channels_words import latency_findings
from analyzer.recording import Finding, Recording

START = pd.Timestamp("2026-05-01T08:00:00Z")


def drive(rate_hz: float = 100.0, duration_s: float = 300.0) -> pd.DataFrame:
    """Simulate positions about 48 deg north, speed and course with a little noise."""
    random = np.random.default_rng(9)
    t = np.arange(int(duration_s * rate_hz)) / rate_hz
    speed = 15.0 + 5.0 * np.sin(2 * np.pi * t / 23.0)
    course = 40.0 * np.sin(2 * np.pi * t / 41.0)
    way = speed / rate_hz
    # Mid-step sums: positions and speeds belong to the same instants. Degree lengths at 48 deg (WGS84).
    north = np.cumsum(way * np.cos(np.deg2rad(course))) - 0.5 * way * np.cos(np.deg2rad(course))
    east = np.cumsum(way * np.sin(np.deg2rad(course))) - 0.5 * way * np.sin(np.deg2rad(course))
    noise = random.normal(size=(3, len(t)))
    return pd.DataFrame({
        "latitude_deg": 48.0 + (north + 0.002 * noise[0]) / 111190.3226,
        "longitude_deg": 11.0 + (east + 0.002 * noise[1]) / 74625.3536,
        "speed_mps": speed + 0.01 * noise[2], "course_deg": course % 360.0,
    }, index=pd.DatetimeIndex(START + pd.to_timedelta(np.rint(t * 1e6), unit="us")).as_unit("us"))


def row(frame: pd.DataFrame, channel: str) -> pd.Series:
    """Return the row of one channel."""
    return channel_table(frame).set_index("channel").loc[channel]


def found(findings: tuple[Finding, ...], code: str, channel: str) -> Finding:
    """Return one finding."""
    return next(f for f in findings if f.code == code and f.evidence["channel"] == channel)


def test_a_constant_speed_is_not_said_to_show_no_motion() -> None:
    text = found(check_channels(drive().assign(speed_mps=10.0), source_name="table.csv"), "channel_constant", "speed_mps").text
    assert "one value in all rows" in text and "no change" in text and "no motion" not in text


def test_single_precision_latitude_steps_by_042_m() -> None:
    """IEEE 754: 24 bits at 48 deg step 2^-18 deg = 3.81e-6 deg; times 111190.3 m per deg (WGS84) = 0.424 m."""
    frame = drive()
    frame["latitude_deg"] = frame["latitude_deg"].astype("float32").astype("float64")
    line = row(frame, "latitude_deg")
    assert line["resolution"] == pytest.approx(2.0**-18)
    assert line["resolution_m"] == pytest.approx(0.42, abs=0.005)
    finding = found(check_channels(frame, source_name="table.csv"), "channel_resolution", "latitude_deg")
    assert "0.424 m" in finding.text
    assert "usable for limits from 2.2 m" in finding.text


@settings(max_examples=40, deadline=None)
@given(digits=st.integers(4, 9), seed=st.integers(0, 999))
def test_decimal_steps_are_found(digits: int, seed: int) -> None:
    """Values rounded to a number of digits stand on that grid."""
    values = 48.0 + np.cumsum(np.random.default_rng(seed).uniform(0, 30 * 10.0**-digits, 400))
    assert resolution(values.round(digits)) == pytest.approx(10.0**-digits, rel=1e-3)


@given(seed=st.integers(0, 10_000), n=st.integers(3, 500))
def test_continuous_values_show_no_step(seed: int, n: int) -> None:
    """Noise in 64-bit floats is on no coarse grid."""
    values = np.random.default_rng(seed).normal(size=n)
    assert not resolution(values) > 1e-6


@settings(max_examples=30, deadline=None)
@given(hold=st.integers(2, 25), seed=st.integers(0, 999))
def test_held_values_give_their_true_rate(hold: int, seed: int) -> None:
    """Each value written `hold` times: the update interval is `hold` rows."""
    values = np.repeat(np.random.default_rng(seed).normal(size=60), hold)
    result = update(values, np.arange(len(values)) / 100.0)
    assert result.kind == "held"
    assert result.rows_per_update == pytest.approx(hold, rel=0.02)


@settings(max_examples=30, deadline=None)
@given(every=st.integers(3, 25), seed=st.integers(0, 999))
def test_interpolated_values_give_their_true_rate(every: int, seed: int) -> None:
    """Straight lines between values `every` rows apart."""
    knots = np.cumsum(np.random.default_rng(seed).normal(size=60))
    at = np.arange((len(knots) - 1) * every)
    result = update(np.interp(at, np.arange(len(knots)) * every, knots), at / 100.0)
    assert result.kind == "interpolated"
    assert result.rows_per_update == pytest.approx(every, rel=0.02)


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 999), step=st.sampled_from([0.0, 0.1, 0.5]))
def test_true_rows_are_not_called_held(seed: int, step: float) -> None:
    """Noise, also coarsely rounded with many chance repeats, is updated every row or undecided."""
    values = np.random.default_rng(seed).normal(size=2000)
    values = values if step == 0.0 else (values / step).round() * step
    assert update(values, np.arange(2000) / 100.0).kind in ("every_row", "irregular")


def test_ten_hertz_held_to_a_hundred() -> None:
    """Held positions are up to a tenth of a second old: speed / rate metres."""
    frame = drive()
    held = frame.iloc[(np.arange(len(frame)) // 10) * 10].set_axis(frame.index)
    line = row(held, "latitude_deg")
    assert (line["row_rate_hz"], line["update_rate_hz"]) == (pytest.approx(100.0), pytest.approx(10.0, rel=0.01))
    assert line["usable_from_m"] == pytest.approx(np.quantile(held["speed_mps"], 0.95) / 10.0, rel=0.02)
    assert found(check_channels(held, source_name="a"), "channel_held", "speed_mps").level == "warning"


def test_ten_hertz_interpolated_to_a_hundred() -> None:
    """A straight line over T misses at most a T^2 / 8: 10 * 0.1^2 / 8 = 12.5 mm."""
    frame = drive()
    knots = np.arange(0, len(frame), 10)
    drawn = frame.apply(lambda c: np.interp(np.arange(len(frame)), knots, c.to_numpy()[knots]))
    line = row(drawn, "longitude_deg")
    assert line["update"] == "interpolated"
    assert line["usable_from_m"] == pytest.approx(0.0125, rel=0.03)


def test_true_hundred_hertz_has_no_rate_finding() -> None:
    """The untouched drive is usable as it is."""
    assert not check_channels(drive(), source_name="a")


def test_frozen_while_driving() -> None:
    """Thirty of three hundred seconds stand still at 15 m/s."""
    frame = drive()
    frame.iloc[5000:8000, 0] = frame.iloc[5000, 0]
    assert row(frame, "latitude_deg")["frozen_share"] == pytest.approx(0.1, abs=0.001)
    finding = found(check_channels(frame, source_name="a"), "channel_frozen", "latitude_deg")
    assert "10% of the driving time" in finding.text


@pytest.mark.parametrize("every", [2, 3])
def test_a_frozen_share_over_gaps_is_no_more_than_all_of_it(every: int) -> None:
    """At 1 Hz with a lost row now and then and a stand in between, a frozen channel is frozen for all the driving time."""
    frame = drive(1.0).assign(course_deg=np.where(np.arange(300) < 150, 90.0, 270.0))
    frame.iloc[100:120, 2] = 0.0
    kept = frame[(np.arange(300) % (10 * every)) != 5]
    assert row(kept, "course_deg")["frozen_share"] == 1.0
    # counted by hand: of 280 driving rows one of 10 * every is lost; 60 rows of the first half move
    half = kept.assign(course_deg=np.where(np.arange(300)[np.arange(300) % (10 * every) != 5] < 60, drive(1.0).loc[kept.index, "course_deg"], 90.0))
    driven = (kept["speed_mps"] > 1.0).to_numpy()
    still = driven & (half["course_deg"] == 90.0).to_numpy()
    assert row(half, "course_deg")["frozen_share"] == pytest.approx(still.sum() / driven.sum(), abs=1e-9)


def test_standing_still_is_not_frozen() -> None:
    """A position repeats while the car stands; that is no fault."""
    frame = drive()
    frame.iloc[5000:8000, :2] = frame.iloc[5000, :2].to_numpy()
    frame.iloc[5000:8000, 2] = 0.0
    assert row(frame, "latitude_deg")["frozen_share"] == 0.0


def test_all_zero_channel_is_a_problem() -> None:
    """A channel of zeros was not recorded."""
    finding = found(check_channels(drive().assign(heading_deg=0.0), source_name="a"), "channel_zero", "heading_deg")
    assert finding.level == "problem"


@settings(max_examples=8, deadline=None)
@given(rows=st.integers(-60, 60))
def test_latency_of_speed_against_position(rows: int) -> None:
    """Speed shifted by whole rows of 10 ms is found to a hundredth of a second."""
    frame = drive()
    frame["speed_mps"] = frame["speed_mps"].shift(rows)
    recording = Recording((), fixes=tables.FIXES.conform(frame.assign(source_id=0)))
    delays = check_recorded_channels(recording).tables["latencies"]
    late = delays.set_index("channel").loc["speed", "latency_s"]
    assert late == pytest.approx(rows / 100.0, abs=0.01)


@pytest.mark.parametrize(("late_rows", "late_s"), [(0, 0.0), (30, 0.3)])
def test_a_car_that_brakes_into_every_bend_has_no_late_course(late_rows: int, late_s: float) -> None:
    """Once a second and braking at 3 m/s2: the way between two positions has the course of its faster half, the log is not late."""
    t = np.arange(0.0, 600.0, 0.01)
    phase = t % 20.0
    speed = np.interp(phase, [0.0, 4.0, 8.0, 12.0, 20.0], [16.0, 4.0, 8.0, 16.0, 16.0])
    turn = np.deg2rad(np.interp(phase, [0.0, 0.5, 3.5, 6.0, 20.0], [0.0, 20.0, 20.0, 0.0, 0.0]))
    course = np.cumsum(turn) * 0.01
    north, east = (np.cumsum(speed * part) * 0.01 for part in (np.cos(course), np.sin(course)))
    told = np.rad2deg(pd.Series(course).shift(late_rows).bfill().to_numpy())
    frame = pd.DataFrame({"latitude_deg": 48.0 + north / 111190.3226, "longitude_deg": 11.0 + east / 74625.3536, "speed_mps": speed,
                          "course_deg": told % 360.0}, index=START + pd.to_timedelta(np.rint(t * 1e6), unit="us")).iloc[::100]
    late = latencies(frame).set_index("channel").loc["course rate", "latency_s"]
    assert late == pytest.approx(late_s, abs=0.02)


def test_a_pause_of_days_costs_no_memory_and_moves_no_latency() -> None:
    """Speed 0.3 s late in both halves; a month between them is 52 million places of a grid at 20 Hz."""
    frame = drive(rate_hz=20.0, duration_s=240.0)
    frame["speed_mps"] = frame["speed_mps"].shift(6)
    late, peak = [], []
    for pause in ("0D", "30D"):
        apart = frame.set_axis(frame.index + pd.to_timedelta(np.where(np.arange(len(frame)) < 2400, "0D", pause)))
        tracemalloc.start()
        late.append(latencies(apart).set_index("channel").loc["speed", "latency_s"])
        peak.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert late == pytest.approx([0.3, 0.3], abs=0.01)
    assert peak[1] < 1.5 * peak[0]


@pytest.mark.parametrize("rate_hz", [10.0, 50.0])
def test_a_leap_of_the_positions_makes_no_latency(rate_hz: float) -> None:
    """Before a fix positions leap by metres: one such second would outweigh a whole drive in a correlation."""
    frame = drive(rate_hz)
    before_fastest = int(27.7 * rate_hz)
    frame.iloc[before_fastest:before_fastest + 2, frame.columns.get_loc("longitude_deg")] += 0.003
    recording = Recording((), fixes=tables.FIXES.conform(frame.assign(source_id=0)))
    found = check_recorded_channels(recording)
    late = found.tables["latencies"].set_index("channel").loc["speed", "latency_s"]
    assert abs(late) < 0.01
    assert not [f for f in found.findings if f.code == "channel_latency"]


def test_float_and_what_lies_across_gaps_make_no_latency() -> None:
    """Float positions wander by decimetres and step where fixed is lost: their course turns where the car did not."""
    frame = drive(10.0)
    moment, rng = np.arange(len(frame)) / 10.0, np.random.default_rng(5)
    turns = np.cos(moment / 7.0)
    course = np.cumsum(turns) * 0.02
    north, east = ((np.cumsum(part) - part / 2) * 1.5 for part in (np.cos(course), np.sin(course)))
    lost = (moment >= 40) & (moment < 80)
    wander = np.where(lost, 0.3 + rng.normal(0, 0.25, len(frame)), rng.normal(0, 0.004, len(frame)))
    frame = frame.assign(latitude_deg=48.0 + (north + wander) / 111190.3226, longitude_deg=11.0 + (east - wander) / 74625.3536,
                         speed_mps=15.0, course_deg=np.rad2deg(course) % 360.0)
    late = latencies(frame.assign(fix_state=np.where(lost, "float", "fixed"))).set_index("channel")
    assert abs(late.loc["course rate", "latency_s"]) < 0.01 and late.loc["course rate", "correlation"] > 0.95
    assert late.loc["course rate", "n"] < len(frame) - lost.sum()
    assert latencies(frame.assign(fix_state="float")).equals(latencies(frame)), "with one state alone there is nothing to choose"


@pytest.mark.parametrize(("spread_s", "said"), [(0.05, False), (0.02, True), (np.nan, False)])
def test_a_latency_is_only_said_where_it_is_beyond_chance(spread_s: float, said: bool) -> None:
    row = pd.DataFrame([("course rate", "position course rate", 0.06, spread_s, 0.95, 2600)], columns=list(LATENCY_COLUMNS))
    assert bool(list(latency_findings(row, source_name="rover.nmea", speed_mps=16.0))) == said


def test_sources_in_one_table_are_checked_as_each_alone() -> None:
    first = drive(duration_s=60.0)
    second = drive(rate_hz=37.0, duration_s=60.0).set_axis(drive(rate_hz=37.0, duration_s=60.0).index + pd.Timedelta("5ms"))
    alone = [check_recorded_channels(Recording((), fixes=tables.FIXES.conform(x.assign(source_id=k)))).tables["channels"]
             for k, x in enumerate((first, second))]
    both = tables.FIXES.conform(pd.concat([first.assign(source_id=0), second.assign(source_id=1)]).sort_index())
    seen = check_recorded_channels(Recording((), fixes=both)).tables["channels"]
    left, right = (x.drop(columns="resolution_m") for x in (seen, pd.concat(alone, ignore_index=True)))
    pd.testing.assert_frame_equal(left, right)
    assert seen["source"].unique().tolist() == ["source 0", "source 1"]


def test_time_written_in_hundredths_moves_positions() -> None:
    """Times rounded to 10 ms at 37 Hz: half a step of 5 ms is 0.1 m at 20 m/s, usable from ten times that."""
    frame = drive(rate_hz=37.0)
    frame.index = pd.DatetimeIndex(frame.index).round("10ms")
    line = row(frame, "time_utc")
    assert line["resolution"] == pytest.approx(0.01)
    assert line["usable_from_m"] == pytest.approx(0.05 * np.quantile(frame["speed_mps"], 0.95), rel=0.02)


def test_an_hour_at_200_hz_is_quick() -> None:
    """Six channels of 720 000 rows; the bound leaves room for a busy machine."""
    random = np.random.default_rng(0)
    index = pd.date_range(START, periods=720_000, freq="5ms").as_unit("us")
    frame = pd.DataFrame(random.normal(size=(720_000, 6)), columns=list(tables.INERTIAL.names[1:7]), index=index)
    begin = time.perf_counter()
    check_recorded_channels(Recording((), inertial=tables.INERTIAL.conform(frame.assign(source_id=0))))
    assert time.perf_counter() - begin < 10.0


def test_missing_rows_are_not_a_coarse_time() -> None:
    """Even rows with holes of one to three intervals show no step of time."""
    frame = drive()
    assert np.isnan(row(frame.drop(frame.index[[50, 90, 91, 200, 201, 202]]), "time_utc")["resolution"])


@given(st.integers(0, 3))
def test_few_rows_are_no_error(rows: int) -> None:
    """Tables too short to say anything say nothing wrong."""
    assert len(channel_table(drive().iloc[:rows])) >= 1


def test_real_recording_has_seven_digits(shared_data: Path) -> None:
    """Car with reference (SOURCES.md): positions in 1e-7 deg, 11 mm in latitude, at a true 10 Hz."""
    gnss = pd.read_csv(shared_data / "car_with_reference" / "gnss.csv")
    since = pd.to_timedelta(gnss["utc_unix_ms"].to_numpy(), unit="ms")
    index = pd.DatetimeIndex(pd.Timestamp(0, unit="s", tz="UTC") + since)
    frame = pd.DataFrame({"latitude_deg": gnss["lat_deg"], "longitude_deg": gnss["lon_deg"],
                          "speed_mps": gnss["speed_mps"]}).set_axis(index.as_unit("us"))
    line = row(frame, "latitude_deg")
    assert line["resolution"] == pytest.approx(1e-7, rel=1e-3)
    assert line["resolution_m"] == pytest.approx(0.0111, abs=1e-4)
    assert line["update_rate_hz"] == pytest.approx(10.0, rel=0.01)
