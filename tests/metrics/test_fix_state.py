"""Shares, stretches and transitions, counted by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from metric_tables import METRES_PER_DEGREE, START, fixes, recording

from analyzer import tables
from analyzer.metrics.fix_state import in_windows, window_shares
from analyzer.metrics.measure import measure

STATES = ["autonomous"] * 10 + ["float"] * 20 + ["fixed"] * 50 + ["float"] * 5 + ["fixed"] * 16


def parked_then_driving():
    """Return 101 epochs of 1 s: at rest for 60 s, then 20 m/s northwards."""
    moment = np.arange(101.0)
    way = np.maximum(moment - 60.0, 0.0) * 20.0
    return fixes(moment, fix_state=STATES, latitude_deg=48.0 + way / METRES_PER_DEGREE, longitude_deg=11.0,
                 speed_mps=np.where(moment > 60.0, 20.0, 0.0))


def test_shares_of_time_distance_and_motion():
    result = measure(recording(parked_then_driving()))
    assert result["share_time_fixed"].value == pytest.approx(0.65)
    assert result["share_time_float"].value == pytest.approx(0.25)
    assert result["share_time_autonomous"].value == pytest.approx(0.10)
    assert result["share_time_no_fix"].value == 0.0 and result["share_time_differential"].value == 0.0
    # of the 800 m driven from 60 s on, 100 m belong to the five float seconds
    assert result["route_length_m"].value == pytest.approx(800.0, abs=1.0)
    assert result["share_distance_float"].value == pytest.approx(0.125, abs=0.003)
    assert result["share_time_moving_float"].value == pytest.approx(5 / 40, abs=0.01)
    assert result["share_time_moving_autonomous"].value == 0.0
    with pytest.raises(KeyError):
        result["share_time_estimated"]


def test_stretches_transitions_and_longest():
    result = measure(recording(parked_then_driving()))
    assert result.stretches["fix_state"].tolist() == ["autonomous", "float", "fixed", "float", "fixed"]
    assert result.stretches["duration_s"].tolist() == [10.0, 20.0, 50.0, 5.0, 15.0]
    assert result.stretches["n"].sum() == 101
    found = {(r.from_state, r.to_state): r.n for r in result.transitions.itertuples()}
    assert found == {("autonomous", "float"): 1, ("float", "fixed"): 2, ("fixed", "float"): 1}
    assert result["longest_stretch_fixed_s"].value == 50.0
    assert result["state_changes"].value == 4 and result["fixed_losses"].value == 1


def test_every_occurring_state_is_reported_and_shares_sum_to_one():
    states = [s for s in tables.FIX_STATES for _ in range(10)]
    result = measure(recording(fixes(np.arange(len(states)) * 0.1, fix_state=states)))
    total = [result[f"share_time_{s}"].value for s in tables.FIX_STATES]
    assert sum(total) == pytest.approx(1.0) and min(total) > 0.09


def test_a_stretch_does_not_reach_across_a_gap():
    moment = np.r_[np.arange(20.0), np.arange(50.0, 70.0)]
    result = measure(recording(fixes(moment)))
    assert result.stretches["duration_s"].tolist() == [19.0, 19.0]
    assert result["longest_stretch_fixed_s"].value == 19.0


def test_shares_inside_windows():
    windows = pd.DataFrame({
        "name": ["lane change", "never"], "start_utc": START + pd.to_timedelta([78, 500], unit="s"),
        "end_utc": START + pd.to_timedelta([87, 600], unit="s"),
    })
    frame = parked_then_driving()
    result = measure(recording(frame), windows=windows)
    # ten epochs from 78 s to 87 s, five of them float
    assert result["share_time_windows_float"].value == pytest.approx(0.5)
    assert in_windows(windows, pd.DatetimeIndex(frame.index)).sum() == 10
    from analyzer.metrics.fix_state import state_codes
    from analyzer.metrics.rate import timeline
    index = pd.DatetimeIndex(frame.index)
    table = window_shares(windows, index, state_codes(frame["fix_state"]), timeline(index))
    assert table["n"].tolist() == [10, 0]
    assert table["share_time_float"].iloc[0] == pytest.approx(0.5) and np.isnan(table["share_time_float"].iloc[1])


def test_nothing_to_share_is_not_evaluated_with_the_reason():
    result = measure(recording(fixes(np.array([0.0]))))
    assert "neighbouring" in result["share_time_fixed"].not_evaluated
    assert result["share_distance_fixed"].not_evaluated == "no distance was driven"
