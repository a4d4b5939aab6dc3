"""Time scales, the UTC index and the leap second table."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer import timebase
from analyzer.tables import TIME_DTYPE


@given(st.integers(0, 3500), st.integers(0, 604_800_000_000 - 1))
def test_gps_round_trip(week: int, time_us: int) -> None:
    utc = timebase.gps_to_utc(week, time_us / 1e6)
    got_week, got_s = timebase.utc_to_gps(utc)
    back_us = int(got_week) * 604_800_000_000 + round(float(got_s) * 1e6)
    # inside a leap second UTC has no label of its own: the second after it is given
    assert back_us - (week * 604_800_000_000 + time_us) in (0, 1_000_000)


@given(st.integers(0, 1023), st.dates(date(1990, 1, 1), date(2100, 1, 1)))
def test_resolved_week_is_nearest(short: int, day: date) -> None:
    week = int(timebase.resolve_week(short, np.datetime64(day)))
    near = int(timebase.utc_to_gps(np.datetime64(day))[0])
    assert week % 1024 == short
    assert abs(week - near) <= 512


def test_leap_second_itself_gives_the_next_day() -> None:
    week, seconds = timebase.utc_to_gps(np.datetime64("2017-01-01T00:00:00"))
    inside = timebase.gps_to_utc(week, seconds - 0.5)
    assert inside == np.datetime64("2017-01-01T00:00:00.500000")


def test_day_and_time_keeps_missing_and_rounds() -> None:
    out = timebase.day_and_time([0, 1, np.nan], [0.1 + 0.2, np.nan, 1.0])
    assert out.dtype == np.dtype("datetime64[us]")
    assert out[0] == np.datetime64("1970-01-01T00:00:00.300000")
    assert np.isnat(out[1]) and np.isnat(out[2])


def test_utc_index_of_microseconds_and_times() -> None:
    index = timebase.utc_index(np.array([0, 1_500_000]))
    assert index.dtype == TIME_DTYPE
    assert index.name == "time_utc"
    assert index[1] == pd.Timestamp("1970-01-01T00:00:01.5Z")
    assert timebase.utc_index(np.array(["2024-01-01"], dtype="datetime64[s]"))[0] == pd.Timestamp("2024-01-01T00:00Z")


def test_time_of_day_us_marks_missing() -> None:
    assert timebase.time_of_day_us([0.0, 0.01, np.nan]).tolist() == [0, 10_000, -1]


def test_tables_agree_whatever_their_source(monkeypatch: pytest.MonkeyPatch) -> None:
    shipped = timebase.leap_seconds()
    monkeypatch.setattr(timebase, "_texts", list)
    built_in = timebase.leap_seconds.__wrapped__()
    count = len(built_in.starts)
    assert built_in.source.startswith("built-in")
    np.testing.assert_array_equal(shipped.starts[:count], built_in.starts)
    np.testing.assert_array_equal(shipped.gps_minus_utc_s[:count], built_in.gps_minus_utc_s)


def test_text_without_a_table_is_passed_over(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(timebase, "_texts", lambda: [("# nothing here\n", "empty file")])
    assert timebase.leap_seconds.__wrapped__().source.startswith("built-in")
