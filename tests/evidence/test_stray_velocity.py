"""A velocity that strays for a moment is told from a position that steps: by what the car did before and behind."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer.demo import Fault, make_drive
from analyzer.evidence.displacement import residual
from analyzer.evidence.gather import gather
from analyzer.evidence.stray_velocity import Stray, find_strays, without_strays
from analyzer.evidence.track import Track, course_held
from analyzer.recording import Recording
from tests.evidence.drives import held_against_truth, read
from tests.evidence.tracks import weaving

HERE = 120.0


def pulsed(track: Track, peak_mps: float, lasting_s: float, angle: float = 0.7) -> Track:
    """Return the track with a velocity that leaves the motion at `HERE` and comes back, by a half sine."""
    inside = np.clip((track.t - HERE) / lasting_s, 0, 1)
    return replace(track, velocity=track.velocity + peak_mps * np.sin(np.pi * inside)[:, None] * [np.sin(angle), np.cos(angle)])


def found(track: Track, *, delay_s: float = 0.0) -> list[Stray]:
    return find_strays(track, residual(track, delay_s=delay_s)[0], track.fixed, delay_s=delay_s)


@settings(max_examples=15, deadline=None)
@given(rate_hz=st.sampled_from([5.0, 10.0, 50.0]), peak=st.floats(0.35, 1.2), lasting=st.floats(0.5, 1.2), angle=st.floats(0, 6.28), seed=st.integers(0, 99))
def test_a_pulse_is_found_and_taken_out(rate_hz: float, peak: float, lasting: float, angle: float, seed: int) -> None:
    clean = weaving(200.0, rate_hz, seed=seed)
    track = pulsed(clean, peak, lasting, angle)
    (one,) = found(track)
    way_m = peak * lasting * 2 / np.pi
    assert track.t[one.first] <= HERE + 0.4 * lasting and track.t[one.last] >= HERE + 0.6 * lasting
    assert one.way_m == pytest.approx(way_m, rel=0.35)
    mended, right = (residual(x)[0] for x in (without_strays(track, [one])[0], clean))
    left = np.diff((mended - right)[[round((HERE - 2) * rate_hz), round((HERE + 4) * rate_hz)]], axis=0)
    assert np.hypot(*left[0]) < 0.35 * way_m


@settings(max_examples=15, deadline=None)
@given(rate_hz=st.sampled_from([1.0, 5.0, 10.0, 100.0]), size=st.floats(0.06, 2.0), lasting=st.floats(0.0, 1.5), seed=st.integers(0, 99))
def test_a_position_that_steps_or_is_drawn_out_is_no_stray(rate_hz: float, size: float, lasting: float, seed: int) -> None:
    track = weaving(200.0, rate_hz, seed=seed)
    taken = np.clip((track.t - HERE) / max(lasting, 1e-6), 0, 1)
    strays = found(replace(track, places=track.places + size * taken[:, None] * [0.6, 0.8, 0.5]))
    assert all(one.way_m < 0.06 for one in strays), "what hardly stands out of the noise may be either"


@pytest.mark.parametrize("rate_hz", [2.0, 10.0, 20.0])
def test_hard_braking_with_a_late_velocity_is_none(rate_hz: float) -> None:
    """Brakes hit and released every ten seconds, 7 m/s² within a tenth of a second; velocity 0.1 s late, told or not."""
    t = np.arange(round(200 * rate_hz)) / rate_hz
    fine = np.arange(0, 201, 0.001)
    push = np.where(fine % 20 < 2, -7.0, np.where((fine % 20 >= 10) & (fine % 20 < 14), 3.5, 0.0))
    push = np.convolve(push, np.full(100, 0.01), mode="same")
    speed = 20 + np.cumsum(push) * 0.001
    way = np.cumsum(speed) * 0.001
    base = weaving(200.0, rate_hz)
    velocity = np.column_stack([np.interp(t - 0.1, fine, speed), np.zeros(len(t))])
    places = np.column_stack([np.interp(t, fine, way), np.zeros(len(t)), np.zeros(len(t))])
    track = replace(base, places=places + 0.003 * np.random.default_rng(1).normal(size=places.shape), velocity=velocity, standing=np.zeros(len(t), bool))
    assert found(track, delay_s=0.1) == []


def test_the_rows_are_those_of_the_velocity_where_it_is_late() -> None:
    track = weaving(200.0, 50.0, seed=3)
    late = pulsed(replace(track, velocity=np.column_stack([np.interp(track.t - 0.1, track.t, v) for v in track.velocity.T])), 0.6, 0.8)
    (one,) = found(late, delay_s=0.1)
    (early,) = [x for x in found(late) if x.way_m > 0.2]
    assert HERE - 1.0 < track.t[one.first] < HERE + 0.15 and HERE + 0.65 < track.t[one.last] < HERE + 1.8
    assert 0 <= track.t[early.first] < HERE + 0.65, "without the delay the same moment is looked for where positions are"


@pytest.mark.parametrize("delay_s", [-0.3, 0.0, 0.3])
def test_at_either_end_of_a_log_nothing_is_put_in_from_beyond_it(delay_s: float) -> None:
    clean = weaving(120.9, 10.0, seed=4)
    pulse = 0.8 * np.sin(np.pi * np.clip((clean.t - HERE) / 0.7, 0, 1)) + 0.8 * np.sin(np.pi * np.clip((0.9 - clean.t) / 0.7, 0, 1))
    track = replace(clean, velocity=clean.velocity + pulse[:, None] * [0.6, 0.8], standing=np.zeros(len(clean), bool))
    mended, variance = without_strays(track, found(track, delay_s=delay_s))
    assert np.isfinite(mended.velocity).all() and np.isfinite(variance).all()


def with_pulses(recording: Recording, at_s: tuple[float, ...]) -> Recording:
    """Return the recording with 0.5 m/s to the side for 0.7 s at each of `at_s`."""
    fixes = recording.fixes
    t = (fixes.index - fixes.index[0]).total_seconds().to_numpy()
    speed, course = fixes["speed_mps"].to_numpy(float), np.radians(fixes["course_deg"].to_numpy(float))
    aside = sum(0.5 * np.sin(np.pi * np.clip((t - a) / 0.7, 0, 1)) for a in at_s)
    course_new = np.degrees(course + np.arctan2(aside, np.maximum(speed, 0.1))) % 360
    return replace(recording, fixes=fixes.assign(speed_mps=np.hypot(speed, aside), course_deg=np.where(np.isfinite(course), course_new, np.nan)))


def test_a_disturbed_doppler_costs_a_right_drive_nothing_and_is_said(tmp_path: Path) -> None:
    make_drive(tmp_path, seed=21, duration_s=300.0)
    recording, metrics = read(tmp_path)
    moving = (recording.fixes["speed_mps"].to_numpy() > 5.0)
    t = (recording.fixes.index - recording.fixes.index[0]).total_seconds().to_numpy()
    spread = tuple(float(x) for x in t[moving][np.linspace(50, moving.sum() - 50, 7).astype(int)])
    evidence = gather(with_pulses(recording, spread), metrics)
    table = held_against_truth(tmp_path, recording, evidence)
    assert table["trusted"][table["fixed"]].mean() >= 0.98
    (said,) = [f for f in evidence.findings if f.code == "velocity_strays"]
    assert 4 <= int(str(said.evidence["count"])) <= 7 and "positions ran on smoothly" in said.text
    assert not [f for f in gather(recording, metrics).findings if f.code == "velocity_strays"]


def test_a_wrong_fix_beside_them_is_found_all_the_same(tmp_path: Path) -> None:
    make_drive(tmp_path, seed=22, duration_s=360.0, faults=(Fault("wrong_fix", start_s=150.0, duration_s=60.0, size=0.4),))
    recording, metrics = read(tmp_path)
    evidence = gather(with_pulses(recording, (60.0, 100.0, 149.8, 180.0, 210.1, 260.0)), metrics)
    table = held_against_truth(tmp_path, recording, evidence)
    assert not (table["trusted"] & (table["error_m"] > 0.10)).any()


def test_a_car_that_creeps_keeps_the_course_it_takes_or_had() -> None:
    t = np.arange(0, 20, 0.5)
    speed = np.interp(t, [0, 5, 8, 12, 15, 20], [0.03, 0.03, 2.0, 2.0, 0.03, 0.03])
    course = np.where(speed > 0.5, 90.0 + t, np.nan)
    held = course_held(t, course, speed)
    known = np.flatnonzero(np.isfinite(course))
    creeping = (speed > 0.1) & np.isnan(course)
    assert creeping.any() and np.isfinite(held[creeping]).all()
    assert set(held[creeping]) == {course[known[0]], course[known[-1]]}
    assert np.isnan(held[speed < 0.1]).all(), "at rest speed is noise"
    assert np.isnan(course_held(t, np.full(len(t), np.nan), speed)).all()


def test_a_car_that_pulls_off_without_a_course_makes_no_step(tmp_path: Path) -> None:
    """Receivers log no course below about half a metre per second: the way driven until then is no step of the position."""
    make_drive(tmp_path, seed=23, duration_s=300.0)
    recording, metrics = read(tmp_path)
    slow = recording.fixes["speed_mps"] < 0.6
    bare = replace(recording, fixes=recording.fixes.assign(course_deg=recording.fixes["course_deg"].where(~slow)))
    assert slow.any() and isinstance(bare.fixes, pd.DataFrame)
    table = held_against_truth(tmp_path, recording, gather(bare, metrics))
    assert table["trusted"][table["fixed"]].mean() >= 0.98
