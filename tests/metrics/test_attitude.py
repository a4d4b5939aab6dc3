"""Attitude figures on simulated drives with known mounting yaw, jumps and restarts."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer import tables
from analyzer.metrics.attitude import measure_attitude
from analyzer.metrics.attitude_events import heading_events
from analyzer.metrics.inertial import InertialResult
from analyzer.metrics.inertial_timing import sampling
from analyzer.metrics.metric import Metric
from analyzer.recording import Recording

START = pd.Timestamp("2026-05-01T08:00:00Z")


def drive(*, offset_deg: float = 0.0, course_noise_deg: float = 0.1, start_deg: float = 0.0) -> Recording:
    """Simulate 300 s with straights and turns, attitude at 50 Hz, positions and course at 10 Hz, no side-slip."""
    random = np.random.default_rng(3)
    t = np.arange(15_000) / 50.0
    speed = np.where(t < 20.0, 0.0, 15.0)
    yaw = np.where((t > 30) & (t % 40 > 30), 0.12, 0.0)
    course = start_deg - np.rad2deg(np.cumsum(yaw) / 50.0)
    index = pd.DatetimeIndex(START + pd.to_timedelta(np.rint(t * 1e6), unit="us")).as_unit("us")
    attitude = pd.DataFrame({
        "heading_deg": (course + offset_deg + 0.01 * random.normal(size=len(t))) % 360.0,
        "sigma_heading_deg": 0.05 + 2.0 * np.exp(-t / 5.0), "source_id": 0,
        "alignment": np.where(t < 10.0, "aligning", "aligned")}, index=index)
    noisy = (course + course_noise_deg * random.normal(size=len(t))) % 360.0
    fixes = pd.DataFrame({"speed_mps": speed, "course_deg": noisy, "source_id": 0}, index=index).iloc[::5]
    return Recording((), fixes=tables.FIXES.conform(fixes), attitude=tables.ATTITUDE.conform(attitude))


def metric(result: InertialResult, key: str) -> Metric:
    """Return one metric."""
    return next(m for m in result.metrics if m.key == key)


def codes(result: InertialResult) -> set[str]:
    """Return the codes of all findings."""
    return {f.code for f in result.findings}


@settings(max_examples=15, deadline=None)
@given(offset_deg=st.floats(-60.0, 60.0), start_deg=st.floats(0.0, 360.0))
def test_mounting_yaw_is_recovered(offset_deg: float, start_deg: float) -> None:
    """The planted angle between heading and course comes out, wherever north lies."""
    result = measure_attitude(drive(offset_deg=offset_deg, start_deg=start_deg))
    value = metric(result, "heading_minus_course_deg")
    assert value.value == pytest.approx(offset_deg, abs=0.03)
    assert value.interval is not None
    assert value.interval[0] < value.value < value.interval[1]
    if abs(offset_deg) > 0.2:
        assert "heading_mounting_yaw" in codes(result)


def test_a_correct_drive_has_no_finding() -> None:
    """No offset, no jump, no gap."""
    result = measure_attitude(drive())
    assert not codes(result)
    assert metric(result, "heading_source").value == "before_motion"
    assert metric(result, "alignment_share_aligned").value == pytest.approx(290.0 / 300.0, abs=1e-3)
    assert metric(result, "attitude_rate_hz").value == pytest.approx(50.0)


def test_turns_do_not_enter_the_mounting_yaw() -> None:
    """Side-slip of 5 deg in every turn leaves the figure of the straights alone."""
    recording = drive(offset_deg=1.0)
    t = (pd.DatetimeIndex(recording.attitude.index) - START) / pd.Timedelta(seconds=1)
    turning = np.asarray((t > 30) & (t % 40 > 30))
    slip = np.convolve(np.where(turning, 5.0, 0.0), np.ones(25) / 25, mode="same")
    shifted = recording.attitude.assign(heading_deg=(recording.attitude["heading_deg"] + slip) % 360.0)
    value = metric(measure_attitude(replace(recording, attitude=shifted)), "heading_minus_course_deg").value
    assert value == pytest.approx(1.0, abs=0.1)


def test_mounted_backwards() -> None:
    """180 deg is named as turned round, not averaged away."""
    result = measure_attitude(drive(offset_deg=180.0))
    assert abs(metric(result, "heading_minus_course_deg").value) == pytest.approx(180.0, abs=0.1)
    assert "heading_turned" in codes(result)


def test_copy_of_course_is_told() -> None:
    """A heading that repeats the course is no evidence."""
    recording = drive(course_noise_deg=0.0)
    copied = recording.attitude.assign(heading_deg=recording.fixes["course_deg"].reindex(recording.attitude.index))
    assert "heading_is_course" in codes(measure_attitude(replace(recording, attitude=copied)))


def test_jump_is_located() -> None:
    """A step of 3 deg at 100 s is the only jump."""
    recording = drive()
    after = recording.attitude.index >= START + pd.Timedelta(seconds=100)
    stepped = recording.attitude.assign(heading_deg=(recording.attitude["heading_deg"] + 3.0 * after) % 360.0)
    events = measure_attitude(replace(recording, attitude=stepped)).tables["events"]
    assert events["kind"].tolist() == ["heading_jump"]
    assert events["time_utc"].iloc[0] == START + pd.Timedelta(seconds=100)
    assert events["size"].iloc[0] == pytest.approx(3.0, abs=0.1)


def test_a_turn_that_starts_within_one_row_is_no_jump_and_a_jump_names_what_was_expected() -> None:
    """Turns of 9 deg/s at 10 Hz begin and end between two rows; a jump of 3 deg within one is the only event."""
    t = np.arange(0.0, 120.0, 0.1)
    rate = np.where((t % 40 > 20) & (t % 40 < 30), 9.0, 0.0)
    heading = np.cumsum(rate * 0.1) + np.random.default_rng(1).normal(0, 0.03, len(t))
    times = pd.DatetimeIndex(START + pd.to_timedelta(t, unit="s"))
    steady, none = pd.DataFrame({"heading_deg": heading % 360.0}, index=times), pd.Series(dtype=np.float64)
    assert not len(heading_events(steady, sampling(times), none))
    jumped = steady.assign(heading_deg=(heading + 3.0 * (t >= 65.0)) % 360.0)
    (event,) = heading_events(jumped, sampling(times), none).to_dict("records")
    assert event["size"] == pytest.approx(3.0, abs=0.2)
    assert re.search(r"step of \+[34]\.\d\d deg within 0\.100 s, where the steps beside it tell \+0\.\d\d deg", event["evidence"])


def test_power_dip_against_a_logger_gap() -> None:
    """The same gap of 4 s is a power dip where sigma starts anew, and a mere gap where it does not."""
    recording = drive()
    t = np.asarray((pd.DatetimeIndex(recording.attitude.index) - START) / pd.Timedelta(seconds=1))
    holed = recording.attitude[(t < 150.0) | (t >= 154.0)]
    assert "attitude_power_dip" not in codes(measure_attitude(replace(recording, attitude=holed)))
    sigma = np.where(t < 150.0, 0.05, 0.05 + 2.0 * np.exp(-(t - 154.0) / 5.0))[(t < 150.0) | (t >= 154.0)]
    result = measure_attitude(replace(recording, attitude=holed.assign(sigma_heading_deg=sigma)))
    assert metric(result, "attitude_power_dips").value == 1
    assert metric(result, "attitude_realignments").value == 1


def test_lost_alignment_is_counted() -> None:
    """Leaving the usual state is an event; reaching it first is none."""
    recording = drive()
    state = recording.attitude["alignment"].astype(str).to_numpy().copy()
    state[6000:6500] = "aligning"
    result = measure_attitude(replace(recording, attitude=recording.attitude.assign(alignment=state)))
    assert metric(result, "attitude_alignment_losses").value == 1
    assert metric(result, "alignment_changes").value == 3


def test_heading_of_the_position_source_serves_without_attitude_rows() -> None:
    """Heading sentences are measured and the finding says so."""
    recording = drive(offset_deg=2.0)
    heading = recording.attitude["heading_deg"].reindex(recording.fixes.index)
    alone = replace(recording, attitude=tables.ATTITUDE.empty(), fixes=recording.fixes.assign(heading_deg=heading))
    result = measure_attitude(alone)
    assert "attitude_from_fixes" in codes(result)
    assert metric(result, "heading_minus_course_deg").value == pytest.approx(2.0, abs=0.03)


def test_nothing_recorded_is_a_reason() -> None:
    """No rows, no figure, no error."""
    assert metric(measure_attitude(Recording(())), "attitude_rate_hz").not_evaluated
