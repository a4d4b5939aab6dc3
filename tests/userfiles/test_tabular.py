"""Windows, crossing lines and check points."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analyzer.errors import UsageError
from analyzer.evidence.check_point_stands import is_pass
from analyzer.userfiles.setup_sheet import blank
from analyzer.userfiles.tabular import read_check_points, read_windows


def write(folder: Path, text: str) -> Path:
    path = folder / "file.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_windows_by_time_are_utc_whatever_zone_they_are_written_in(tmp_path: Path) -> None:
    found = read_windows(
        write(
            tmp_path,
            "# ours\nname;start_utc;end_utc\nM01;2026-03-24T09:00:00Z;2026-03-24T10:10:00+01:00\nM02;2026-03-24 09:20;2026-03-24 09:21\n",
        )
    )
    assert found.times["name"].tolist() == ["M01", "M02"] and found.lines.empty
    assert found.times["end_utc"][0] == pd.Timestamp("2026-03-24T09:10Z")
    assert found.times["start_utc"][1] == pd.Timestamp("2026-03-24T09:20Z")


@pytest.mark.parametrize(("start", "end", "bare"), [
    ("2026-03-24T09:00:00Z", "2026-03-24T09:01:00Z", False), ("2026-03-24T09:00:00+01:00", "2026-03-24T09:01:00+01:00", False),
    ("09:00Z", "09:01 UTC", False), ("09:00+01:00", "09:01+01:00", False),
    ("2026-03-24 09:00:00", "2026-03-24 09:01:00", True), ("2026-03-24T09:00:00Z", "2026-03-24T09:01:00", True), ("09:00", "09:01", True),
])
def test_times_without_a_zone_are_said_to_be_taken_as_utc(tmp_path: Path, start: str, end: str, bare: bool) -> None:
    found = read_windows(write(tmp_path, f"name,start_utc,end_utc\nA,2026-03-24T08:00:00Z,2026-03-24T08:01:00Z\nM01,{start},{end}\n"))
    assert [f.code for f in found.findings] == ["windows_without_zone"] * bare
    assert not bare or f"1 of 2 windows in file.csv have times without a zone, first '{start}' on line 3: they were taken as UTC" in found.findings[0].text


def test_crossing_lines(tmp_path: Path) -> None:
    head = "name,from_latitude_deg,from_longitude_deg,to_latitude_deg,to_longitude_deg\n"
    found = read_windows(write(tmp_path, head + "loop,48,11,48.1,11\nloop,48,11.1,48.1,11.1\n"))
    assert len(found.lines) == 2 and found.times.empty
    with pytest.raises(UsageError, match="3 lines"):
        read_windows(write(tmp_path, head + "loop,48,11,48.1,11\n" * 3))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "empty"),
        ("a,b\n1,2\n", "expected name"),
        ("name,start_utc,end_utc\nM01,2026-03-24T09:00:00Z,2026-03-24T08:00:00Z\n", "line 2: end_utc is not later"),
        ("name,start_utc,end_utc\nM01,noon,2026-03-24T08:00:00Z\n", "line 2: start_utc is 'noon'"),
        ("name,start_utc,end_utc\nM01,2026-03-24T08:00:00Z\n", "line 2: 2 cells"),
        ("name,start_utc,end_utc\nA,09:00,09:01\n#x\nA,09:02,09:03\n", "line 4: the name 'A' stands on line 2 as well"),
        ("name,start_utc,end_utc\n,2026-03-24T08:00:00Z,2026-03-24T09:00:00Z\n", "name is empty"),
        ("name,from_latitude_deg,from_longitude_deg,to_latitude_deg,to_longitude_deg\nx,95,0,0,0\n", "within ±90"),
    ],
)
def test_faulty_windows_are_refused_by_line(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        read_windows(write(tmp_path, text))


def test_check_points_keep_what_is_missing_empty(tmp_path: Path) -> None:
    text = "name,latitude_deg,longitude_deg,height_m,height_type,frame,epoch_year,sigma_h_m,sigma_v_m,antenna_above_mark_m\nK1,48,11,500.25,ellipsoidal,F1,2010,0.01,0.02,1.5\nK2,48,11,,,,,,,\n"
    found = read_check_points(write(tmp_path, text))
    assert found["height_m"][0] == 500.25 and np.isnan(found["height_m"][1]) and found["frame"][1] == ""
    assert found["start_utc"].isna().all()
    with pytest.raises(UsageError, match="height_type is 'tall'"):
        read_check_points(write(tmp_path, text.replace("ellipsoidal", "tall")))
    with pytest.raises(UsageError, match="latitude_deg is missing"):
        read_check_points(write(tmp_path, "name,height_m\nK1,1\n"))


@pytest.mark.parametrize(("column", "value", "words"), [
    ("sigma_h_m", "-0.01", "line 2: sigma_h_m is -0.01; expected 0 or more"), ("sigma_v_m", "-1", "sigma_v_m is -1"),
    ("antenna_above_mark_m", "165", "line 2: antenna_above_mark_m is 165; expected metres, at most 10; in centimetres it would be 1.65 m"),
    ("sigma_h_m", "5", "line 2: sigma_h_m is 5; expected metres, at most 1; in millimetres it would be 0.005 m"),
    ("antenna_above_mark_m", "-1.5", "antenna_above_mark_m is -1.5"),
    ("start_utc,end_utc", "2026-03-24T09:00:00Z,2026-03-24T08:00:00Z", "line 2: end_utc is before start_utc"),
    ("epoch_year", "26.2", "line 2: epoch_year is 26.2"), ("epoch_year", "20262", "epoch_year is 20262"),
])
def test_check_points_that_cannot_be_are_refused(tmp_path: Path, column: str, value: str, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        read_check_points(write(tmp_path, f"name,latitude_deg,longitude_deg,{column}\nK1,48,11,{value}\n"))


def test_a_pass_is_one_moment_given_twice(tmp_path: Path) -> None:
    """As the blank file and the README say it; a stand lasts."""
    head = "name,latitude_deg,longitude_deg,start_utc,end_utc\n"
    found = read_check_points(write(tmp_path, head + "K1,48,11,2026-03-24T09:00:00.125Z,2026-03-24T09:00:00.125Z\nK1,48,11,2026-03-24T09:01:00Z,2026-03-24T09:01:30Z\n"))
    assert is_pass(found).tolist() == [True, False]


def test_the_blank_list_of_marks_is_valid_and_so_is_its_example(tmp_path: Path) -> None:
    text = blank("check-points")
    assert read_check_points(write(tmp_path, text)).empty
    lines = text.splitlines()
    example = [line[2:] for line in lines[lines.index("# Example:") + 1:-1]]
    found = read_check_points(write(tmp_path, "\n".join([lines[-1], *example])))
    assert is_pass(found).tolist() == [False, False, True] and found["heading_deg"][1] == 270.0
    columns = lines[-1].split(",")
    assert not [c for c in columns if c != "name" and c not in " ".join(lines[:-1])], "each column is explained"


def test_a_header_alone_holds_nothing_and_must_be_the_right_one(tmp_path: Path) -> None:
    """Scripts write such files for drives without manoeuvres or marks; the judge says what was not checked."""
    header = "name,latitude_deg,longitude_deg,height_m,height_type,frame,epoch_year,sigma_h_m,sigma_v_m,antenna_above_mark_m\n"
    assert read_check_points(write(tmp_path, header)).empty
    found = read_windows(write(tmp_path, "name,start_utc,end_utc\n"))
    assert found.times.empty and found.lines.empty and [f.code for f in found.findings] == ["windows_empty"]
    with pytest.raises(UsageError, match="the columns are"):
        read_windows(write(tmp_path, header))
    with pytest.raises(UsageError, match="latitude_deg is missing"):
        read_check_points(write(tmp_path, "name,start_utc,end_utc\n"))


def test_decimal_commas_between_semicolons_are_read_where_no_point_stands_beside_them(tmp_path: Path) -> None:
    head = "name;latitude_deg;longitude_deg;height_m;antenna_above_mark_m;heading_deg;start_utc;end_utc\n"
    times = ";2026-03-24T09:00:00.500Z;2026-03-24T09:01:00Z\n"
    comma = read_check_points(write(tmp_path, head + "K,1;47,195458061;20,5;129,688;1,65;90" + times))
    point = read_check_points(write(tmp_path, head + "K,1;47.195458061;20.5;129.688;1.65;90" + times))
    pd.testing.assert_frame_equal(comma, point)
    assert comma["name"].tolist() == ["K,1"] and comma["latitude_deg"].tolist() == [47.195458061]
    with pytest.raises(UsageError, match="line 2: height_m is '1,129'"):
        read_check_points(write(tmp_path, head + "K1;47.195458061;20.5;1,129;1.65;90" + times))
    with pytest.raises(UsageError, match="line 2: latitude_deg is '47,195458061'"):
        read_check_points(write(tmp_path, head + "K1;47,195458061;20,5;1,129,5;1,65;90" + times))


def test_a_line_break_in_a_name_keeps_rows_and_line_numbers(tmp_path: Path) -> None:
    path = tmp_path / "w.csv"
    path.write_text('name;start_utc;end_utc\n"first\nlap";2026-03-24T08:00:00,5Z;2026-03-24T08:01:00,25Z\nsecond;2026-03-24T08:02:00Z;noon\n')
    with pytest.raises(UsageError, match="line 4: end_utc is 'noon'"):
        read_windows(path)
    path.write_text(path.read_text().replace("noon", "2026-03-24T08:03:00,75+00:00"))
    times = read_windows(path).times
    assert times["name"].tolist() == ["first\nlap", "second"]
    assert times["end_utc"].tolist() == [pd.Timestamp("2026-03-24T08:01:00.25Z"), pd.Timestamp("2026-03-24T08:03:00.75Z")]
