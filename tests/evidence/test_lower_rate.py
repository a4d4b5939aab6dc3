"""Velocity at a lower rate than positions: a usual log, GGA at 10 Hz beside RMC at 5, is judged as one of equal rates."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer import Assessment, Recording, assess, read
from analyzer.demo import DriveSpec, Fault, make_drive
from analyzer.evidence.displacement import residual
from analyzer.evidence.frozen import frozen_velocity
from analyzer.evidence.standing import between, standing_by_speed
from tests.evidence.tracks import weaving

FAULTS = (Fault("wrong_fix", start_s=250.0, duration_s=60.0, size=0.5), Fault("radio_loss", start_s=120.0, duration_s=40.0))


def thinned(recording: Recording, every: int) -> Recording:
    """Return the recording with speed and course at every `every`-th epoch only."""
    fixes = recording.fixes.copy()
    fixes.loc[np.arange(len(fixes)) % every > 0, ["speed_mps", "course_deg"]] = np.nan
    return replace(recording, fixes=fixes)


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    place = tmp_path_factory.mktemp("rates") / "drive"
    make_drive(place, DriveSpec(seed=31, duration_s=420.0, rate_hz=10.0, faults=FAULTS))
    return read(place / "rover.nmea")


@pytest.fixture(scope="module")
def whole(log: Recording) -> Assessment:
    return assess(log)


@pytest.mark.parametrize(("every", "share"), [(2, 0.98), (5, 0.97), (10, 0.91)])
def test_the_judgement_is_that_of_equal_rates(log: Recording, whole: Assessment, every: int, share: float) -> None:
    """A speed once a second sees less of a car that brakes than one of 5 Hz."""
    found = assess(thinned(log, every))
    agree = (found.epochs["trust"].astype(str).to_numpy() == whole.epochs["trust"].astype(str).to_numpy()).mean()
    assert agree >= share
    wrong = (whole.epochs["trust"] == "rejected").to_numpy()
    assert wrong.sum() >= 500 and not (found.epochs["trust"] == "trusted").to_numpy()[wrong].any()
    fixed = (whole.epochs["fix_state"] == "fixed").to_numpy()
    speed = [a.epochs["speed_bound_mps"].to_numpy(np.float64) for a in (found, whole)]
    assert np.isnan(speed[0]).sum() <= np.isnan(speed[1]).sum() + 3 * every
    assert np.nanmedian(speed[0]) == pytest.approx(np.nanmedian(speed[1]), rel=0.3)
    ratio = (found.epochs["horizontal_bound_m"] / whole.epochs["horizontal_bound_m"])[fixed]
    assert ratio.median() == pytest.approx(1.0, abs=0.1)
    assert {f.code for f in found.findings if f.code.startswith("solution_kind")} == {f.code for f in whole.findings if f.code.startswith("solution_kind")}


@given(st.integers(2, 12), st.integers(30, 200), st.integers(0, 2**32 - 1))
def test_only_what_is_missing_by_rate_is_put_in_between(every: int, count: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    t = np.arange(count) / 10
    values = rng.normal(size=count)
    rare = np.where(np.arange(count) % every == 0, values, np.nan)
    filled, known = between(t, rare), np.flatnonzero(np.isfinite(rare))
    assert np.array_equal(filled[known], values[known])
    if len(known) > 1:
        assert np.isfinite(filled[:known[-1] + 1]).all() and np.isnan(filled[known[-1] + 1:]).all()
    torn = rare.copy()
    torn[count // 3:count // 3 + 3 * every] = np.nan
    assert np.isnan(between(t, torn)[count // 3 + every:count // 3 + 2 * every]).all()
    lone = values.copy()
    lone[count // 2] = np.nan
    assert np.isnan(between(t, lone)[count // 2]), "a lost sentence of a log of equal rates is no lower rate"


def test_a_stand_is_one_whatever_the_rate_of_speeds() -> None:
    t = np.arange(600) / 10
    speed = np.where((t > 20) & (t < 40), 0.05, 8.0)
    rare = np.where(np.arange(600) % 5 == 0, speed, np.nan)
    assert np.abs(standing_by_speed(t, rare, 0.1).sum() - standing_by_speed(t, speed, 0.1).sum()) <= 10


def test_the_way_is_integrated_from_one_velocity_to_the_next() -> None:
    """A car that brakes and bends: positions without noise leave what the true path leaves, a lower rate some centimetres at its kinks."""
    track = weaving(120.0, white_m=0.0, doppler_mps=0.0)
    led = np.arange(len(track)) % 5 > 0
    velocity = np.where(led[:, None], np.nan, track.velocity)
    rare = replace(track, velocity=np.column_stack([between(track.t, velocity[:, k]) for k in (0, 1)]), led=led)
    left, extra, truncated = residual(rare)
    last = int(np.flatnonzero(rare.measured)[-1])
    assert np.abs(left[:last] - left[0]).max() < 0.05
    # nothing is a pause, but for what the last moments behind the last velocity are
    assert extra[:last].sum() < 0.05**2 and np.isfinite(truncated).all()


def test_a_velocity_that_froze_is_found_at_half_the_rate() -> None:
    track = weaving()
    frozen = np.zeros(len(track))
    frozen[1000:1050] = np.linspace(0.1, 50.0, 50)
    own = track.velocity.copy()
    own[1::2] = np.nan
    assert not frozen_velocity(replace(track, own_velocity=own), frozen).any()
    own[1000:1050:2] = own[998]
    assert frozen_velocity(replace(track, own_velocity=own), frozen)[1000:1050].all()


def test_no_velocity_at_all_stays_none(log: Recording) -> None:
    fixes = log.fixes.assign(speed_mps=np.nan, course_deg=np.nan)
    found = assess(replace(log, fixes=fixes))
    assert isinstance(found.epochs, pd.DataFrame) and len(found.epochs) == len(fixes)
