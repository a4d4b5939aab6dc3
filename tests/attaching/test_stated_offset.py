"""An offset that is only stated is no proof: its rows are never better than those of a proven one, and what contradicts it is said."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from attach_drives import START, epochs_of, measured_of, motion

from analyzer.attaching.decide import Applied, decide
from analyzer.attaching.sidecar import offset_entries
from analyzer.attaching.time_offset import TimeOffset, estimate

DRIVE = motion(400.0, seed=31)
EPOCHS = epochs_of(DRIVE)


def found_of(*, offset_s: float = 0.0, drift_ppm: float = 0.0, delay_s: float = 0.0, inertial: bool = True,
             signal_delay_s: float | None = None) -> TimeOffset:
    signals = measured_of(DRIVE, offset_s=offset_s, drift_ppm=drift_ppm, delay_s=delay_s, inertial=inertial)
    return estimate(EPOCHS, signals, origin=START, signal_delay_s=signal_delay_s)


def stated(found: TimeOffset, seconds: float = 0.0) -> Applied:
    return decide(found, seconds, name="m.csv", placed=True)


@pytest.mark.parametrize(("offset_s", "drift_ppm"), [(0.0, 0.0), (0.012, 0.0), (0.0, 60.0)])
def test_its_rows_are_never_surer_than_those_of_a_proven_one(offset_s: float, drift_ppm: float) -> None:
    found = found_of(offset_s=offset_s, drift_ppm=drift_ppm)
    at = pd.DatetimeIndex(EPOCHS.index)
    proven, mere = decide(found, None, name="m.csv", placed=True).half_width(at), stated(found).half_width(at)
    assert (mere >= proven).all()
    true = offset_s + drift_ppm * 1e-6 * np.asarray((at - START) / pd.Timedelta(seconds=1))
    assert (mere >= np.abs(true)).mean() > 0.99


def test_a_contradiction_is_said_with_numbers_on_screen_and_in_the_sidecar() -> None:
    found = found_of(offset_s=0.012)
    applied = stated(found)
    assert "although the speed shows +1" in applied.words and "which contradicts it" in applied.words
    assert "no interval of it is proven" in applied.words
    entries = offset_entries(found, applied.entry())
    assert entries["time_offset_interval_s"] is None
    assert entries["time_offset"]["applied"]["proven"] is False and entries["time_offset"]["applied"]["contradicted"] is True
    assert "does not contradict it" in stated(found, 0.012).words
    assert stated(found, 0.012).entry()["contradicted"] is False


def test_a_delay_that_may_be_the_sensors_own_is_no_contradiction() -> None:
    applied = stated(found_of(delay_s=0.045, inertial=False))
    assert "may be its own delay: --signal-delay states it" in applied.words and applied.contradicted is False
    # as long as nobody says that it is, the clock may be late by as much
    assert applied.half_width(pd.DatetimeIndex(EPOCHS.index))[0] > 0.04
    told = stated(found_of(delay_s=0.045, inertial=False, signal_delay_s=0.045))
    assert told.half_width(pd.DatetimeIndex(EPOCHS.index))[0] < 0.015


def test_where_nothing_speaks_to_it_the_clock_counts_as_unknown() -> None:
    found = estimate(EPOCHS, measured_of(motion(400.0, seed=32)), origin=START)
    assert found.line is None
    applied = stated(found)
    assert applied.contradicted is None and "0.25 s" in applied.words
    assert (applied.half_width(pd.DatetimeIndex(EPOCHS.index)) == 0.25).all()


def test_a_clock_that_jumps_contradicts_it() -> None:
    clock, speed = measured_of(DRIVE)["speed_mps"]
    found = estimate(EPOCHS, {"speed_mps": (np.where(clock > 200.0, clock + 0.3, clock), speed)}, origin=START)
    applied = stated(found)
    assert "although its clock jumps by +0." in applied.words and applied.contradicted is True
    assert (applied.half_width(pd.DatetimeIndex(EPOCHS.index)) >= 0.29).all()
    entry = offset_entries(found, applied.entry())["time_offset"]["watched"]["step"]
    assert entry["clear"] is True and entry["size_s"] == pytest.approx(0.3, abs=0.02)
