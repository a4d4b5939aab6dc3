"""Windows from a marker: one per run of equal value other than zero or empty."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.attaching.marker_runs import marked_runs
from analyzer.errors import UsageError

START = pd.Timestamp("2026-05-06T09:00:00Z")


def times(count: int, step_s: float = 0.1) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(START + pd.to_timedelta(np.rint(np.arange(count) * step_s * 1e6), unit="us"))


def windows(values: object, step_s: float = 0.1, at: pd.DatetimeIndex | None = None) -> list[tuple[str, float, float]]:
    series = pd.Series(values)
    found = marked_runs(times(len(series), step_s) if at is None else at, series, channel="m.csv: channel 'x'").windows
    return [(n, (a - START).total_seconds(), (b - START).total_seconds()) for n, a, b in found.itertuples(index=False)]


def test_numbers_name_the_manoeuvres_and_repeats_are_counted() -> None:
    values = [0] * 10 + [3] * 20 + [0] * 10 + [4] * 10 + [3] * 10 + [0] * 5 + [3] * 5 + [0] * 5
    assert windows(values) == [("marker 3", 1.0, 3.0), ("marker 4", 4.0, 5.0), ("marker 3 (2)", 5.0, 6.0), ("marker 3 (3)", 6.5, 7.0)]


def test_a_level_of_0_and_1_in_every_kind_of_cell() -> None:
    level = np.r_[np.zeros(10), np.ones(20), np.zeros(10)]
    expected = [("marker 1", 1.0, 3.0)]
    assert windows(level) == windows(level.astype(bool)) == windows(level.astype(int).astype(str).tolist()) == expected
    assert windows(pd.Series(level).astype("Int64")) == windows(pd.Categorical(level.astype(int))) == expected


def test_text_names_itself_and_empty_or_off_ends_it() -> None:
    values = [""] * 10 + ["lane  change"] * 10 + [None] * 5 + ["Brake 40"] * 10 + [""] * 5 + ["lane change"] * 10
    assert [w[0] for w in windows(values)] == ["lane change", "Brake 40", "lane change (2)"]
    assert [w[0] for w in windows(["off"] * 10 + ["A"] * 10 + ["None"] * 10)] == ["A"]


def test_a_name_that_looks_like_a_repeat_stays_unique() -> None:
    names = [w[0] for w in windows(["a"] * 5 + ["off"] * 5 + ["a (2)"] * 5 + ["off"] * 5 + ["a"] * 5 + ["off"])]
    assert len(set(names)) == 3


@pytest.mark.parametrize("high", [5.0, 3.3, 1.0, 24.0])
def test_a_voltage_with_noise_is_a_level(high: float) -> None:
    rng = np.random.default_rng(1)
    level = np.r_[np.zeros(300), np.ones(100), np.zeros(300), np.ones(80), np.zeros(20)] * high
    noisy = level + 0.02 * high * rng.normal(size=len(level)).clip(-2, 2)
    noisy[300] = 0.45 * high  # caught on its way up
    found = windows(noisy, 0.01)
    assert [w[1:] for w in found] == [(pytest.approx(3.0, abs=0.02), pytest.approx(4.0, abs=0.011)), (7.0, pytest.approx(7.8))]
    assert len({w[0].removesuffix(" (2)") for w in found}) == 1


def test_rows_at_which_the_channel_was_not_sampled_hold_the_level() -> None:
    """A table that joins channels of different rates leaves the slow ones empty in between."""
    values = np.full(400, np.nan)
    values[::10] = np.r_[np.zeros(10), np.full(20, 2.0), np.zeros(10)]
    assert windows(values, 0.01) == [("marker 2", 1.0, 3.0)]
    without_zero = np.where(values == 0, np.nan, values)
    with pytest.raises(UsageError, match="no level"):
        windows(without_zero, 0.01)


def test_empty_rows_end_a_level_that_is_written_in_every_row() -> None:
    values = [""] * 10 + ["go"] * 30 + [""] * 20 + ["bend"] * 20 + [""] * 10 + ["0"] * 10
    assert windows(values) == [("go", 1.0, 4.0), ("bend", 6.0, 8.0)]


def test_a_channel_that_is_written_at_changes_only() -> None:
    at = pd.DatetimeIndex([START + pd.Timedelta(seconds=s) for s in (0, 10, 25, 100, 160)])
    assert windows([0, 1, 0, 2, 0], at=at) == [("marker 1", 10.0, 25.0), ("marker 2", 100.0, 160.0)]


def test_a_pause_of_the_measurement_ends_a_run() -> None:
    at = times(60)
    at = at[:20].append(at[20:] + pd.Timedelta(seconds=30))
    assert windows([1] * 60, at=at) == [("marker 1", 0.0, pytest.approx(2.0)), ("marker 1 (2)", 32.0, pytest.approx(35.9))]


def test_bounces_are_told_and_cut_nothing() -> None:
    values = np.r_[np.zeros(100), np.ones(300), np.zeros(200)]
    values[[102, 104, 250, 402]] = 1 - values[[102, 104, 250, 402]]
    found = marked_runs(times(600, 0.01), pd.Series(values), channel="x")
    start, end = ((found.windows[c][0] - START).total_seconds() for c in ("start_utc", "end_utc"))
    assert len(found.windows) == 1 and (start, end) == (pytest.approx(1.0, abs=0.06), pytest.approx(4.0, abs=0.03))
    assert found.bounces == 1, "bounces at the edges only move the edge"


def test_a_short_zero_between_two_manoeuvres_ends_the_first() -> None:
    values = [0] * 100 + [1] * 100 + [0] * 10 + [2] * 100 + [0] * 50
    assert windows(values, 0.01) == [("marker 1", 1.0, 2.0), ("marker 2", 2.1, 3.1)]


def test_rows_in_any_order_and_without_a_time() -> None:
    values = pd.Series([0] * 10 + [1] * 20 + [0] * 10)
    at = times(40)
    turned = pd.DatetimeIndex([*at[::-1], pd.NaT])
    assert windows(pd.Series([*values[::-1], 7]), at=turned) == [("marker 1", 1.0, 3.0)]


@pytest.mark.parametrize(("values", "words"), [
    (np.zeros(100), "holds no level"),
    (np.full(100, np.nan), "holds no level"),
    ([], "holds no level"),
    (np.linspace(0.05, 40.3, 1000), "different values and is no marker"),
    (np.arange(1000) % 16, "changes faster"),
    ([f"row {k}" for k in range(500)], "different values and is no marker"),
], ids=["zero", "empty", "no rows", "a speed", "a counter", "a comment per row"])
def test_what_is_no_marker_is_refused(values: object, words: str) -> None:
    with pytest.raises(UsageError, match=words) as error:
        windows(values)
    assert str(error.value).startswith("m.csv: channel 'x'") and str(error.value).endswith(".") and "\n" not in str(error.value)


@given(st.lists(st.tuples(st.integers(0, 4), st.integers(3, 30)), min_size=1, max_size=12))
def test_windows_are_the_runs_that_were_driven(pieces: list[tuple[int, int]]) -> None:
    values = np.concatenate([np.full(n, v) for v, n in pieces])
    wanted, last = [], None
    for value in values:
        if value != last and value:
            wanted.append(f"marker {value}")
        last = value
    if len(set(values.tolist())) == 1 and values[0] == 0:
        return
    if not wanted:
        return
    found = windows(values)
    assert [w[0].split(" (")[0] for w in found] == wanted
    assert len({w[0] for w in found}) == len(found)
    assert sum(b - a for _, a, b in found) == pytest.approx(0.1 * (np.count_nonzero(values) - bool(values[-1])), abs=1e-6)
