"""Inertial figures on simulated drives with known bias, noise, axes and delays, and on a real motorway minute."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer import tables
from analyzer.metrics.inertial import InertialResult, measure_inertial
from analyzer.metrics.inertial_rest import AXES, find_rests
from analyzer.metrics.inertial_timing import clipped, repeats, sampling
from analyzer.metrics.metric import Metric
from analyzer.recording import Recording

START = pd.Timestamp("2026-05-01T08:00:00Z")
BIAS = (0.001, -0.002, 0.003)
RATE_NOISE, FORCE_NOISE = 2e-4, 2e-3


def times(offsets_s: np.ndarray) -> pd.DatetimeIndex:
    """Return offsets as UTC times in whole microseconds."""
    return pd.DatetimeIndex(START + pd.to_timedelta(np.rint(offsets_s * 1e6), unit="us")).as_unit("us")


def drive(*, duration_s: float = 400.0, rate_hz: int = 100, late_s: float = 0.0, seed: int = 0,
          standing: bool = True) -> Recording:
    """Simulate stops and turns at 48 deg north, height 0; inertial rows are later than the positions by `late_s`."""
    random = np.random.default_rng(seed)
    t = np.arange(int(duration_s * rate_hz)) / rate_hz
    speed = np.clip(12.0 - (14.0 if standing else 4.0) * np.cos(2 * np.pi * t / 120.0), 0.0, None)
    moving = speed > 0
    yaw = np.where(speed > 3, 0.15 * np.sin(2 * np.pi * t / 37) * np.sin(2 * np.pi * t / 11), 0.0)
    course = -np.cumsum(yaw) / rate_hz
    # Normal gravity at 48 deg, height 0 (Somigliana, WGS84): 9.8089087823 m/s2.
    force = np.column_stack([np.gradient(speed, t), speed * yaw, np.full(len(t), 9.8089087823)])
    rates = np.column_stack([np.zeros(len(t)), np.zeros(len(t)), yaw]) + BIAS
    density = np.sqrt(rate_hz)
    force += random.normal(size=force.shape) * np.where(moving, 0.4, FORCE_NOISE * density)[:, None]
    rates += random.normal(size=rates.shape) * np.where(moving, 0.03, RATE_NOISE * density)[:, None]
    inertial = pd.DataFrame(np.column_stack([force, rates]), columns=list(AXES), index=times(t + late_s))
    part = slice(None, None, rate_hz // 10)
    n = len(t[part])
    fixes = pd.DataFrame({
        "latitude_deg": 48.0, "longitude_deg": 11.0, "height_m": 0.0,
        "speed_mps": np.abs(speed[part] + 0.02 * random.normal(size=n)),
        "course_deg": (np.rad2deg(course[part]) + 0.1 * random.normal(size=n)) % 360.0,
    }, index=times(t[part]))
    return Recording((), fixes=tables.FIXES.conform(fixes.assign(source_id=0)),
                     inertial=tables.INERTIAL.conform(inertial.assign(source_id=0)))


def changed(recording: Recording, **columns: object) -> Recording:
    """Return `recording` with inertial columns replaced."""
    return replace(recording, inertial=recording.inertial.assign(**columns))


def metric(result: InertialResult, key: str) -> Metric:
    """Return one metric."""
    return next(m for m in result.metrics if m.key == key)


def codes(result: InertialResult) -> set[str]:
    """Return the codes of all findings."""
    return {f.code for f in result.findings}


@pytest.fixture(scope="module")
def usual() -> Recording:
    """A drive with correct axes."""
    return drive()


@pytest.fixture(scope="module")
def measured(usual: Recording) -> InertialResult:
    """Its figures."""
    return measure_inertial(usual)


def test_known_bias_is_found_at_rest(measured: InertialResult) -> None:
    """Bias of each axis within four standard errors of white noise N / sqrt(T)."""
    error = 4 * RATE_NOISE / np.sqrt(float(metric(measured, "inertial_rest_s").value))
    for axis, bias in zip("xyz", BIAS, strict=True):
        assert metric(measured, f"inertial_bias_rate_{axis}_radps").value == pytest.approx(bias, abs=error)
    assert "inertial_gyro_bias" in codes(measured)


def test_norm_at_rest_is_normal_gravity(measured: InertialResult) -> None:
    """Somigliana (WGS84) at 48 deg: 9.8089087823 m/s2 was simulated, so the error is nothing but noise."""
    assert metric(measured, "inertial_norm_error_mps2").value == pytest.approx(0.0, abs=1e-3)


def test_axes_are_confirmed(measured: InertialResult) -> None:
    """Correct axes give scales of one and no axis finding."""
    for axis in ("rate_z_radps", "acceleration_x_mps2", "acceleration_y_mps2"):
        assert metric(measured, f"inertial_{axis}_scale").value == pytest.approx(1.0, abs=0.02)
    assert not {c for c in codes(measured) if c.startswith("inertial_ax")}


@settings(max_examples=5, deadline=None)
@given(late_s=st.floats(-0.4, 0.4))
def test_delay_of_the_inertial_rows_is_found(late_s: float) -> None:
    """The lag is read to a hundredth of a second."""
    assert metric(measure_inertial(drive(late_s=late_s)), "inertial_lag_s").value == pytest.approx(late_s, abs=0.01)


def test_short_rest_gives_noise_and_says_why_no_bias_instability() -> None:
    """Noise density as simulated; bias instability not evaluated, with the reason."""
    result = measure_inertial(at_rest(90.0))
    assert metric(result, "inertial_random_walk_rate_z_radps").value == pytest.approx(RATE_NOISE, rel=0.1)
    assert metric(result, "inertial_random_walk_acceleration_x_mps2").value == pytest.approx(FORCE_NOISE, rel=0.1)
    assert "hours" in str(metric(result, "inertial_bias_instability_rate_z_radps").not_evaluated)


def at_rest(duration_s: float, rate_hz: float = 50.0, wander: float = 0.0) -> Recording:
    """Simulate a sensor that stands, with a walk of rate of size `wander` [rad/s sqrt(Hz)]."""
    random = np.random.default_rng(4)
    n = int(duration_s * rate_hz)
    density = np.sqrt(rate_hz)
    force = np.asarray([0.0, 0.0, 9.81]) + FORCE_NOISE * density * random.normal(size=(n, 3))
    rates = RATE_NOISE * density * random.normal(size=(n, 3)) + np.cumsum(
        wander / density * random.normal(size=(n, 3)), axis=0)
    frame = pd.DataFrame(np.column_stack([force, rates]), columns=list(AXES), index=times(np.arange(n) / rate_hz))
    return Recording((), inertial=tables.INERTIAL.conform(frame.assign(source_id=0)))


def test_hours_of_rest_give_bias_instability() -> None:
    """A walk of rate K above white noise N has its Allan minimum near tau = sqrt(3) N / K (sum of both terms)."""
    wander = RATE_NOISE / 100.0
    value = metric(measure_inertial(at_rest(3 * 3600.0, 10.0, wander)), "inertial_bias_instability_rate_z_radps")
    lowest = np.sqrt(2.0 * RATE_NOISE * wander / np.sqrt(3.0)) / 0.66428
    assert value.value == pytest.approx(lowest, rel=0.25)


@pytest.mark.parametrize(("column", "factor", "code"), [
    ("rate_z_radps", -1.0, "inertial_axis_sign"),
    ("acceleration_x_mps2", -1.0, "inertial_axis_sign"),
    ("rate_z_radps", 57.29578, "inertial_axis_unit"),
    ("rate_z_radps", 0.8, "inertial_axis_scale"),
    ("acceleration_z_mps2", -1.0, "inertial_axes_down"),
])
def test_wrong_sign_unit_and_scale(usual: Recording, column: str, factor: float, code: str) -> None:
    """Each planted fault is named, against ISO 8855 axes (from memory, not re-read)."""
    assert code in codes(measure_inertial(changed(usual, **{column: usual.inertial[column] * factor})))


def test_exchanged_axes_are_named(usual: Recording) -> None:
    """Yaw rate in the roll column."""
    frame = usual.inertial
    result = measure_inertial(changed(usual, rate_z_radps=frame["rate_x_radps"], rate_x_radps=frame["rate_z_radps"]))
    finding = next(f for f in result.findings if f.code == "inertial_axis_exchanged")
    assert finding.evidence["strongest_axis"] == "rate_x_radps"


def test_unit_of_gravity(usual: Recording) -> None:
    """Specific force in g is named."""
    scaled = {c: usual.inertial[c] / 9.80665 for c in AXES[:3]}
    assert "inertial_unit" in codes(measure_inertial(changed(usual, **scaled)))


def test_a_drive_without_a_stop_has_no_rest() -> None:
    """The smoothest part of a moving drive is no rest, with and without speed."""
    recording = drive(standing=False)
    assert find_rests(recording.inertial, recording.fixes)[0].empty
    assert find_rests(recording.inertial)[0].empty


def test_rests_lie_inside_the_true_stops(usual: Recording) -> None:
    """Speed is zero throughout each rest, and most of the standing time is found."""
    rests, _ = find_rests(usual.inertial, usual.fixes)
    t = (pd.DatetimeIndex(usual.inertial.index) - START) / pd.Timedelta(seconds=1)
    standing = 12.0 - 14.0 * np.cos(2 * np.pi * np.asarray(t) / 120.0) <= 0.05
    inside = np.concatenate([standing[a:b] for a, b in zip(rests["first"], rests["last"], strict=True)])
    assert inside.mean() > 0.99
    assert rests["duration_s"].sum() > 0.7 * standing.sum() / 100.0


def test_gaps_and_missing_rows(usual: Recording) -> None:
    """Seven rows taken out are seven rows missing in one gap."""
    result = measure_inertial(replace(usual, inertial=usual.inertial.drop(usual.inertial.index[1000:1007])))
    assert metric(result, "inertial_missing_rows").value == 7
    assert metric(result, "inertial_longest_gap_s").value == pytest.approx(0.08)
    assert "inertial_gaps" in codes(result)


def test_clipping_is_found_and_coarse_noise_is_not(usual: Recording) -> None:
    """A range of +-1 m/s2 clips; rounding to few levels does not."""
    series = usual.inertial["acceleration_y_mps2"]
    result = measure_inertial(changed(usual, acceleration_y_mps2=series.clip(-1.0, 1.0)))
    table = result.tables["axes"].set_index("axis")
    assert table.loc["acceleration_y_mps2", "clipped_rows"] == int((series.abs() >= 1.0).sum())
    assert "inertial_clipped" in codes(result)
    assert not clipped((series / 0.3).round() * 0.3).any()


@given(st.lists(st.floats(-10, 10), min_size=0, max_size=60))
def test_clipping_marks_only_extremes(values: list[float]) -> None:
    """Whatever comes in, a marked sample is the largest or smallest one."""
    array = np.asarray(values)
    marked = clipped(array)
    assert all(v in (array.max(), array.min()) for v in array[marked])


@given(st.integers(1, 50), st.integers(1, 6))
def test_repeats_counts_rows_after_the_first(n: int, times_each: int) -> None:
    """n distinct rows written k times hold n (k - 1) repeats."""
    rows = np.repeat(np.arange(n, dtype=float)[:, None] * [1.0, -1.0], times_each, axis=0)
    assert repeats(rows).sum() == n * (times_each - 1)


@settings(deadline=None)
@given(rate_hz=st.sampled_from([1.0, 10.0, 100.0, 104.26, 200.0]), lost=st.integers(0, 5), seed=st.integers(0, 999))
def test_sampling_counts_what_was_taken_out(rate_hz: float, lost: int, seed: int) -> None:
    """Rate and missing rows stay right under jitter of a tenth of the interval."""
    random = np.random.default_rng(seed)
    t = (np.arange(200) + random.uniform(-0.05, 0.05, 200)) / rate_hz
    t = np.delete(t, slice(50, 50 + lost))
    found = sampling(times(t))
    assert found.rate_hz == pytest.approx(rate_hz, rel=0.01)
    assert found.gaps["missing"].sum() == lost


def test_empty_and_dead_channels(usual: Recording) -> None:
    """No rows is a reason, an all-zero axis a problem."""
    assert metric(measure_inertial(Recording(())), "inertial_rate_hz").not_evaluated
    assert "inertial_axis_dead" in codes(measure_inertial(changed(usual, rate_x_radps=0.0)))
    constant = codes(measure_inertial(changed(usual, **dict.fromkeys(AXES, 5.0))))
    assert constant == {"inertial_axis_dead"}


def test_rows_out_of_order_are_sorted_and_told(usual: Recording) -> None:
    """Two exchanged rows leave the figures alone."""
    order = np.arange(len(usual.inertial))
    order[[500, 501]] = order[[501, 500]]
    result = measure_inertial(replace(usual, inertial=usual.inertial.iloc[order]))
    assert "inertial_time_order" in codes(result)
    assert metric(result, "inertial_rate_z_radps_scale").value == pytest.approx(1.0, abs=0.02)


def test_real_motorway_minute(shared_data: Path) -> None:
    """Car with reference (SOURCES.md): inertial at 104 Hz, moving throughout, no turn, forward axis confirmed."""
    folder = shared_data / "car_with_reference"
    rows, gnss = pd.read_csv(folder / "imu.csv"), pd.read_csv(folder / "gnss.csv")
    boot = np.asarray(rows["boot_time_s"]) + 1533180079.8495
    zero = pd.Timestamp(0, unit="s", tz="UTC")
    when = pd.DatetimeIndex(zero + pd.to_timedelta(np.rint(boot * 1e6), unit="us")).as_unit("us")
    fixed = pd.DatetimeIndex(zero + pd.to_timedelta(gnss["utc_unix_ms"].to_numpy(), unit="ms")).as_unit("us")
    inertial = pd.DataFrame({
        "acceleration_x_mps2": rows["acc_forward_mps2"], "acceleration_y_mps2": -rows["acc_right_mps2"],
        "acceleration_z_mps2": -rows["acc_down_mps2"], "rate_x_radps": rows["gyro_forward_radps"],
        "rate_y_radps": -rows["gyro_right_radps"], "rate_z_radps": -rows["gyro_down_radps"]}).set_axis(when)
    fixes = pd.DataFrame({"latitude_deg": gnss["lat_deg"], "longitude_deg": gnss["lon_deg"],
                          "speed_mps": gnss["speed_mps"], "course_deg": gnss["course_deg"]}).set_axis(fixed)
    result = measure_inertial(Recording((), fixes=tables.FIXES.conform(fixes.assign(source_id=0)),
                                        inertial=tables.INERTIAL.conform(inertial.assign(source_id=1))))
    assert metric(result, "inertial_rate_hz").value == pytest.approx(104.26, abs=0.05)
    assert metric(result, "inertial_rest_s").value == 0.0
    assert metric(result, "inertial_acceleration_x_mps2_correlation").value > 0.8
    assert metric(result, "inertial_rate_z_radps_scale").not_evaluated == "the drive holds no turns"
