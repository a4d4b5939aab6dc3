"""Nominal rate, gaps and jitter on made-up clocks and on a real drive."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from metric_tables import drive, recording, times, without

from analyzer.metrics.measure import measure
from analyzer.metrics.rate import missing_after, nominal_interval, off_grid, rate_metrics, timeline


def values(seconds, **more):
    line = timeline(times(np.asarray(seconds, dtype=float)))
    return {m.key: m.value for m in rate_metrics(line, **more)}


@pytest.mark.parametrize("rate_hz", [0.5, 1, 2, 5, 10, 20, 50, 100])
def test_rate_is_found_through_jitter_and_losses(rate_hz):
    rng = np.random.default_rng(3)
    clock = np.arange(0, 400) / rate_hz
    clock = clock + rng.uniform(-0.04, 0.04, len(clock)) / rate_hz
    keep = rng.random(len(clock)) > 0.3
    assert values(clock[keep])["rate_hz"] == pytest.approx(rate_hz, rel=0.02)


def test_rounded_times_of_thirty_hertz():
    assert values(np.round(np.arange(900) / 30, 2))["rate_hz"] == pytest.approx(30.0, rel=0.005)


def test_occasional_early_epochs_are_no_gaps_and_a_late_one_is():
    clock = np.arange(100.0)
    early = np.delete(np.r_[clock, 50.6], 51)
    found = values(np.sort(early))
    assert (found["rate_hz"], found["missing_epochs"], found["longest_gap_s"]) == (1.0, 0, 0.0)
    late = clock[(clock < 40) | (clock >= 52)]
    found = values(late)
    assert (found["missing_epochs"], found["gap_count"], found["longest_gap_s"]) == (12, 1, 13.0)


@settings(max_examples=60, deadline=None)
@given(st.integers(20, 300), st.sets(st.integers(1, 298), max_size=40))
def test_missing_epochs_are_counted_exactly(count, lost):
    clock = np.delete(np.arange(count) * 0.1, sorted(i for i in lost if i < count - 1 and i % 3))
    line = timeline(times(clock))
    if line.nominal_s < 0.15:
        assert len(clock) + missing_after(line).sum() == count
    known = np.isfinite(line.interval_s)
    assert np.nansum(line.interval_s) + np.diff(line.seconds)[~known[:-1]].sum() == pytest.approx(clock[-1] - clock[0])


def test_a_regular_slower_stretch_is_a_lower_rate_and_no_loss():
    clock = np.r_[np.arange(0, 60, 1.0), np.arange(60, 200, 0.1)]
    result = values(clock)
    assert (result["rate_hz"], result["missing_epochs"]) == (10.0, 0)
    lost = clock[(clock < 20) | (clock > 25)]
    assert values(lost)["missing_epochs"] == 6


def test_epochs_off_the_grid_are_counted_only_where_a_grid_holds():
    clock = np.arange(0, 300.0)
    clock[100:104] += 0.4
    line = timeline(times(clock))
    assert np.flatnonzero(off_grid(line)).tolist() == [100, 101, 102, 103]
    drifting = np.cumsum(np.full(300, 1.003))
    assert not off_grid(timeline(times(drifting))).any()


def test_too_few_epochs_are_not_evaluated_and_duplicates_are_passed_on():
    one = {m.key: m for m in rate_metrics(timeline(times(np.array([0.0]))), duplicates=4)}
    assert not one["rate_hz"].evaluated and "two epochs" in one["rate_hz"].not_evaluated
    assert one["duplicate_epochs"].value == 4
    assert np.isnan(nominal_interval(np.array([])))
    assert measure(recording(drive(60), duplicates=3))["duplicate_epochs"].value == 3


def test_an_epoch_never_counts_across_a_gap():
    result = measure(recording(without(drive(120), 50.0, 60.0)))
    assert np.nansum(result.epochs["interval_s"]) == pytest.approx(119.9 - 10.1)
    assert result.epochs["interval_s"].isna().sum() == 2
    assert result.gaps["missing"].tolist() == [100]
