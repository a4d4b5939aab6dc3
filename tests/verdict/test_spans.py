"""From a windows file to windows in time: what is said of crossing lines that make no pass."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analyzer import tables
from analyzer.errors import UsageError
from analyzer.userfiles.tabular import LINE_COLUMNS, WINDOW_COLUMNS, WindowFile
from analyzer.verdict.spans import window_spans

START = pd.Timestamp("2026-03-24T09:00:00Z")


def straight() -> pd.DataFrame:
    """Return 100 s due north at about 11 m/s along longitude 11."""
    seconds = np.arange(101.0)
    index = pd.DatetimeIndex(START + pd.to_timedelta(seconds, unit="s"))
    frame = pd.DataFrame({"latitude_deg": 48 + seconds * 1e-4, "longitude_deg": 11.0, "fix_state": "fixed"}, index=index)
    return tables.FIXES.conform(frame)


def across(name: str, at_s: float, *, east_deg: float = 0.0) -> tuple[object, ...]:
    """Return a line of 30 m across the way, where the car is after `at_s`."""
    latitude = 48 + at_s * 1e-4
    return name, latitude, 10.9998 + east_deg, latitude, 11.0002 + east_deg


def spans(*lines: tuple[object, ...], fixes: pd.DataFrame | None = None) -> tuple[pd.DataFrame, tuple[object, ...]]:
    frame = pd.DataFrame(lines, columns=list(LINE_COLUMNS))
    return window_spans(WindowFile(pd.DataFrame(columns=list(WINDOW_COLUMNS)), frame), straight() if fixes is None else fixes)


@pytest.mark.parametrize(("lines", "words"), [
    ((across("gate", 30.5),), "gate is crossed only once, at 09:00:30 UTC, so there is no pass between two crossings"),
    ((across("gate", 30.5, east_deg=0.01),), "gate is never crossed (the route comes within 7"),
    ((across("gate", 30.5), across("gate", 60.5, east_deg=0.01)), "gate is crossed on one line only once, at 09:00:30 UTC, and never on the other (the route comes within 7"),
])
def test_why_there_is_no_pass_is_said_by_line(lines: tuple[tuple[object, ...], ...], words: str) -> None:
    with pytest.raises(UsageError) as error:
        spans(*lines)
    assert words in str(error.value) and ("check latitude" in str(error.value)) == ("never" in words)


@pytest.mark.parametrize("line", [across("end", 100.0), ("short", 48.003, 10.9998, 48.003, 10.999995)], ids=["last place", "beside"])
def test_a_line_that_the_route_reaches_and_does_not_cross_is_not_put_down_to_coordinates(line: tuple[object, ...]) -> None:
    with pytest.raises(UsageError, match=r"is never crossed \(the route reaches it but does not go on by 1 m beyond it: the car turned") as error:
        spans(line)
    assert "check latitude" not in str(error.value)


def test_a_line_beside_those_that_make_passes_is_told_as_well() -> None:
    found, (finding,) = spans(across("A", 20.5), across("A", 40.5), across("A 1", 60.5))
    assert found["name"].tolist() == ["A 1"], "the pass of A, not the line A 1"
    assert "A 1 is crossed only once, at 09:01:00 UTC" in finding.text  # type: ignore[attr-defined]


def test_a_line_crossed_where_nothing_was_logged_is_told() -> None:
    whole = straight()
    holed = whole[(whole.index < START + pd.Timedelta(seconds=35)) | (whole.index > START + pd.Timedelta(seconds=50))]
    found, (finding,) = spans(across("A", 20.5), across("A", 40.5), fixes=holed)
    assert found["end_utc"].tolist() == [START + pd.Timedelta(seconds=51)]
    assert "1 crossing of lines lies where no position was logged (A 09:00:34 to 09:00:51 UTC)" in finding.text  # type: ignore[attr-defined]
    assert spans(across("A", 20.5), across("A", 40.5))[1] == ()


def test_a_line_with_one_end_elsewhere_is_refused_by_its_length() -> None:
    with pytest.raises(UsageError, match=r"the crossing line 'M' is \d+ km long; expected 500 m at the most: check latitude and longitude"):
        spans(across("A", 20.5), across("A", 40.5), ("M", 48.0, 11.0, 11.0, 48.0))


@pytest.mark.parametrize("end_deg", [10.999998, 11.000002], ids=["missed", "crossed"])
def test_a_line_that_ends_on_the_track_is_told(end_deg: float) -> None:
    _, findings = spans(across("A", 20.5), across("A", 40.5), ("B", 48.00605, 10.9998, 48.00605, end_deg), ("B", *across("B", 80.5)[1:]))
    assert "within 0.5 m: B. A lap may miss it" in next(f.text for f in findings if f.code == "line_too_short")  # type: ignore[attr-defined]


def test_the_same_line_twice_is_no_way_in_and_out() -> None:
    line = {"name": "A", "from_latitude_deg": 47.0, "from_longitude_deg": 20.0, "to_latitude_deg": 47.001, "to_longitude_deg": 20.0}
    t = pd.date_range("2026-04-14T08:00Z", periods=20, freq="s")
    fixes = pd.DataFrame({"latitude_deg": 47.0005, "longitude_deg": np.linspace(19.999, 20.001, 20), "fix_state": "fixed"}, index=t)
    with pytest.raises(UsageError, match="'A' stands in it twice with the same ends"):
        window_spans(WindowFile(pd.DataFrame(), pd.DataFrame([line, line])), fixes)
