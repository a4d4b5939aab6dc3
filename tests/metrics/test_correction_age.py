"""What the age field is worth, its sawtooth and its distribution."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from metric_tables import drive, fixes, recording

from analyzer import tables
from analyzer.metrics.correction_age import age_field, grid, station_changes, stream_interval
from analyzer.metrics.fix_state import state_codes
from analyzer.metrics.measure import measure
from analyzer.metrics.rate import timeline


def field_of(frame: pd.DataFrame):
    index = pd.DatetimeIndex(frame.index)
    return age_field(frame["correction_age_s"].to_numpy(), state_codes(frame["fix_state"]), timeline(index))


@pytest.mark.parametrize("interval_s, transport_s", [(1.0, 0.3), (2.0, 0.5), (5.0, 1.0), (0.5, 0.2)])
def test_the_sawtooth_is_learnt(interval_s, transport_s):
    found = field_of(drive(400, 10, interval_s=interval_s, transport_s=transport_s))
    assert found.interval_s == pytest.approx(interval_s, abs=0.05)
    assert found.top_s == pytest.approx(interval_s + transport_s, abs=0.15)
    assert found.top_s < found.fresh_s < found.stale_s


@pytest.mark.parametrize("value, words", [(np.nan, "empty"), (0.0, "constant 0"), (7.0, "constant 7 s")])
def test_a_field_that_says_nothing_is_not_evaluated(value, words):
    result = measure(recording(fixes(np.arange(100.0), correction_age_s=value)))
    for key in ("age_p50_s", "age_p95_s", "share_time_age_above_5_s"):
        assert words in result[key].not_evaluated


def test_a_constant_of_one_interval_is_at_most_that_plus_its_resolution():
    result = measure(recording(fixes(np.arange(100.0), correction_age_s=1.0)))
    assert result["age_p95_s"].value == pytest.approx(2.0)  # 1 s printed in whole seconds
    assert "at most" in result["age_p95_s"].method
    assert result["share_time_age_above_5_s"].value == 0.0
    tenth = measure(recording(fixes(np.arange(100.0), correction_age_s=0.8)))
    assert tenth["age_p50_s"].value == pytest.approx(0.9)


def test_percentiles_and_time_above_limits_weigh_time():
    age = np.r_[np.tile([0.5, 1.0], 40), np.arange(1.0, 21.0)]
    result = measure(recording(fixes(np.arange(100.0), correction_age_s=age)))
    assert result["age_max_s"].value == 19.0  # the last epoch counts for no time
    assert result["share_time_age_above_10_s"].value == pytest.approx(9 / 99)
    assert result["age_p50_s"].value == 1.0
    assert result["age_p95_fixed_s"].value == result["age_p95_s"].value


def test_grid_of_printed_ages():
    assert grid(np.array([1.0, 3.0])) == 1.0
    assert grid(np.array([0.8, 1.2])) == 0.1
    assert grid(np.array([0.85])) == 0.01


def test_station_changes_ignore_empty_ids():
    frame = fixes(np.arange(10.0), station_id=pd.array([None, 5, 5, None, 5, 9, 9, 0, 5, 5], dtype="Int32"))
    changes = station_changes(frame["station_id"], timeline(pd.DatetimeIndex(frame.index)))
    assert changes[["index", "from_id", "to_id"]].to_numpy().tolist() == [[5, 5, 9], [8, 9, 5]]
    result = measure(recording(frame))
    assert result["station_id_changes"].value == 2 and result["station_ids"].value == "0 5 9"


def test_interval_of_a_recorded_stream():
    rows = np.repeat(np.arange(0.0, 40.0, 2.0), 2)
    frame = tables.CORRECTIONS.conform(pd.DataFrame({
        "epoch_s": rows, "message_type": np.tile([1077, 1087], 20)},
        index=pd.date_range("2025-01-01", periods=40, freq="s", tz="UTC")))
    assert stream_interval(frame) == 2.0
    assert stream_interval(frame.iloc[:0]) is None
