"""Times that users write, with and without a date."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.cli.explain import parse_moment
from analyzer.errors import UsageError
from analyzer.userfiles.accept import read_accept
from analyzer.userfiles.moments import TimeOfDay, Undated, dated, read_moment
from analyzer.userfiles.tabular import read_check_points, read_windows
from analyzer.verdict.spans import window_spans

FIRST, LAST = pd.Timestamp("2026-03-24T08:05:00Z"), pd.Timestamp("2026-03-24T09:00:00Z")


@pytest.mark.parametrize(("text", "utc"), [
    ("08:11:00", "08:11:00"), ("8:11", "08:11:00"), ("08:11:00.25Z", "08:11:00.25"), ("08:11:00,25Z", "08:11:00.25"), ("10:11:00+02:00", "08:11:00"),
    ("01:30+02", "23:30:00"), ("23:30-0530", "05:00:00"), ("T08:11:00 UTC", "08:11:00"),
])
def test_a_time_of_day_is_kept_as_one(text: str, utc: str) -> None:
    found = read_moment(text)
    assert isinstance(found, TimeOfDay) and found.since_midnight == pd.Timedelta(utc)


@pytest.mark.parametrize("text", ["noon", "25:70", "8:11 am", "09", "", "24:00:00", "tomorrow 09:00", "03-24 08:11", "10:11:20+99:00"])
def test_what_has_no_date_never_gets_that_of_today(text: str) -> None:
    assert read_moment(text) is None


@pytest.mark.parametrize("text", ["05.04.2026 08:13:42", "4/5/2026 08:13", "14.04.2026 08:13:42", "14-04-2026T08:13:42Z"])
def test_day_and_month_before_the_year_are_not_guessed(text: str) -> None:
    assert read_moment(text) is None


@pytest.mark.parametrize("text", ["2026-04-05 08:13:42", "2026/04/05 08:13:42", "20260405T081342Z", "5 Apr 2026 08:13:42"])
def test_dates_that_can_mean_one_day_only_are_read(text: str) -> None:
    assert read_moment(text) == pd.Timestamp("2026-04-05T08:13:42Z")


@given(st.datetimes(min_value=pd.Timestamp("1981-01-01"), max_value=pd.Timestamp("2090-01-01")))
def test_a_moment_with_a_date_is_that_moment(moment: object) -> None:
    assert read_moment(f"{moment}") == pd.Timestamp(moment).tz_localize("UTC")  # type: ignore[arg-type]


def window(start: str, end: str) -> Undated:
    a, b = read_moment(start), read_moment(end)
    assert a is not None and b is not None
    return Undated(a, b, "line 2")


@pytest.mark.parametrize(("start", "end", "first", "last", "expected"), [
    ("08:11:00", "08:12:00", FIRST, LAST, ("2026-03-24T08:11Z", "2026-03-24T08:12Z")),
    ("10:11:00+02:00", "10:12:00+02:00", FIRST, LAST, ("2026-03-24T08:11Z", "2026-03-24T08:12Z")),
    ("08:00:00", "08:06:00", FIRST, LAST, ("2026-03-24T08:00Z", "2026-03-24T08:06Z")),  # begins before the drive
    ("23:58", "00:02", "2026-03-24T23:50Z", "2026-03-25T00:10Z", ("2026-03-24T23:58Z", "2026-03-25T00:02Z")),
    ("00:02", "00:04", "2026-03-24T23:50Z", "2026-03-25T00:10Z", ("2026-03-25T00:02Z", "2026-03-25T00:04Z")),
    ("2026-03-24T08:11:00Z", "08:12:00", FIRST, LAST, ("2026-03-24T08:11Z", "2026-03-24T08:12Z")),
    ("08:11:00", "2026-03-24T08:12:00Z", FIRST, LAST, ("2026-03-24T08:11Z", "2026-03-24T08:12Z")),
])
def test_the_drive_gives_the_date(start: str, end: str, first: object, last: object, expected: tuple[str, str]) -> None:
    found = dated(window(start, end), pd.Timestamp(first), pd.Timestamp(last))  # type: ignore[arg-type]
    assert found == tuple(map(pd.Timestamp, expected))


@pytest.mark.parametrize(("start", "end", "last", "words"), [
    ("12:00", "12:05", LAST, "on no day; write the date, like 2026-03-24T12:00"),
    ("08:12", "08:11", LAST, "its end '08:11' is not later than its start '08:12'"),
    ("08:12", "08:12", LAST, "is not later than its start"),
    ("08:11", "08:12", pd.Timestamp("2026-03-25T09:00Z"), "on 2 days; write the date"),
])
def test_what_the_drive_does_not_tell_is_refused(start: str, end: str, last: pd.Timestamp, words: str) -> None:
    found = dated(window(start, end), FIRST, last)
    assert isinstance(found, str) and words in found and found.count(". ") == 0


def test_a_windows_file_without_dates_is_laid_on_the_drive(tmp_path: Path) -> None:
    path = tmp_path / "w.csv"
    path.write_text("name,start_utc,end_utc\nA,08:11:00,08:12:00\nB,2026-03-24T08:20:00Z,2026-03-24T08:21:00Z\n")
    read = read_windows(path)
    fixes = pd.DataFrame({"latitude_deg": 48.0}, index=pd.DatetimeIndex([FIRST, LAST]))
    spans, _ = window_spans(read, fixes)
    assert spans["start_utc"].tolist() == [pd.Timestamp("2026-03-24T08:11Z"), pd.Timestamp("2026-03-24T08:20Z")]
    with pytest.raises(UsageError, match=r"w\.csv: line 2: '08:11:00' has no date"):
        window_spans(read, fixes.set_axis(fixes.index + pd.Timedelta("3h")))


def test_files_that_no_drive_can_date_are_refused(tmp_path: Path) -> None:
    marks, accept = tmp_path / "m.csv", tmp_path / "a.toml"
    marks.write_text("name,latitude_deg,longitude_deg,start_utc\nK1,48,11,08:11:00\n")
    with pytest.raises(UsageError, match="line 2: start_utc is '08:11:00', which has no date"):
        read_check_points(marks)
    for written in ('"08:11:00"', "08:11:00"):
        accept.write_text(f'[[entry]]\nstart_utc = {written}\nend_utc = "2026-03-24T08:12:00Z"\naction = "exclude"\nby = "B"\nreason = "r"\n')
        with pytest.raises(UsageError, match=r"entry 1: start_utc is '08:11:00', which has no date|start_utc"):
            read_accept(accept)


def test_a_moment_of_a_run_is_on_the_day_it_passes() -> None:
    times = pd.DatetimeIndex([FIRST, LAST])
    assert parse_moment("10:14:15+02:00", times) == pd.Timestamp("2026-03-24T08:14:15Z")
    with pytest.raises(UsageError, match=r"passes this time of day 2 times; name the day, like 2026-03-24T08:14:15Z"):
        parse_moment("08:14:15", pd.DatetimeIndex([FIRST, LAST + pd.Timedelta("1D")]))
    with pytest.raises(UsageError, match="outside the run"):
        parse_moment("12:00", times)
