"""The only interval arithmetic, held against plain loops."""

from __future__ import annotations

import numpy as np
import pandas as pd
from hypothesis import given
from hypothesis import strategies as st

from analyzer import intervals

flags = st.lists(st.booleans(), max_size=40)
times = st.integers(0, 60).map(float)
spans = st.lists(st.tuples(times, times).map(sorted), max_size=8).map(
    lambda rows: np.asarray(sorted(map(tuple, rows)), dtype=float).reshape(-1, 2))
GRID = np.arange(0, 60, 0.5) + 0.25


def inside(moments, rows):
    return np.array([any(a <= m <= b for a, b in rows) for m in moments], dtype=bool)


@given(flags)
def test_runs_cover_exactly_the_true_entries(mask):
    found = intervals.runs(mask)
    rebuilt = np.zeros(len(mask), dtype=bool)
    for start, end in found:
        assert start < end
        rebuilt[start:end] = True
    assert rebuilt.tolist() == list(mask)
    assert np.all(found[1:, 0] > found[:-1, 1])


@given(st.lists(st.integers(0, 2), max_size=40), flags)
def test_equal_runs_are_cut_at_changes_and_breaks(values, cuts):
    breaks = np.resize(np.asarray([*cuts, False]), len(values))
    found = intervals.equal_runs(values, breaks)
    assert [v for s, e in found for v in values[s:e]] == values
    for start, end in found:
        assert len(set(values[start:end])) == 1 and not breaks[start + 1:end].any()
        if start:
            assert values[start] != values[start - 1] or breaks[start]


@given(spans, st.integers(0, 5))
def test_joined_spans_cover_the_same_and_keep_pauses(rows, pause):
    joined = intervals.join_close(rows, float(pause))
    assert np.all(joined[1:, 0] - joined[:-1, 1] >= pause)
    assert np.all(inside(GRID, joined) >= inside(GRID, rows))
    if pause == 0:
        assert inside(GRID, joined).tolist() == inside(GRID, rows).tolist()


@given(spans, spans)
def test_subtraction_leaves_what_the_others_do_not_cover(rows, taken):
    rows = intervals.join_close(rows, 1e-9)
    left = intervals.subtract(rows, taken)
    assert inside(GRID, left).tolist() == (inside(GRID, rows) & ~inside(GRID, taken)).tolist()


@given(spans, st.lists(times, max_size=20))
def test_covered_agrees_with_a_loop(rows, moments):
    rows = intervals.join_close(rows, 1e-9)
    assert intervals.covered(moments, rows).tolist() == inside(moments, rows).tolist()


def test_seconds_since_an_origin():
    index = pd.DatetimeIndex(["2025-01-01T00:00:00.250Z", "2025-01-01T00:00:01.500Z"])
    assert intervals.seconds(index).tolist() == [0.0, 1.25]
    assert intervals.seconds(index, pd.Timestamp("2025-01-01T00:00:00Z")).tolist() == [0.25, 1.5]
    assert len(intervals.seconds(index[:0])) == 0
