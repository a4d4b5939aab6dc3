"""What a column map makes of the content of a file: values, units, axes, states, and what it refuses."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from analyzer.errors import InputError, UsageError
from analyzer.parsers.column_map import parse_column_map
from analyzer.parsers.column_map_apply import Applied, RawTable, apply_map
from analyzer.parsers.column_map_cells import numbers
from analyzer.parsers.reader import ReadOptions

SPEED = """
files = ["*.csv"]
table = "measurement"
[time]
column = "t"
scale = "unix_s"
[columns.speed_mps]
column = "v"
"""


def _apply(text: str, *, name: str = "a.csv", units: dict[str, str] | None = None, **columns: object) -> Applied:
    data = {key: pd.Series(value) for key, value in columns.items()}
    raw = RawTable(name, data, len(next(iter(data.values()))), units or {}, first_row=2)
    return apply_map(parse_column_map(text), raw, ReadOptions(source_id=3, date=dt.date(2026, 5, 4)))


def test_wrong_column_is_named_with_what_there_is() -> None:
    with pytest.raises(UsageError, match=r"a\.csv has no column 'v', which column map .* names; did you mean 'vv'"):
        _apply(SPEED, t=[1704067200.0], vv=[1.0])


def test_values_are_converted_and_extra_factors_applied() -> None:
    text = SPEED.replace('column = "v"', 'column = "v"\nunit = "km/h"\nfactor = -1\noffset = 2.0')
    table = _apply(text, t=[1704067200.0, 1704067201.0], v=[36.0, 72.0]).table
    assert table["speed_mps"].tolist() == pytest.approx([-8.0, -18.0])
    assert table["source_id"].tolist() == [3, 3]


def test_unit_of_the_file_against_the_map() -> None:
    with pytest.raises(InputError, match=r"column 'v' is in km/h by the file itself, .* set unit = \"km/h\""):
        _apply(SPEED, units={"v": "km/h"}, t=[1704067200.0], v=[1.0])
    text = SPEED.replace('column = "v"', 'column = "v [km/h]"\nunit = "m/s"')
    with pytest.raises(InputError, match="is in km/h by the file itself"):
        _apply(text, **{"t": [1704067200.0], "v [km/h]": [1.0]})


def test_mixed_units_in_cells() -> None:
    with pytest.raises(InputError, match=r"column 'v' mixes units \('km/h' in row 2, 'm/s' in row 3\)"):
        _apply(SPEED, t=[1704067200.0, 1704067201.0], v=["36 km/h", "10 m/s"])
    with pytest.raises(InputError, match=r"mixes units \('km/h' in row 3, none in row 2\)"):
        _apply(SPEED, t=[1704067200.0, 1704067201.0], v=["36", "36 km/h"])
    text = SPEED.replace('column = "v"', 'column = "v"\nunit = "km/h"')
    table = _apply(text, t=[1704067200.0, 1704067201.0], v=["36 km/h", "72 km/h"]).table
    assert table["speed_mps"].tolist() == pytest.approx([10.0, 20.0])


def test_single_text_cells_are_missing_and_counted() -> None:
    applied = _apply(SPEED, t=[1704067200.0 + i for i in range(4)], v=["1", "err", "", "4"])
    assert applied.table["speed_mps"].isna().tolist() == [False, True, True, False]
    field = next(e for e in applied.entries if e.kind == "field")
    assert (field.tag, field.count, field.size, field.cases[0].start, field.cases[0].excerpt) == ("v", 1, 1, 3, "err")
    assert sum(e.size for e in applied.entries) == 4 * 2
    assert "row 3, 'err'" in applied.findings[0].text


def test_a_column_of_text_is_the_wrong_column() -> None:
    with pytest.raises(InputError, match=r"column 'v' is no column of numbers .*name another column"):
        _apply(SPEED, t=[1704067200.0, 1704067201.0], v=["on", "off"])


def test_missing_marks() -> None:
    text = SPEED.replace("[time]", "missing = [-999, 'err']\n[time]")
    assert _apply(text, t=[1704067200.0, 1704067201.0], v=[-999.0, 1.0]).table["speed_mps"].isna().tolist() == [
        True,
        False,
    ]
    assert _apply(text, t=[1704067200.0, 1704067201.0], v=["err", "1"]).findings == ()


def test_rows_without_time_are_set_aside_and_balance() -> None:
    applied = _apply(SPEED, t=["1704067200", "", "1704067202"], v=[1.0, 2.0, 3.0])
    assert applied.table["speed_mps"].tolist() == [1.0, 3.0]
    assert sum(e.size for e in applied.entries) == 6
    assert next(e for e in applied.entries if e.kind == "field").tag == "row without a time"


INERTIAL = """
files = ["*.csv"]
table = "inertial"
[time]
column = "t"
scale = "unix_s"
[columns.acceleration_x_mps2]
column = "ax"
[columns.acceleration_y_mps2]
column = "ay"
[columns.acceleration_z_mps2]
column = "az"
[columns.rate_z_radps]
column = "wz"
"""
AT = [1704067200.0, 1704067201.0, 1704067202.0]


def test_axes_forward_right_down() -> None:
    text = INERTIAL.replace("[columns.rate_z", '[axes]\nframe = "forward_right_down"\n[columns.rate_z')
    table = _apply(text, t=AT, ax=[1.0] * 3, ay=[2.0] * 3, az=[-9.7] * 3, wz=[0.1] * 3).table
    # ISO 8855:2011: x forward, y left, z up
    assert table.iloc[0][
        ["acceleration_x_mps2", "acceleration_y_mps2", "acceleration_z_mps2", "rate_z_radps"]
    ].tolist() == [1.0, -2.0, 9.7, -0.1]


def test_all_zero_channel_is_named_and_not_used() -> None:
    applied = _apply(INERTIAL, t=AT, ax=[0.1] * 3, ay=[0.0] * 3, az=[9.8] * 3, wz=[0.1, 0.0, 0.0])
    assert [f.code for f in applied.findings] == ["all_zero_channel"]
    assert "column 'ay' (acceleration_y_mps2) is zero in all 3 rows" in applied.findings[0].text
    assert applied.table["acceleration_y_mps2"].isna().all()


def test_acceleration_in_g_is_seen() -> None:
    with pytest.raises(InputError, match=r"median norm of 1 m/s2 .* but 9\.81 with g: set unit = \"g\""):
        _apply(INERTIAL, t=AT, ax=[0.01] * 3, ay=[0.01] * 3, az=[1.0] * 3, wz=[0.1] * 3)
    applied = _apply(INERTIAL, t=AT, ax=[0.3] * 3, ay=[0.01] * 3, az=[0.2] * 3, wz=[0.1] * 3)
    assert [f.code for f in applied.findings] == ["no_gravity"]


def test_rates_in_degrees_are_seen() -> None:
    with pytest.raises(
        InputError, match=r"column 'wz' read as rate_z_radps has a median of 90, beyond the possible 35"
    ):
        _apply(INERTIAL, t=AT, ax=[0.01] * 3, ay=[0.01] * 3, az=[9.8] * 3, wz=[90.0] * 3)


FIXES = """
files = ["*.csv"]
table = "fixes"
solution_kind = "fused"
[time]
column = "t"
scale = "unix_s"
[columns.latitude_deg]
column = "lat"
[columns.longitude_deg]
column = "lon"
[columns.height_msl_m]
column = "h"
[columns.geoid_separation_m]
column = "n"
[columns.station_id]
column = "id"
[fix_state]
column = "q"
codes = { 4 = "fixed", 5 = "float", 0 = "no_fix" }
"""


def test_fixes_with_states_heights_and_duplicates() -> None:
    applied = _apply(FIXES, t=[*AT, AT[2]], lat=[48.0, 48.1, 91.0, 48.3], lon=[9.0] * 4, h=[400.0] * 4, n=[47.0] * 4,
                     id=[1.0, np.nan, 2.0, 2.0], q=[4, 5, 9, 0])
    table = applied.table
    assert table["fix_state"].tolist()[:2] == ["fixed", "float"]
    assert table["fix_state"].isna().tolist() == [False, False, True]
    assert table["fix_state_source"].tolist()[:2] == ["reported", "reported"]
    assert table["height_m"].tolist() == [447.0] * 3
    assert np.isnan(table["latitude_deg"].iloc[2])
    assert table["station_id"].tolist()[::2] == [1, 2]
    assert table["solution_kind"].unique().tolist() == ["fused"]
    assert {f.code for f in applied.findings} == {"unreadable_cells", "unknown_code"}
    assert next(e for e in applied.entries if e.kind == "duplicate_epoch").count == 1
    assert sum(e.size for e in applied.entries) == 4 * 7
    with pytest.raises(UsageError, match="'fixd' is no state; use one of fixed"):
        parse_column_map(FIXES.replace('"fixed"', '"fixd"'))


def test_rows_marked_invalid_hold_no_values() -> None:
    text = FIXES.replace("[fix_state]", '[valid]\ncolumn = "ok"\nvalues = [1]\n[fix_state]')
    applied = _apply(text, t=AT, lat=[48.0, 0.5, 48.2], lon=[9.0] * 3, h=[400.0] * 3, n=[47.0] * 3, id=[1.0] * 3,
                     q=[4, 4, 4], ok=[1.0, 0.0, 1.0])
    assert applied.table["latitude_deg"].isna().tolist() == [False, True, False]
    assert [(f.code, f.evidence["count"]) for f in applied.findings] == [("marked_invalid", 1)]


def test_longitude_and_course_come_in_one_range() -> None:
    text = FIXES.replace("[fix_state]", '[columns.course_deg]\ncolumn = "c"\n[fix_state]')
    table = _apply(text, t=AT, lat=[48.0] * 3, lon=[359.0, -1.0, 180.0], h=[400.0] * 3, n=[47.0] * 3, id=[1.0] * 3,
                   q=[4, 4, 4], c=[-90.0, 90.0, 360.0]).table
    assert table["longitude_deg"].tolist() == [-1.0, -1.0, 180.0]
    assert table["course_deg"].tolist() == [270.0, 90.0, 360.0]


def test_decimal_comma_in_text_cells() -> None:
    cells = numbers(pd.Series(["1,5", "-2,25e1", ""]), column="c", name="n", decimal=",")
    assert cells.values.tolist()[:2] == [1.5, -22.5]
    assert not cells.bad.any()
