"""Column maps: layout, units, clocks, axes, checks of the content."""

from __future__ import annotations

import datetime as dt
import itertools
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer.errors import InputError, UsageError
from analyzer.parsers.column_map import Clock, load_column_map, maps_for, parse_column_map
from analyzer.parsers.column_map_apply import Applied, RawTable, apply_map
from analyzer.parsers.column_map_order import longest_rising
from analyzer.parsers.column_map_units import factor_to
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


def _times(scale: str, cells: object, **extra: object) -> pd.DatetimeIndex:
    """Times of a table with a clock of this scale; `extra` are further columns or, as text, lines of [time]."""
    lines = "\n".join(str(v) for v in extra.values() if isinstance(v, str))
    text = SPEED.replace('scale = "unix_s"', f'scale = "{scale}"\n{lines}')
    columns = {k: v for k, v in extra.items() if not isinstance(v, str)}
    return pd.DatetimeIndex(_apply(text, t=cells, v=[1.0] * len(cells), **columns).table.index)  # type: ignore[arg-type]


# GPS week 2295, second 86418 is 2024-01-01T00:00:00Z (facts: leap-seconds.list, 18 s since 2017-01-01)
MOMENT = pd.Timestamp("2024-01-01T00:00:00Z")


@pytest.mark.parametrize(
    ("scale", "cells", "extra"),
    [
        ("iso_utc", ["2024-01-01T00:00:00Z", "2024-01-01T01:00:00.5+01:00"], {}),
        ("iso_utc", ["2024-01-01 00:00:00", "2024-01-01 00:00:00.500"], {}),
        # ISO 8601 allows comma and point before the digits of a second
        ("iso_utc", ["2024-01-01T00:00:00,000000Z", "2024-01-01T01:00:00,5+01:00"], {}),
        ("iso_utc", ["20240101T000000,0Z", "2024-01-01 00:00:00,500"], {}),
        ("unix_s", [1704067200.0, 1704067200.5], {}),
        ("unix_ms", [1704067200000, 1704067200500], {}),
        ("unix_us", [1704067200000000, 1704067200500000], {}),
        ("unix_ns", [1704067200000000000, 1704067200500000000], {}),
        ("gps_week_seconds", [86418.0, 86418.5], {"a": "week_column = 'w'", "w": [2295, 2295]}),
        ("gps_week_seconds", [86418.0, 86418.5], {"a": "week = 2295"}),
        ("time_of_day", ["00:00:00", "00:00:00.5"], {"a": "date = 2024-01-01"}),
        ("time_of_day", [0.0, 0.5], {"a": "date = '2024-01-01'"}),
        ("time_of_day", ["00:00:00", "00:00:00.5"], {"a": "date_column = 'd'", "d": ["2024-01-01", "2024-01-01"]}),
        ("relative", [10.0, 10.5], {"a": "start_utc = 2023-12-31T23:59:50Z"}),
        (
            "relative",
            [10000, 10500],
            {"a": "unit = 'ms'", "b": "anchor_clock = 9000", "c": "anchor_utc = 2023-12-31T23:59:59Z"},
        ),
        ("unix_s", [1704070800.0, 1704070800.5], {"a": "utc_offset_s = -3600"}),
    ],
)
def test_time_scales(scale: str, cells: list[object], extra: dict[str, object]) -> None:
    times = _times(scale, cells, **extra)
    assert list(times) == [MOMENT, MOMENT + pd.Timedelta(milliseconds=500)]
    assert str(times.dtype) == "datetime64[us, UTC]"


def test_a_comma_that_is_no_decimal_sign_of_seconds_makes_no_time() -> None:
    times = _times("iso_utc", ["2024-01-01T00:00:00Z", "2024-01-01T00:00:00,5,7Z", "2024,01-01T00:00:00Z", "2024-01-01T00:00:01Z"])
    assert list(times) == [MOMENT, MOMENT + pd.Timedelta(seconds=1)]


def test_a_clock_of_arrival_that_is_not_placed_is_named_as_such() -> None:
    raw = RawTable("table.csv", {"t": pd.Series([1.7e9, 1.7e9 + 1]), "boot": pd.Series([1.0, 2.0]), "v": pd.Series([1.0, 1.0])}, 2)
    known = parse_column_map('files = ["*"]\ntable = "measurement"\n[time]\ncolumn = "t"\nscale = "unix_s"\n[columns.speed_mps]\ncolumn = "v"\n'
                             'unit = "m/s"\n')
    late = replace(known, arrival=Clock(column="boot", scale="relative"))
    with pytest.raises(UsageError, match=r"the clock in column 'boot' is not UTC.*under \[arrival\], or leave \[arrival\] away"):
        apply_map(late, raw, ReadOptions())


def test_time_of_day_over_midnight_and_date_of_the_call() -> None:
    times = _times("time_of_day", ["23:59:59.5", "00:00:00", "11:00:00", "21:00:00", "00:30:00"])
    assert [str(t)[:19] for t in times] == ["2026-05-04 23:59:59", "2026-05-05 00:00:00", "2026-05-05 11:00:00",
                                            "2026-05-05 21:00:00", "2026-05-06 00:30:00"]


@pytest.mark.parametrize(("scale", "cells", "extra", "words"), [
    ("relative", [0.0, 1.0], {}, r"the clock in column 't' is not UTC.*add start_utc, or anchor_clock with anchor_utc, under \[time\]"),
    ("unix_s", ["x", "y"], {}, "column 't' holds no time of the scale unix_s.*first cell is 'x'"),
    ("unix_s", [1704067200000.0, 1704067200500.0], {}, "read as unix_s gives .* correct scale or unit"),
    ("iso_utc", [1.0, 2.0], {}, "holds numbers, not moments"),
])
def test_clocks_that_do_not_fit(scale: str, cells: list[object], extra: dict[str, object], words: str) -> None:
    with pytest.raises((InputError, UsageError), match=words):
        _times(scale, cells, **extra)


def test_time_running_backwards_names_the_row() -> None:
    cells = [1704067200.0, 1704067201.0, 1704067200.2, 1704067203.0]
    with pytest.raises(
        InputError, match=r"a\.csv: time in column 't' runs backwards by 0\.800 s at row 4 .*backwards = \"sort\""
    ):
        _times("unix_s", cells)
    applied = _apply(SPEED.replace("[columns", 'backwards = "sort"\n[columns'), t=cells, v=[0, 1, 2, 3])
    assert applied.table["speed_mps"].tolist() == [0, 2, 1, 3]
    assert [f.code for f in applied.findings] == ["time_backwards"]


def test_a_single_damaged_stamp_costs_its_row() -> None:
    cells = [1704067200.0 + i / 10 for i in range(500)]
    cells[100], cells[300] = 1904067200.0, 1104067200.0
    applied = _apply(SPEED, t=cells, v=[1.0] * 500)
    assert len(applied.table) == 498
    assert applied.table.index.is_monotonic_increasing
    assert "does not fit between those of their neighbours: 2 (first: row 102)" in applied.findings[0].text
    assert sum(e.size for e in applied.entries) == 1000
    with pytest.raises(InputError, match="split the file there"):
        _apply(SPEED, t=cells[250:] + cells[:250], v=[1.0] * 500)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(0, 20), max_size=12))
def test_longest_rising_is_rising_and_longest(values: list[int]) -> None:
    keep = longest_rising(np.asarray(values, dtype=np.int64))
    kept = np.asarray(values)[keep] if values else np.empty(0)
    assert (np.diff(kept) >= 0).all()
    longest = max((n for n in range(len(values) + 1)
                   if any(list(c) == sorted(c) for c in itertools.combinations(values, n))), default=0)
    assert len(kept) == longest


@pytest.mark.parametrize(
    ("unit", "target", "factor"),
    [
        # SI brochure, 9th ed., table 8: degree = pi/180 rad, hour 3600 s; knot, standard gravity by definition
        ("km/h", "m/s", 1 / 3.6),
        ("knot", "m/s", 1852 / 3600),
        ("kn", "m/s", 1852 / 3600),
        ("mph", "m/s", 0.44704),
        ("deg/s", "rad/s", np.pi / 180),
        ("°/s", "rad/s", np.pi / 180),
        ("rad", "deg", 180 / np.pi),
        ("g", "m/s2", 9.80665),
        ("mg", "m/s2", 0.00980665),
        ("m/s^2", "m/s2", 1.0),
        ("m/s²", "m/s2", 1.0),
        ("m s-2", "m/s2", 1.0),
        ("mm", "m", 0.001),
        ("ft", "m", 0.3048),
        ("rpm", "rad/s", 2 * np.pi / 60),
        ("-", "-", 1.0),
        ("%", "-", 0.01),
        ("dB-Hz", "dB-Hz", 1.0),
        ("[km/h]", "m/s", 1 / 3.6),
    ],
)
def test_units(unit: str, target: str, factor: float) -> None:
    assert factor_to(unit, target, quantity="q") == pytest.approx(factor, rel=1e-12)


@pytest.mark.parametrize(
    ("unit", "target"),
    [
        ("kg", "m"),
        ("m", "m/s"),
        ("Hz", "rad/s"),
        ("1/s", "rad/s"),
        ("m", "deg"),
        ("bananas", "m"),
        ("m//s", "m/s"),
        ("m", "-"),
        ("m/s", "dB-Hz"),
        ("(", "m"),
    ],
)
def test_wrong_units_are_refused_by_name(unit: str, target: str) -> None:
    with pytest.raises(ValueError, match="unit '" + unit.replace("(", r"\(")):
        factor_to(unit, target, quantity="q")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("unit_sign", ""), None),
        (
            ('column = "v"', 'column = "v"\nunit = "kg"'),
            r"line 9, key 'columns\.speed_mps\.unit': unit 'kg' does not fit speed_mps",
        ),
        (("[columns.speed_mps]", "[columns.speed_mps]\nwidth = 3"), r"key 'width' is not known in 'columns\.speed_mps'"),
        (("[columns.speed_mps]", "[columns]\nspeed_mps = \"v\"\n[columns.x_mps]"),
         r"line 8, key 'columns\.speed_mps': expected a table, such as \{ column = \"v\" \}"),
        (('table = "measurement"', 'table = "speeds"'), r"line 3, key 'table': 'speeds' is not one of"),
        (('table = "measurement"', 'table = "inertial"'), "the table inertial has no such column"),
        (('scale = "unix_s"', 'scale = "unix_days"'), r"line 6, key 'time\.scale'"),
        (('scale = "unix_s"', 'scale = "gps_week_seconds"'), "needs week_column"),
        (('scale = "unix_s"', 'scale = "relative"\nanchor_clock = 1.0'), "belong together"),
        (('scale = "unix_s"', 'scale = "relative"\nstart_utc = "noon"'), "'noon' is no moment"),
        (('scale = "unix_s"', 'scale = "time_of_day"\ndate = "monday"'), "'monday' is no day"),
        (("[time]", "[fix_state]\ncolumn='q'\ncodes={4='fixed'}\n[time]"), "belongs to maps of the table fixes"),
        (("[time]", "[time"), "not valid TOML"),
    ],
)
def test_errors_name_line_and_key(change: tuple[str, str], words: str | None) -> None:
    text = SPEED.replace(*change)
    if words is None:
        parse_column_map(text)
        return
    with pytest.raises(UsageError, match=words) as caught:
        parse_column_map(text, name="my.toml")
    assert "my.toml" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_near_miss_of_a_name_is_suggested() -> None:
    text = SPEED.replace("measurement", "fixes").replace("speed_mps", "latitude_degree")
    with pytest.raises(UsageError, match="did you mean 'latitude_deg'"):
        parse_column_map(text)


def test_load_from_file_and_patterns(tmp_path: Path) -> None:
    path = tmp_path / "map.toml"
    path.write_text(SPEED.replace('"*.csv"', '"day?_*.csv", "x.tsv"'), encoding="utf-8")
    used = load_column_map(path)
    assert used.name == str(path)
    assert used.serves("some/folder/DAY1_a.csv")
    assert used.serves("x.tsv")
    assert not used.serves("a.csv")
    with pytest.raises(UsageError, match="both make the table measurement"):
        maps_for("x.tsv", (used, used.__class__(**{**used.__dict__, "name": "other"})))
    with pytest.raises(UsageError, match="there is no such file"):
        load_column_map(tmp_path / "absent.toml")
