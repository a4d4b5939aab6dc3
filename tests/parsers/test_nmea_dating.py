"""Dates for times of day: midnight, gaps, sparse and late dates, unset clocks, repeated weeks, late leap seconds."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from analyzer.parsers.nmea_clock import CARRIED, DATED, GIVEN, NO_DAY, RETIMED, late_leap_step
from analyzer.parsers.nmea_dating import Dating, date_runs
from analyzer.timebase import DAY_US, day_number

SECOND = 1_000_000
DAY = day_number(date(2024, 5, 1))


def observe(instants: np.ndarray, *, every: int = 1, first: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """Return times of day and the dates of every n-th instant, as a log would show them."""
    day = np.full(len(instants), NO_DAY)
    day[first::every] = instants[first::every] // DAY_US
    return instants % DAY_US, day


def stretch(start: str, count: int, interval_us: int = SECOND) -> np.ndarray:
    return np.datetime64(start, "us").astype(np.int64) + np.arange(count) * interval_us


def run(
    instants: np.ndarray, day: np.ndarray, position: np.ndarray | None = None, *, given: date | None = None
) -> Dating:
    held = np.ones(len(instants), dtype=bool) if position is None else position
    return date_runs(instants % DAY_US, day, held, given=given)


def codes(dating: Dating) -> list[str]:
    return [finding.code for finding in dating.findings]


@settings(max_examples=150, deadline=None)
@given(
    start_us=st.integers(630_720_000 * SECOND, 3_439_756_800 * SECOND),  # 1989-12-27 to 2079-01-01
    rate=st.sampled_from([1, 2, 5, 10, 20, 25, 50, 100]),
    gaps=st.lists(st.tuples(st.integers(1, 299), st.integers(1, 11 * 3600)), max_size=4),
    every=st.integers(1, 40),
    data=st.data(),
)
def test_exact_times_come_back(
    start_us: int, rate: int, gaps: list[tuple[int, int]], every: int, data: st.DataObject
) -> None:
    interval = SECOND // rate
    steps = np.full(300, interval)
    for place, gap_s in gaps:
        steps[place] = gap_s * SECOND
    origin = start_us // interval * interval
    instants = origin + np.concatenate([[0], np.cumsum(steps[1:])])
    first = data.draw(st.integers(0, every - 1))
    time_us, day = observe(instants, every=every, first=first)
    dating = date_runs(time_us, day, np.ones(300, dtype=bool), given=None)
    np.testing.assert_array_equal(dating.instant_us, instants)
    np.testing.assert_array_equal(dating.origin == DATED, day != NO_DAY)
    assert not dating.findings


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 86_399), st.integers(1, 5 * 86_400), st.sampled_from([1, 10, 100]))
def test_gaps_of_any_length_between_dated_stretches(start_s: int, gap_s: int, rate: int) -> None:
    interval = SECOND // rate
    before = DAY * DAY_US + start_s * SECOND + np.arange(50) * interval
    instants = np.concatenate([before, before[-1] + gap_s * SECOND + np.arange(50) * interval])
    dating = run(instants, instants // DAY_US)
    np.testing.assert_array_equal(dating.instant_us, instants)
    assert not dating.findings


@settings(max_examples=60, deadline=None)
@example(1, 21, 10)
@example(8, 25, 10)
@given(st.integers(1, 200), st.integers(0, 200), st.sampled_from([1, 10, 100]))
def test_date_a_beat_late_at_midnight(before: int, after: int, rate: int) -> None:
    assume(before > after or after > rate)
    interval = SECOND // rate
    midnight = (DAY + 1) * DAY_US
    instants = midnight + np.arange(-before, after + 1) * interval
    late = np.minimum(rate, after + 1)
    assume(before > late or after > 2 * late)
    day = instants // DAY_US
    day[before: before + late] -= 1
    dating = run(instants, day)
    np.testing.assert_array_equal(dating.instant_us, instants)
    assert codes(dating) == ["date_beside_midnight"]
    assert np.all(dating.origin[before: before + late] == CARRIED)


def test_date_a_beat_early_before_midnight() -> None:
    instants = (DAY + 1) * DAY_US + np.arange(-40, 6) * SECOND // 10
    day = instants // DAY_US
    day[30:40] += 1
    dating = run(instants, day)
    np.testing.assert_array_equal(dating.instant_us, instants)
    assert codes(dating) == ["date_beside_midnight"]


def test_whole_day_gap_after_midnight_stays_a_gap() -> None:
    first = stretch("2024-05-01T23:59:50", 30)
    instants = np.concatenate([first, first[-1] + DAY_US + SECOND * np.arange(1, 31)])
    dating = run(instants, instants // DAY_US)
    np.testing.assert_array_equal(dating.instant_us, instants)
    assert not dating.findings


def test_backward_block_over_midnight_keeps_its_dates() -> None:
    line = stretch("2024-05-01T23:59:50", 20)
    instants = np.concatenate([line, line[5:15], stretch("2024-05-02T00:00:10", 10)])
    day = np.full(len(instants), NO_DAY)
    day[0] = instants[0] // DAY_US
    np.testing.assert_array_equal(run(instants, day).instant_us, instants)


@pytest.mark.parametrize(
    "wrong", ["1980-01-06T00:00:00", "1999-08-22T00:00:03", "2024-04-20T11:00:00", "2080-01-01T00:00:00"]
)
def test_clock_before_the_first_position_is_retimed(wrong: str) -> None:
    good = stretch("2024-05-01T09:13:22", 100, SECOND // 10)
    unset = stretch(wrong, 40, SECOND // 10)
    instants = np.concatenate([unset, good])
    position = np.arange(140) >= 45
    dating = run(instants, instants // DAY_US, position)
    np.testing.assert_array_equal(dating.instant_us[40:], good)
    np.testing.assert_array_equal(dating.instant_us[:40], good[0] - np.arange(40, 0, -1) * SECOND // 10)
    assert np.all(dating.origin[:40] == RETIMED)
    assert np.all(dating.origin[40:] == DATED)
    assert codes(dating) == ["clock_before_fix"]
    assert "40 epochs" in dating.findings[0].text


def test_two_unset_clocks_in_a_row() -> None:
    good = stretch("2024-05-01T09:13:22", 20)
    instants = np.concatenate([stretch("1980-01-06T00:00:00", 5), stretch("2006-01-01T00:00:00", 5), good])
    dating = run(instants, instants // DAY_US, np.arange(30) >= 10)
    np.testing.assert_array_equal(dating.instant_us, good[0] + (np.arange(30) - 10) * SECOND)


def test_wrong_date_with_right_time_of_day_before_the_fix() -> None:
    instants = stretch("2024-05-01T09:00:00", 60)
    day = instants // DAY_US
    day[:20] = day_number(date(2018, 1, 1))
    dating = run(instants, day, np.arange(60) >= 25)
    np.testing.assert_array_equal(dating.instant_us, instants)
    assert codes(dating) == ["clock_before_fix"]
    assert np.all(dating.origin[:20] == RETIMED)


def test_unset_clock_without_a_date() -> None:
    good = stretch("2024-05-01T09:13:22", 50)
    instants = np.concatenate([stretch("2024-05-01T00:00:02", 30), good])
    day = np.where(np.arange(80) < 30, NO_DAY, instants // DAY_US)
    dating = run(instants, day, np.arange(80) >= 30)
    np.testing.assert_array_equal(dating.instant_us, good[0] + (np.arange(80) - 30) * SECOND)
    assert codes(dating) == ["clock_before_fix"]


def test_dates_before_the_drive_with_positions_are_left_alone() -> None:
    instants = np.concatenate([stretch("2024-04-28T10:00:00", 30), stretch("2024-05-01T09:00:00", 30)])
    dating = run(instants, instants // DAY_US)
    np.testing.assert_array_equal(dating.instant_us, instants)
    assert not dating.findings


@pytest.mark.parametrize("gap_at", [None, 55])
@pytest.mark.parametrize("wrong", ["1980-01-06", "2024-04-30"])
def test_wrong_date_of_the_first_positions_is_mended_where_the_time_of_day_runs_on(wrong: str, gap_at: int | None) -> None:
    instants = stretch("2024-05-01T09:00:00", 200)
    if gap_at is not None:
        instants[gap_at:] += 60 * SECOND  # the majority of the first minute alone would be the wrong date
    day = instants // DAY_US
    day[:50] = day_number(date.fromisoformat(wrong))
    dating = run(instants, day)
    np.testing.assert_array_equal(dating.instant_us, instants)
    assert codes(dating) in (["clock_before_fix"], ["date_beside_midnight"])
    assert "50 epochs" in dating.findings[0].text


@pytest.mark.parametrize(("first", "rest"), [(60, 60), (1300, 2000)])
def test_days_between_halves_of_a_log_or_late_in_it_stay(first: int, rest: int) -> None:
    line = stretch("2024-05-01T09:00:00", first)
    instants = np.concatenate([line, line[-1] + 3 * DAY_US + SECOND * np.arange(1, rest + 1)])
    dating = run(instants, instants // DAY_US)
    np.testing.assert_array_equal(dating.instant_us, instants)
    assert not dating.findings


@pytest.mark.parametrize("gap_s", [1, 100])
def test_week_rollover_inside_the_log(gap_s: int) -> None:
    # week numbers repeat every 1024 weeks (GPS interface specification)
    first = stretch("2024-05-01T09:00:00", 40)
    instants = np.concatenate([first, first[-1] + gap_s * SECOND + np.arange(60) * SECOND])
    day = instants // DAY_US
    day[:40] -= 1024 * 7
    dating = run(instants, day)
    np.testing.assert_array_equal(dating.instant_us, instants)
    assert np.all(dating.origin[:40] == RETIMED)
    assert codes(dating) == ["week_rollover"]
    assert "1024 weeks" in dating.findings[0].text


def test_given_date_for_a_log_without_dates() -> None:
    instants = stretch("2024-05-01T23:59:30", 60)
    none = np.full(60, NO_DAY)
    dating = run(instants, none, given=date(2024, 5, 1))
    np.testing.assert_array_equal(dating.instant_us, instants)
    assert np.all(dating.origin == GIVEN)
    unknown = run(instants, none)
    assert unknown.undated
    np.testing.assert_array_equal(np.diff(unknown.instant_us), np.diff(instants))


def test_given_date_against_the_dates_of_the_log() -> None:
    instants = stretch("2024-05-01T09:00:00", 10)
    day = instants // DAY_US
    same = run(instants, day, given=date(2024, 5, 1))
    assert not same.findings
    other = run(instants, day, given=date(2024, 5, 3))
    np.testing.assert_array_equal(other.instant_us, instants)
    assert codes(other) == ["given_date_differs"]
    repaired = run(instants, day - 7168, given=date(2024, 5, 1))
    np.testing.assert_array_equal(repaired.instant_us, instants)
    assert codes(repaired) == ["week_rollover"]


def test_nothing_to_date() -> None:
    empty = np.empty(0, dtype=np.int64)
    assert len(date_runs(empty, empty, np.empty(0, dtype=bool), given=None).instant_us) == 0


def fresh(_earlier: np.ndarray, _later: np.ndarray) -> bool:
    return False


def replayed(_earlier: np.ndarray, _later: np.ndarray) -> bool:
    return True


@pytest.mark.parametrize(("seconds", "rate"), [(2, 1), (15, 1), (18, 1), (1, 10), (18, 10), (1, 100), (3, 100)])
def test_late_leap_second_step(seconds: int, rate: int) -> None:
    interval = SECOND // rate
    line = stretch("2024-05-01T09:00:00", 60 * rate, interval)
    late = 30 * rate
    instants = line.copy()
    instants[:late] += seconds * SECOND
    assert late_leap_step(instants, interval, repeats=fresh) == (late - 1, seconds)
    assert late_leap_step(instants, interval, repeats=replayed) is None


def test_out_of_order_block_is_no_leap_second() -> None:
    line = stretch("2024-05-01T09:00:00", 60)
    instants = np.concatenate([line[:20], line[30:40], line[20:30], line[40:]])
    assert late_leap_step(instants, SECOND, repeats=fresh) is None


def test_fraction_of_a_second_is_no_leap_second() -> None:
    line = stretch("2024-05-01T09:00:00", 60)
    instants = np.concatenate([line[:30] + 1_500_000, line[30:]])
    assert late_leap_step(instants, SECOND, repeats=fresh) is None


def test_step_late_in_the_log_is_no_leap_second() -> None:
    line = stretch("2024-05-01T09:00:00", 4000)
    instants = np.concatenate([line[:3000] + 2 * SECOND, line[3000:]])
    assert late_leap_step(instants, SECOND, repeats=fresh) is None


def test_two_steps_are_no_leap_second() -> None:
    line = stretch("2024-05-01T09:00:00", 200)
    instants = np.concatenate([line[:50] + 4 * SECOND, line[50:100] + 2 * SECOND, line[100:]])
    assert late_leap_step(instants, SECOND, repeats=fresh) is None
