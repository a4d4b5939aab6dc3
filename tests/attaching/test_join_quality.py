"""Rules by which quality gets onto the rows of a measurement."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer.attaching.join import NAMES, Quality, join

START = pd.Timestamp("2026-05-06T09:00:00Z")


def times(*seconds: float) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(START + pd.to_timedelta(np.rint(np.array(seconds) * 1e6), unit="us")).as_unit("us")


def quality(seconds: list[float], *, bounds: list[float] | None = None, states: list[str] | None = None,
            speed: float = 10.0, dropouts: list[tuple[int, float, float]] | None = None,
            windows: list[tuple[str, float, float]] | None = None) -> Quality:
    n = len(seconds)
    epochs = pd.DataFrame({
        "fix_state": pd.Categorical(states or ["fixed"] * n), "correction_age_s": np.arange(n, dtype=float),
        "satellites_used": np.arange(n, dtype=np.float32), "horizontal_bound_m": bounds or [0.02] * n,
        "vertical_bound_m": [0.04] * n, "trust": pd.Categorical(["trusted"] * n), "speed_mps": [speed] * n,
        "height_m": [100.0] * n,
    }, index=times(*seconds))
    gone = pd.DataFrame([(k, START + pd.Timedelta(seconds=a), START + pd.Timedelta(seconds=b)) for k, a, b in dropouts or []],
                        columns=["dropout_id", "start_utc", "end_utc"])
    spans = pd.DataFrame([(k, START + pd.Timedelta(seconds=a), START + pd.Timedelta(seconds=b)) for k, a, b in windows or []],
                         columns=["name", "start_utc", "end_utc"])
    return Quality(epochs, gone, spans)


GRID = [round(0.1 * k, 6) for k in range(20)]


def test_states_hold_and_bounds_take_the_larger() -> None:
    given_ = quality(GRID, bounds=[0.02] * 10 + [0.5] * 10, states=["fixed"] * 10 + ["float"] * 10)
    out = join(given_, times(0.85, 0.9, 0.95, 1.0))
    assert list(out["fix_state"]) == ["fixed", "fixed", "fixed", "float"]
    assert out["horizontal_bound_m"].tolist() == pytest.approx([0.02, 0.02, 0.5, 0.5])
    assert out["correction_age_s"].tolist() == [8, 9, 9, 10]
    assert list(out.columns) == list(NAMES)


def test_nothing_before_the_first_epoch_and_one_interval_behind_the_last() -> None:
    out = join(quality(GRID), times(-0.01, 0.0, 1.95, 2.0, 2.01))
    assert list(out["fix_state"]) == ["not_evaluated", "fixed", "fixed", "fixed", "not_evaluated"]
    assert out["horizontal_bound_m"].isna().tolist() == [True, False, False, False, True]
    assert list(out["trust"]) == ["not_evaluated", "trusted", "trusted", "trusted", "not_evaluated"]


def test_nothing_crosses_a_gap() -> None:
    holed = [t for t in GRID if not 0.55 < t < 1.45]
    out = join(quality(holed), times(0.5, 0.55, 0.61, 1.0, 1.49, 1.5))
    assert list(out["fix_state"]) == ["fixed", "fixed", "not_evaluated", "not_evaluated", "not_evaluated", "fixed"]
    # a tolerance longer than the gap does not open it
    wide = join(quality(holed), times(1.0), tolerance_s=60.0)
    assert wide["fix_state"].iloc[0] == "not_evaluated"


def test_a_short_tolerance_is_kept() -> None:
    out = join(quality(GRID), times(0.30, 0.32, 0.34), tolerance_s=0.03)
    assert list(out["fix_state"]) == ["fixed", "fixed", "not_evaluated"]


def test_the_bound_grows_by_speed_times_half_width() -> None:
    plain = join(quality(GRID, speed=30.0), times(0.5, 0.55))
    wide = join(quality(GRID, speed=30.0), times(0.5, 0.55), half_width_s=0.004)
    assert (wide["horizontal_bound_m"] - plain["horizontal_bound_m"]).tolist() == pytest.approx([0.12, 0.12], abs=1e-6)
    assert wide["vertical_bound_m"].tolist() == pytest.approx(plain["vertical_bound_m"].tolist())
    unknown = quality(GRID, speed=np.nan)
    assert join(unknown, times(0.5), half_width_s=0.01, speed_mps=np.array([20.0]))["horizontal_bound_m"].iloc[0] == pytest.approx(0.22)


def test_dropouts_and_windows_go_by_their_intervals() -> None:
    given_ = quality([t for t in GRID if not 0.55 < t < 1.45], dropouts=[(7, 0.5, 1.5)], windows=[("bend", 0.2, 0.8), ("all", 0.0, 5.0)])
    out = join(given_, times(0.4, 0.5, 1.0, 1.49, 1.5, 0.8))
    assert out["dropout_id"].isna().tolist() == [True, False, False, False, True, False]
    assert list(out["window"]) == ["bend", "bend", "all", "all", "all", "bend"]


def test_rows_without_a_time_stay() -> None:
    stamps = pd.DatetimeIndex([START, pd.NaT, START + pd.Timedelta(seconds=0.3)]).as_unit("us")
    out = join(quality(GRID, dropouts=[(1, 0.0, 1.0)], windows=[("a", 0.0, 1.0)]), stamps)
    assert list(out["fix_state"]) == ["fixed", "not_evaluated", "fixed"]
    assert out["dropout_id"].isna().tolist() == [False, True, False]
    assert out["window"].isna().tolist() == [False, True, False]


def test_a_missing_bound_stays_missing() -> None:
    out = join(quality(GRID, bounds=[np.nan if k == 5 else 0.02 for k in range(20)]), times(0.5, 0.55, 0.45))
    assert out["horizontal_bound_m"].isna().tolist() == [True, True, False]


@settings(max_examples=80, deadline=None)
@given(st.lists(st.integers(0, 400), min_size=1, max_size=60, unique=True), st.lists(st.integers(-50, 500), max_size=80), st.randoms())
def test_any_rows_keep_number_and_order(epochs: list[int], rows: list[int], random: object) -> None:
    known = quality([k / 20 for k in sorted(epochs)], bounds=[0.01 * (k + 1) for k in range(len(epochs))])
    stamps = times(*[r / 20 + 0.003 for r in rows]) if rows else times()
    out = join(known, stamps)
    assert len(out) == len(rows)
    order = list(range(len(rows)))
    random.shuffle(order)  # type: ignore[attr-defined]
    again = join(known, stamps[order])
    pd.testing.assert_frame_equal(again, out.iloc[order].reset_index(drop=True))
    moment = known.epochs.index.as_unit("us").asi8
    usual = known.interval_s * 1e6
    for stamp, row in zip(stamps.as_unit("us").asi8, out.itertuples(index=False), strict=True):
        before = np.searchsorted(moment, stamp, side="right") - 1
        if before < 0:
            assert row.fix_state == "not_evaluated"
            continue
        after = min(before + 1, len(moment) - 1)
        if row.fix_state == "not_evaluated":
            assert np.isnan(row.horizontal_bound_m)
            assert stamp - moment[before] > usual
        else:
            low, high = sorted(known.epochs["horizontal_bound_m"].iloc[[before, after]])
            assert low - 1e-6 <= row.horizontal_bound_m <= high + 1e-6
            assert stamp - moment[before] <= 1.5 * usual + 1
