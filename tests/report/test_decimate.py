"""Fewer points, and nothing lost that anyone would look for."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import report_builders as builders
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer.report import explorer, view
from analyzer.report.decimate import decimate


def frame(n: int, *, seed: int = 1) -> pd.DataFrame:
    """Return `n` rows of noise at 100 Hz with a state that changes now and then."""
    rng = np.random.default_rng(seed)
    state = np.array(["fixed", "float"])[np.cumsum(rng.random(n) < 0.002) % 2] if n else np.array([], dtype=str)
    return pd.DataFrame(
        {
            "state": state,
            "bound": rng.exponential(1.0, n),
            "count": rng.integers(3, 20, n).astype(float),
            "group": np.where(rng.random(n) < 0.5, "a", "b") if n else state,
        },
        index=pd.date_range("2026-11-24", periods=n, freq="10ms", tz="UTC", unit="us"),
    )


@pytest.mark.parametrize("n", [0, 1, 2, 50])
def test_a_short_table_is_kept_whole(n: int) -> None:
    assert list(decimate(frame(n), buckets=50)) == list(range(n))


@settings(max_examples=40, deadline=None)
@given(n=st.integers(60, 4000), buckets=st.integers(3, 50), seed=st.integers(0, 1000))
def test_changes_and_extremes_survive(n: int, buckets: int, seed: int) -> None:
    full = frame(n, seed=seed)
    keep = decimate(full, buckets=buckets, changes=["state"], highest=["bound"], lowest=["count"], within=["group"])
    kept = full.iloc[keep]
    assert (np.diff(keep) > 0).all()
    assert {0, n - 1} <= set(keep)
    changes = np.flatnonzero(full["state"].to_numpy()[1:] != full["state"].to_numpy()[:-1]) + 1
    assert set(changes) | set(changes - 1) <= set(keep)
    assert kept["bound"].max() == full["bound"].max()
    assert kept["count"].min() == full["count"].min()
    for name, part in full.groupby("group"):
        assert kept.loc[kept["group"] == name, "bound"].max() == part["bound"].max()
    assert len(keep) <= buckets * 3 + 2 * len(changes) + 2 * 2 + 2


def test_each_slot_keeps_its_own_worst() -> None:
    full = frame(1000)
    keep = decimate(full, buckets=10, highest=["bound"])
    for part in np.array_split(np.arange(1000), 10):
        inner = part[1:-1]
        assert full["bound"].iloc[inner].max() <= full["bound"].iloc[np.intersect1d(part, keep)].max()


def test_missing_values_are_no_extremes() -> None:
    full = frame(500)
    full["bound"] = np.nan
    full.iloc[250, full.columns.get_loc("bound")] = 7.0
    assert 250 in decimate(full, buckets=5, highest=["bound"], lowest=["bound"])


def test_both_sides_of_an_interruption_are_kept() -> None:
    full = frame(500)
    breaks = np.zeros(500, dtype=bool)
    breaks[333] = True
    assert {332, 333} <= set(decimate(full, buckets=5, breaks=breaks))


def test_an_hour_at_100_hz_keeps_every_change_dropout_and_worst_bound() -> None:
    assessment = builders.assessment(duration_s=3600.0, rate_hz=100.0)
    full = view.build(assessment)
    thin = full.thinned(explorer.BUCKETS)
    assert len(full) > 350_000
    assert len(thin) < 15_000
    for name in ("fix_state", "trust", "window"):
        before, after = full.stretches(name), thin.stretches(name)
        pd.testing.assert_frame_equal(
            before[["value", "start_utc", "end_utc"]], after[["value", "start_utc", "end_utc"]]
        )
    assert set(thin.frame["dropout_id"].dropna()) == set(full.frame["dropout_id"].dropna())
    for row in assessment.dropouts.itertuples():
        part = full.frame[(full.frame.index >= row.start_utc) & (full.frame.index < row.end_utc)]
        shown = thin.frame[(thin.frame.index >= row.start_utc) & (thin.frame.index < row.end_utc)]
        assert (len(part) == 0) == (len(shown) == 0)
        if len(part):
            assert shown["horizontal_bound_m"].max() == part["horizontal_bound_m"].max()
            assert shown.index[0] == part.index[0]
    for name in assessment.windows["name"]:
        worst = full.frame.loc[full.frame["window"] == name, "horizontal_bound_m"].max()
        assert thin.frame.loc[thin.frame["window"] == name, "horizontal_bound_m"].max() == worst
    assert thin.breaks.sum() == full.breaks.sum() == 1


def test_rows_taken_some_at_a_time_are_those_of_the_whole_run(monkeypatch: pytest.MonkeyPatch) -> None:
    run = builders.assessment(duration_s=600.0)
    whole = view.build(run)
    monkeypatch.setattr(view, "LONG", 1000)
    monkeypatch.setattr(view, "PIECE", 700)
    monkeypatch.setattr(view, "FINEST", 300)
    thin = view.build(run)
    at = whole.frame.index.get_indexer(thin.frame.index)
    assert (at >= 0).all() and (np.diff(at) > 0).all() and 300 < len(at) < len(whole) // 2
    assert thin.breaks.tolist() == whole.breaks[at].tolist() and thin.breaks.sum() == whole.breaks.sum()
    assert list(thin.frame.columns) == list(whole.frame.columns)
    for name in whole.frame.columns:
        left, right = (x[name].astype(object if name in view.LABELS else float) for x in (thin.frame, whole.frame.iloc[at]))
        pd.testing.assert_series_equal(left, right)
    for name in ("horizontal_bound_m", "vertical_bound_m", "speed_mps"):
        assert thin.frame[name].max() == whole.frame[name].max()


def test_a_route_of_many_laps_is_drawn_in_place_without_chords() -> None:
    """Fifty laps of a circle of 400 m with one of them rejected: no line crosses it, and each way is drawn once per trust."""
    angle = np.linspace(0.0, 100.0 * np.pi, 20_000)
    trust = np.where((angle > 40.0) & (angle < 40.0 + 2.0 * np.pi), "rejected", "trusted")
    frame = pd.DataFrame({"east_m": 400.0 * np.cos(angle), "north_m": 400.0 * np.sin(angle), "trust": pd.Categorical(trust)},
                         index=pd.date_range("2026-11-24", periods=len(angle), freq="1s", tz="UTC"))
    breaks = np.zeros(len(angle), dtype=bool)
    breaks[10_000] = True
    frame.iloc[15_000:15_100, :2] = np.nan
    route = view.View(frame, breaks).in_place(100)
    assert len(route) < 4000, "more would not be seen"
    east, north = (route.frame[f"{axis}_m"].to_numpy() for axis in ("east", "north"))
    line = ~route.breaks[1:]
    middle = np.hypot(east[1:] + east[:-1], north[1:] + north[:-1])[line] / 2
    assert middle.min() > 390.0, "no chord"
    for name in ("trusted", "rejected"):
        here = np.arctan2(north, east)[route.frame["trust"].to_numpy() == name]
        assert np.diff(np.sort(here)).max() < 0.1, f"{name} all round"
