"""Rate and time left of a batch, by arithmetic."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.batch.pace import Pace


def test_before_the_first_drive_nothing_is_promised() -> None:
    start = Pace(16, total_bytes=1000)
    assert start.drives_per_minute is None and start.left_s is None and start.words() == "0 of 16 drives"


def test_half_done_needs_as_long_again() -> None:
    half = Pace(16, done=8, total_bytes=1000, done_bytes=500, elapsed_s=240.0, ended_s=240.0)
    assert half.drives_per_minute == pytest.approx(2.0) and half.left_s == pytest.approx(240.0)
    assert half.words() == "8 of 16 drives, 2 drives/min, about 4 min left"


def test_time_left_falls_while_a_drive_goes_on() -> None:
    later = Pace(16, done=8, total_bytes=1000, done_bytes=500, elapsed_s=300.0, ended_s=240.0)
    assert later.left_s == pytest.approx(180.0) and later.drives_per_minute == pytest.approx(2.0)


def test_drives_that_were_finished_before_cost_nothing() -> None:
    pace = Pace(10, done=1, skipped=8, total_bytes=200, done_bytes=100, elapsed_s=30.0, ended_s=30.0)
    assert pace.left_s == pytest.approx(30.0) and pace.ended == 9


def test_slow_batches_speak_of_hours() -> None:
    words = Pace(100, done=1, failed=1, total_bytes=100, done_bytes=2, elapsed_s=7200.0, ended_s=7200.0).words()
    assert words == "2 of 100 drives, 1 failed, 1 drives/h, about 4 days left"


def test_a_fast_batch_is_said_in_whole_drives() -> None:
    assert ", 5040 drives/min," in Pace(90, done=84, total_bytes=90, done_bytes=84, elapsed_s=1.0, ended_s=1.0).words()


def test_at_the_end_no_time_is_left() -> None:
    assert Pace(2, done=2, total_bytes=9, done_bytes=9, elapsed_s=5.0, ended_s=5.0).words() == "2 of 2 drives"


@given(st.integers(1, 50), st.integers(0, 50), st.integers(0, 10**9), st.integers(0, 10**9), st.floats(0.001, 1e6), st.floats(0, 1e6))
def test_time_left_is_never_negative(drives: int, done: int, total: int, part: int, elapsed: float, more: float) -> None:
    done, part = min(done, drives), min(part, total)
    left = Pace(drives, done=done, total_bytes=total, done_bytes=part, elapsed_s=elapsed + more, ended_s=elapsed).left_s
    assert left is None or left >= 0
    assert left is not None or done == 0
