"""Figures of the first screen: by time, not by count, and never better than what is there."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.assessment import Limit, Purpose
from analyzer.verdict.headline import distance_weight, headline, quantile, time_weight

LIMIT = Limit("h", "position", "horizontal", 0.10, "m", "95", "reason", "source")
PURPOSE = Purpose("lane", "lane 0.10 m", (LIMIT,), 1.5, "0" * 64)
NO_DROPOUT = pd.DataFrame({"kind": [], "duration_s": [], "start_distance_m": []})


def epochs(bound: list[float], trust: list[str], distance: list[float] | None = None) -> pd.DataFrame:
    return pd.DataFrame({"horizontal_bound_m": bound, "trust": pd.Categorical(trust),
                         "distance_m": np.arange(len(bound), dtype=float) if distance is None else distance})


def test_the_trusted_share_is_one_of_time_even_where_the_rate_changes() -> None:
    """Ten epochs of 0.1 s trusted and nine of 1 s not: a tenth of the time, though half of the epochs."""
    frame = epochs([0.02] * 10 + [0.5] * 9, ["trusted"] * 10 + ["rejected"] * 9)
    out = headline(frame, np.array([0.1] * 10 + [1.0] * 9), NO_DROPOUT, PURPOSE)
    assert out.recorded_s == pytest.approx(10.0)
    assert out.share_trusted == pytest.approx(0.1) and out.epochs_not_trusted == 9
    assert out.bound_worst_trusted_m == 0.02 and out.bound_best_m == 0.02


def test_an_epoch_before_missing_ones_counts_one_interval_not_the_gap() -> None:
    assert time_weight(np.array([0.1, np.nan, 0.1, np.nan])).tolist() == [0.1] * 4
    assert time_weight(np.array([np.nan])).tolist() == [1.0]
    driven = distance_weight(np.array([0.0, 5.0, 900.0, 901.0]), np.array([1, np.nan, 1, np.nan]))
    assert driven.tolist() == [5, 0, 1, 0]


def test_one_untrusted_epoch_at_the_end_never_disappears() -> None:
    frame = epochs([0.02, 0.02, 9.0], ["trusted", "trusted", "rejected"])
    out = headline(frame, np.array([1, 1, np.nan]), NO_DROPOUT, PURPOSE)
    assert out.share_trusted < 1 and out.epochs_not_trusted == 1


def test_availability_counts_time_without_a_bound_as_outside() -> None:
    frame = epochs([0.05, 0.08, 0.2, np.nan], ["trusted", "doubtful", "rejected", "rejected"])
    horizontal = headline(frame, np.ones(4), NO_DROPOUT, PURPOSE).availability[0]
    assert horizontal.limit_m == 0.10
    assert (horizontal.share_time_within_limit, horizontal.share_time_within_margin) == (0.5, 0.25)
    assert horizontal.curve["share_time"].tolist() == [0.25, 0.5, 0.75]
    assert horizontal.bound_p50_m == 0.08
    assert (horizontal.bound_p75_m, horizontal.bound_p95_m) == (0.2, 0.2)


def test_the_availability_table_has_shares_of_time_and_of_distance() -> None:
    """Of four seconds one is slow (2 m) and two are fast (10 m each); the last epoch leads nowhere and has no bound."""
    frame = epochs([0.05, 0.08, 0.2, np.nan], ["trusted"] * 4, [0.0, 2.0, 12.0, 22.0])
    purpose = replace(PURPOSE, limits=(replace(LIMIT, value=0.07),))
    table = headline(frame, np.ones(4), NO_DROPOUT, purpose).availability[0].table.set_index("limit_m")
    assert table.loc[[0.03, 0.05, 0.07, 0.1, 0.2, 10.0], "share_time"].tolist() == [0, 0.25, 0.25, 0.5, 0.75, 0.75]
    assert table.loc[[0.03, 0.05, 0.07, 0.1, 0.2, 10.0], "share_distance"].tolist() == pytest.approx([0, 2 / 22, 2 / 22, 12 / 22, 1, 1])
    nothing = headline(epochs([np.nan], ["rejected"]), np.ones(1), NO_DROPOUT, purpose).availability[0].table
    assert (nothing["share_time"] == 0).all() and nothing["share_distance"].isna().all()


def test_what_is_not_known_is_not_a_number_and_no_dropout_is_no_entry() -> None:
    out = headline(epochs([np.nan], ["not_evaluated"]), np.array([np.nan]), NO_DROPOUT, PURPOSE)
    assert np.isnan([out.bound_p95_m, out.bound_best_m, out.bound_worst_trusted_m]).all()
    assert np.isnan(out.availability[1].share_time_within_limit)
    assert out.share_trusted == 0 and out.lost == () and out.lost_by("fix_loss") is None


def test_dropouts_are_summed_by_kind_with_the_place_of_the_longest() -> None:
    kinds = ["fix_loss", "correction_outage", "correction_outage"]
    frame = pd.DataFrame({"kind": kinds, "duration_s": [4.0, 20.0, 51.0], "start_distance_m": [10.0, np.nan, 3420.0]})
    out = headline(epochs([0.02], ["trusted"]), np.array([1.0]), frame, PURPOSE)
    lost = out.lost_by("correction_outage")
    assert lost is not None and (lost.n, lost.total_s, lost.longest_s, lost.longest_start_m) == (2, 71.0, 51.0, 3420.0)
    assert [entry.kind for entry in out.lost] == ["correction_outage", "fix_loss"]


@given(st.lists(st.floats(0.001, 100), min_size=1, max_size=60), st.sampled_from([0.5, 0.75, 0.95, 1.0]))
def test_equal_weights_give_the_inverted_distribution_function(values: list[float], share: float) -> None:
    """numpy's `inverted_cdf` is the definition 1 of Hyndman and Fan, Sample quantiles, 1996."""
    array = np.array(values)
    assert quantile(array, np.ones(len(array)), share) == np.quantile(array, share, method="inverted_cdf")


@given(st.lists(st.one_of(st.floats(0.001, 10), st.just(float("nan"))), min_size=1, max_size=60), st.data())
def test_each_axis_has_the_quantiles_of_its_known_bounds(values: list[float], data: st.DataObject) -> None:
    """The curve and both quantiles come of one sorting; they are those of `quantile` and of the plain sum of time."""
    bound = np.array(values)
    time = np.array(data.draw(st.lists(st.floats(0.01, 2), min_size=len(bound), max_size=len(bound))))
    seen = headline(epochs(values, ["trusted"] * len(values)), time, NO_DROPOUT, PURPOSE).availability[0]
    known = np.isfinite(bound)
    expected = [quantile(bound[known], time[known], share) for share in (0.5, 0.75, 0.95)]
    np.testing.assert_array_equal([seen.bound_p50_m, seen.bound_p75_m, seen.bound_p95_m], expected)
    within = seen.table.set_index("limit_m")["share_time"]
    for limit, share in within.items():
        assert share == pytest.approx(time[known & (bound <= limit)].sum() / time.sum())
    # of equal bounds the curve has each epoch by itself: the last of them has all of their time
    for length, group in seen.curve.groupby("bound_m"):
        assert group["share_time"].iloc[-1] == pytest.approx(time[known & (bound <= length)].sum() / time.sum())
