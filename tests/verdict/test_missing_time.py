"""Time in which nothing was logged is not usable time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analyzer import tables
from analyzer.metrics.metric import Metric
from analyzer.metrics.result import Metrics
from analyzer.verdict.missing_time import missing_time
from analyzer.verdict.purposes import load_purpose
from analyzer.verdict.run import judge_run, rate_level

START = pd.Timestamp("2026-04-14T08:00:00Z")


def run_of(hole_s: float, *, moved_m: float, trust: str = "trusted", reasons: str = "", second_source: int = 0) -> tuple[pd.DataFrame, Metrics]:
    """Return 100 s of epochs at 10 Hz before and behind a hole, and their metrics."""
    seconds = np.r_[np.arange(0, 100, 0.1), 99.9 + hole_s + np.arange(0, 100, 0.1)]
    index = pd.DatetimeIndex(START + pd.to_timedelta(seconds, unit="s"))
    count = len(index)
    epochs = tables.EPOCHS.conform(pd.DataFrame({
        "fix_state": pd.Categorical(["fixed"] * count), "trust": pd.Categorical([trust] * count, categories=tables.TRUST),
        "reasons": pd.Categorical([reasons] * count), "source_id": np.repeat([0, second_source], count // 2)}, index=index))
    gaps = pd.DataFrame({"start_utc": index[[999]], "end_utc": index[[1000]], "duration_s": [hole_s], "bridged_m": [moved_m]})
    interval = np.where(np.arange(count) == 999, np.nan, 0.1)
    return epochs, Metrics((Metric("rate_hz", 10.0, "Hz", count, "test"),), pd.DataFrame({"interval_s": interval}, index=index),
                           pd.DataFrame(), pd.DataFrame(), gaps, pd.DataFrame(), pd.DataFrame())


@pytest.mark.parametrize(("hole_s", "moved_m", "missing_s"), [
    (20.0, 300.0, 19.9), (20.0, 0.0, 19.9), (400.0, 6000.0, 399.9), (400.0, 3.0, 0.0), (400.0, np.nan, 399.9)])
def test_holes_count_but_for_those_in_which_the_car_was_parked(hole_s: float, moved_m: float, missing_s: float) -> None:
    epochs, metrics = run_of(hole_s, moved_m=moved_m)
    assert missing_time(epochs, metrics) == pytest.approx(missing_s)


def test_who_parks_and_begins_anew_elsewhere_lost_nothing() -> None:
    epochs, metrics = run_of(3600.0, moved_m=900.0)
    stands = np.where((np.arange(2000) >= 900) & (np.arange(2000) < 1100), 1.0, np.nan)
    at_rest = replace(metrics, epochs=metrics.epochs.assign(standstill_id=pd.array(stands, dtype="Int32")))
    assert missing_time(epochs, at_rest) == 0.0
    driving = replace(metrics, epochs=metrics.epochs.assign(standstill_id=pd.array(np.where(np.arange(2000) < 1000, stands, np.nan), dtype="Int32")))
    assert missing_time(epochs, driving) == pytest.approx(3599.9)


def test_between_two_files_the_recording_paused() -> None:
    assert missing_time(*run_of(400.0, moved_m=6000.0, second_source=1)) == 0.0


def test_a_hole_beside_what_is_excluded_does_not_count() -> None:
    epochs, metrics = run_of(20.0, moved_m=300.0)
    assert missing_time(epochs.iloc[1000:], metrics) == 0.0
    assert missing_time(epochs.iloc[:0], metrics) == 0.0


def test_a_run_with_a_hole_is_not_fit_as_a_whole_and_says_why() -> None:
    epochs, metrics = run_of(20.0, moved_m=300.0)
    found = judge_run(epochs, tables.WINDOWS.empty(), metrics, load_purpose("lane"))
    assert found.level == "fit_with_exclusions"
    assert "90.9 % of the time" in found.sentences[0] and "no epoch was logged (9.1 % of the time)" in found.sentences[1]
    epochs, metrics = run_of(400.0, moved_m=6000.0)
    assert judge_run(epochs, tables.WINDOWS.empty(), metrics, load_purpose("lane")).level == "not_fit"
    epochs, metrics = run_of(0.1, moved_m=1.0)
    assert judge_run(epochs, tables.WINDOWS.empty(), metrics, load_purpose("lane")).level == "fit"


@pytest.mark.parametrize(("reasons", "level"), [("not_recorded", "not_evaluated"), ("not_recorded,speed", "not_fit")])
def test_what_breaks_a_limit_is_not_fit_though_another_quantity_is_not_recorded(reasons: str, level: str) -> None:
    epochs, metrics = run_of(0.1, moved_m=1.0, trust="not_evaluated", reasons=reasons)
    assert judge_run(epochs, tables.WINDOWS.empty(), metrics, load_purpose("lane")).level == level


def test_a_rate_that_is_too_low_fails_whatever_else_is_not_evaluated() -> None:
    purpose = load_purpose("vehicle_dynamics")
    assert rate_level("not_evaluated", 1.0, purpose)[0] == "not_fit"
    assert rate_level("not_evaluated", None, purpose)[0] == "not_evaluated"
    assert rate_level("not_evaluated", 100.0, purpose)[0] == "not_evaluated"
