"""The whole set of figures: keys that others rely on, empty input, base distance, speed."""

from __future__ import annotations

import time

import numpy as np
import pandas as pd
import pytest
from metric_tables import drive, fixes, recording

from analyzer import tables
from analyzer.metrics.measure import measure

REQUIRED = (
    "time_to_first_position_s", "time_to_first_fixed_s", "refix_s", "age_p50_s", "age_p95_s", "rate_hz",
    "missing_epochs", "longest_gap_s", "route_length_m",
    *(f"share_time_{s}" for s in ("fixed", "float", "differential", "autonomous", "no_fix")),
    *(f"share_distance_{s}" for s in ("fixed", "float", "differential", "autonomous", "no_fix")),
)


@pytest.mark.parametrize("frame", [drive(200), fixes(np.array([])), fixes(np.array([0.0])),
                                   fixes(np.arange(30.0), fix_state=None)], ids=["drive", "empty", "one", "bare"])
def test_every_required_key_is_there_once_and_says_why_it_has_no_value(frame):
    result = measure(recording(frame))
    keys = [m.key for m in result.values]
    assert set(REQUIRED) <= set(keys) and len(keys) == len(set(keys))
    for metric in result.values:
        assert metric.method and metric.unit
        if metric.value is None:
            assert metric.not_evaluated
        elif isinstance(metric.value, float):
            assert np.isfinite(metric.value)
    assert result.epochs.index.equals(frame.index)


def test_the_recording_is_not_changed():
    frame = drive(120, outages=[(60.0, 90.0)])
    before = frame.copy()
    measure(recording(frame), base=(48.0, 11.0, 500.0))
    pd.testing.assert_frame_equal(frame, before)


def test_local_frame_and_distance_from_the_base():
    result = measure(recording(drive(100)), base=(48.0, 11.0, 500.0))
    north = result.epochs["north_m"].to_numpy()
    assert result.origin is not None and abs(north[0]) < 1e-6
    assert north[-1] == pytest.approx(15.0 * 99.9, abs=0.5)
    assert result.epochs["base_distance_m"].iloc[-1] == pytest.approx(15.0 * 99.9, abs=0.5)
    assert measure(recording(drive(20))).epochs["base_distance_m"].isna().all()


def test_an_hour_at_100_hertz_takes_a_second():
    frame = drive(600, 100, outages=[(200.0, 240.0)], sky=[(400.0, 408.0)])
    hour = pd.concat([frame.set_index(frame.index + pd.Timedelta(seconds=600 * i)) for i in range(6)])
    rec = recording(tables.FIXES.conform(hour.assign(byte_offset=100 * np.arange(len(hour)))))
    best = min(_timed(rec) for _ in range(2))
    assert len(hour) == 360_000
    assert best < 4.0  # about half a second alone on two cores; the machine may be shared


def _timed(rec):
    start = time.perf_counter()
    measure(rec)
    return time.perf_counter() - start


def test_time_is_linear_with_many_changes():
    """A state, age and position that change at every epoch must not bring loops per epoch."""
    count = 60_000
    frame = fixes(np.arange(count) * 0.01, fix_state=np.resize(["fixed", "float", "autonomous"], count),
                  correction_age_s=np.resize([0.5, np.nan], count), latitude_deg=np.resize([48.0, np.nan, 48.0], count),
                  longitude_deg=11.0, station_id=pd.array(np.resize([1, 2], count), dtype="Int32"))
    assert _timed(recording(frame)) < 3.0
