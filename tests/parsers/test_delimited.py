"""Delimited text in all the ways loggers and spreadsheets write it, and proposals of column maps."""

from __future__ import annotations

import argparse
import hashlib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer.errors import InputError, UsageError
from analyzer.parsers import delimited
from analyzer.parsers.column_map import parse_column_map
from analyzer.parsers.column_map_propose import propose_column_map
from analyzer.parsers.delimited_dialect import detect, split, unique
from analyzer.parsers.reader import ReadOptions, ReadPart
from analyzer.parsers.reading import read
from analyzer.parsers.sources import open_sources

MAP = """
files = ["*"]
table = "measurement"
[time]
column = "time"
scale = "unix_s"
[columns.speed_mps]
column = "speed"
unit = "km/h"
[columns.marker]
column = "marker"
"""
ROWS = [(1704067200.0 + i / 10, 36.0 + i, i % 2) for i in range(30)]


def _read(
    tmp_path: Path, text: str | bytes, toml: str = MAP, *, encoding: str = "utf-8", name: str = "log.txt"
) -> ReadPart:
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
    raws, _ = open_sources([path])
    assert delimited.recognise(raws[0].head(), raws[0].base_name) > 0.5
    return delimited.read(raws[0], ReadOptions(maps=(parse_column_map(toml),)))


def _text(delimiter: str = ",", decimal: str = ".", *, head: str = "", units: str = "", end: str = "\n") -> str:
    lines = [f"time{delimiter}speed{delimiter}marker{delimiter}spare"]
    lines += [units] if units else []
    lines += [delimiter.join((f"{t:.1f}".replace(".", decimal), f"{v:.2f}".replace(".", decimal), str(m), "7"))
              for t, v, m in ROWS]
    return head + end.join(lines) + end


@pytest.mark.parametrize(("text", "encoding"), [
    (_text(), "utf-8"),
    (_text(";", ","), "utf-8"),
    (_text("\t"), "utf-8"),
    (_text("\t", ","), "utf-8"),
    (_text("|"), "utf-8"),
    (_text("   "), "utf-8"),
    (_text(end="\r\n"), "utf-8"),
    (_text(end="\r"), "utf-8"),
    (_text(), "utf-8-sig"),
    (_text(";", ","), "utf-16"),
    (_text(), "utf-16-le"),
    (_text(head="# logger 7 at 20 °C\n# second line, with a comma\n"), "cp1252"),
    (_text(head="% note\n"), "utf-8"),
    (_text(head="Report of a drive\nCar;blue\n\n", delimiter=";", decimal=","), "utf-8"),
    (_text(units="s,km/h,-,-"), "utf-8"),
    (_text(units="[s],[km/h],[-],[-]"), "utf-8"),
    (_text()[:-1], "utf-8"),
])
def test_dialects(tmp_path: Path, text: str, encoding: str) -> None:
    part = _read(tmp_path, text, encoding=encoding)
    table = part.tables["measurement"]
    assert table["speed_mps"].to_numpy() == pytest.approx([v / 3.6 for _, v, _ in ROWS])
    assert table["marker"].tolist() == [m for *_, m in ROWS]
    assert str(table.index[0]) == "2024-01-01 00:00:00+00:00"
    assert part.findings == ()
    ledger = part.source.ledger
    assert (ledger.unit, ledger.size, ledger.total("accepted"), ledger.unused) == ("cell", 90, 90, ("spare",))
    assert ledger.balanced
    assert part.source.sha256 == hashlib.sha256(text.encode(encoding)).hexdigest()
    assert part.source.unpacked_size == len(text.encode(encoding))


def test_no_header_uses_column_numbers(tmp_path: Path) -> None:
    text = "".join(f"{t:.1f},{v},{m}\n" for t, v, m in ROWS)
    toml = MAP.replace('"time"', "1").replace('"speed"', "2").replace('"marker"', "3")
    assert len(_read(tmp_path, text, toml).tables["measurement"]) == 30


def test_header_row_and_delimiter_of_the_map_win(tmp_path: Path) -> None:
    text = "time,speed,marker\nold,names,here\n" + "".join(f"{t:.1f},{v},{m}\n" for t, v, m in ROWS)
    part = _read(tmp_path, text, MAP.replace("[time]", 'header_row = 1\nunit_row = 2\ndelimiter = ","\n[time]', 1))
    assert len(part.tables["measurement"]) == 30


def test_unit_row_against_the_map(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="column 'speed' is in m/s by the file itself"):
        _read(tmp_path, _text(units="s,m/s,-,-"))


def test_quoted_cells(tmp_path: Path) -> None:
    text = '"time","speed","marker","a ""note"", with comma"\n' + "".join(
        f'{t:.1f},"{v}",{m},"x, y"\n' for t, v, m in ROWS)
    assert len(_read(tmp_path, text).tables["measurement"]) == 30


def test_line_breaks_in_quoted_cells(tmp_path: Path) -> None:
    """Allowed by RFC 4180, section 2, rule 6; rows are counted by the number of moments that were written."""
    for end, cell in (("\n", '"a\nb; ""c"", d"'), ("\r\n", '"# a\r\n# b"'), ("\n", '"' + 60 * "line\n" + '"')):
        text = end.join(['"the\nnote",time,speed,marker', *(f"{cell},{t:.1f},{v},{m}" for t, v, m in ROWS)]) + end
        table = _read(tmp_path, text).tables["measurement"]
        assert table["speed_mps"].tolist() == pytest.approx([v / 3.6 for _, v, _ in ROWS])
    lines = [f'{t:.1f},{v},{m},"x\ny"' for t, v, m in ROWS]
    lines[6] = "1,2"
    found = _read(tmp_path, "\n".join(["time,speed,marker,note", *lines])).findings[0]
    # the header and six rows of two lines each stand above it
    assert "line 14)" in found.text


def test_a_quote_inside_a_cell_opens_none(tmp_path: Path) -> None:
    text = "time,speed,marker,wheel\n" + "".join(f'{t:.1f},{v},{m},{"19"" rim" if m else "x"}\n' for t, v, m in ROWS)
    assert len(_read(tmp_path, text).tables["measurement"]) == 30


def test_quoted_decimal_commas(tmp_path: Path) -> None:
    text = "time,speed,marker\n" + "".join(f'"{t:.1f}","{v:.2f}",{m}\n'.replace(".", ",") for t, v, m in ROWS)
    assert _read(tmp_path, text).tables["measurement"]["speed_mps"].iloc[0] == pytest.approx(10.0)


def test_time_of_day_and_days_in_text(tmp_path: Path) -> None:
    toml = MAP.replace('scale = "unix_s"', 'scale = "time_of_day"\ndate_column = "day"')
    for clock in ("12:00:%02d", "12:00:%02d.250"):
        text = "day,time,speed,marker\n" + "".join(f"2026-05-04,{clock % i},36,0\n" for i in range(10))
        table = _read(tmp_path, text, toml).tables["measurement"]
        assert str(table.index[9])[:19] == "2026-05-04 12:00:09"
        assert table.index[0].microsecond == (250_000 if "." in clock else 0)


def test_header_far_down(tmp_path: Path) -> None:
    text = "".join(f"note {i}\n" for i in range(260)) + _text()
    part = _read(tmp_path, text, MAP.replace("[time]", "header_row = 261\n[time]", 1))
    assert len(part.tables["measurement"]) == 30


def test_ragged_rows_are_counted(tmp_path: Path) -> None:
    lines = _text().splitlines()
    lines[5] = "1,2"
    lines[9] += ",1,1"
    part = _read(tmp_path, "\n".join(lines))
    assert len(part.tables["measurement"]) == 28
    assert part.findings[0].code == "ragged_rows"
    assert "of the header: 2 " in part.findings[0].text
    assert "line 6" in part.findings[0].text
    assert (part.source.ledger.count("truncated"), part.source.ledger.total("truncated")) == (2, 6)
    assert part.source.ledger.balanced


def test_cut_last_line_and_bad_bytes_cost_cells_only(tmp_path: Path) -> None:
    content = _text().encode()
    content = content.replace(b"38.00", b"3\xff8.0")[:-9]
    part = _read(tmp_path, content)
    table = part.tables["measurement"]
    assert len(table) == 29
    assert part.source.ledger.count("truncated") == 1
    assert np.isnan(table["speed_mps"].iloc[2])
    assert part.source.ledger.balanced


def test_two_maps_on_one_file(tmp_path: Path) -> None:
    path = tmp_path / "wide.csv"
    path.write_text("t,v,lat,lon\n" + "".join(f"{1704067200 + i},1,48.0,9.0\n" for i in range(5)))
    raws, _ = open_sources([path])
    one = parse_column_map(
        'files=["*"]\ntable="measurement"\n[time]\ncolumn="t"\nscale="unix_s"\n[columns.speed_mps]\ncolumn="v"'
    )
    two = parse_column_map(
        'files=["*"]\ntable="fixes"\n[time]\ncolumn="t"\nscale="unix_s"\n[columns.latitude_deg]\ncolumn="lat"'
    )
    part = delimited.read(raws[0], ReadOptions(maps=(one, two)))
    assert {k: len(v) for k, v in part.tables.items()} == {"measurement": 5, "fixes": 5}
    assert part.source.ledger.unused == ("lon",)


def test_no_map_says_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text(_text())
    raws, _ = open_sources([path])
    with pytest.raises(UsageError, match=r"no column map serves it: run 'postdrive columns .*a\.csv'"):
        delimited.read(raws[0], ReadOptions())


def test_header_only(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("time,speed,marker\n")
    raws, _ = open_sources([path])
    with pytest.raises(InputError, match="holds no rows of delimited values"):
        delimited.read(raws[0], ReadOptions(maps=(parse_column_map(MAP),)))


def test_unknown_encoding(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="the encoding 'utf-99' is unknown"):
        _read(tmp_path, _text(), MAP.replace("[time]", 'encoding = "utf-99"\n[time]', 1))


def test_names_are_made_unique() -> None:
    assert unique(["a", "", "a", "a_2", ' "b" ']) == ("a", "2", "a_2", "a_2_2", "b")
    assert split('1;"a;b";3', ";") == ["1", "a;b", "3"]


@settings(max_examples=80, deadline=None)
@given(st.binary(max_size=400))
def test_any_bytes_give_a_confidence(content: bytes) -> None:
    assert 0.0 <= delimited.recognise(content, "x.csv") <= 1.0


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(-10**6, 10**6), st.floats(-1e3, 1e3, allow_nan=False)), min_size=3, max_size=20),
       st.sampled_from([(";", ","), (",", "."), ("\t", ","), ("|", ".")]))
def test_round_trip(rows: list[tuple[int, float]], marks: tuple[str, str]) -> None:
    delimiter, decimal = marks
    text = "name one" + delimiter + "two\n" + "".join(
        f"{a}{delimiter}{f'{b:.6f}'.replace('.', decimal)}\n" for a, b in rows)
    dialect = detect(text.encode())
    assert dialect is not None
    assert (dialect.delimiter, dialect.names, dialect.data_row) == (delimiter, ("name one", "two"), 2)
    if any(round(b, 6) % 1 for _, b in rows):
        assert dialect.decimal == decimal


@pytest.mark.parametrize(("head", "said"), [
    ("t,speed\n,m/s\n", 'unit = "s"  # CHECK: its rows then lie 20 s apart; write "ms", "us" or "min" where that is not so'),
    ("t,speed\nms,m/s\n", 'unit = "ms"\n'),
    ("t_ms,speed\n", 'unit = "ms"\n'),
], ids=["no unit", "line of units", "name"])
def test_a_clock_from_zero_is_proposed_with_its_unit_or_with_what_seconds_would_mean(tmp_path: Path, head: str, said: str) -> None:
    path = tmp_path / "m.csv"
    path.write_text(head + "".join(f"{20.0 * k},{5 + 0.1 * k:.1f}\n" for k in range(50)))
    proposal = propose_column_map(path)
    assert 'scale = "relative"' in proposal.text and said in proposal.text


def test_proposal_is_a_map_that_reads_the_file(tmp_path: Path) -> None:
    path = tmp_path / "imu_log.csv"
    time = pd.date_range("2026-05-04T10:00:00Z", periods=50, freq="10ms")
    pd.DataFrame(
        {
            "UTC time": time.strftime("%Y-%m-%dT%H:%M:%S.%fZ"),
            "AccX [g]": 0.01,
            "AccY [g]": 0.02,
            "AccZ [g]": 1.0,
            "Gyro X [deg/s]": 0.1,
            "Gyro Y [deg/s]": 0.2,
            "Yaw Rate [deg/s]": np.linspace(-20, 20, 50),
            "Temperature [degC]": 40.0,
        }
    ).to_csv(path, index=False)
    proposal = propose_column_map(path)
    assert proposal.table == "inertial"
    assert proposal.unknown == ("Temperature [degC]",)
    assert proposal.map is not None
    raws, _ = open_sources([path])
    part = delimited.read(raws[0], ReadOptions(maps=(proposal.map,)))
    table = part.tables["inertial"]
    assert table["acceleration_z_mps2"].iloc[0] == pytest.approx(9.80665)
    assert table["rate_z_radps"].iloc[-1] == pytest.approx(np.radians(20))
    assert table.index[0] == time[0]
    by_name = {g.name: g for g in proposal.guesses}
    assert by_name["acceleration_x_mps2"].confidence > 0.8
    assert "unit" in by_name["acceleration_x_mps2"].why


def _of_the_car(path: Path, *more: str) -> Path:
    """A table with two accelerations, yaw rate, wheel speed and marker, as an acquisition system records them."""
    time = pd.date_range("2026-05-04T10:00:00Z", periods=50, freq="10ms")
    names = ("acceleration_x [m/s^2]", "acceleration_y [m/s^2]", "yaw_rate [deg/s]", "wheel_speed [km/h]", "steering_angle [deg]", *more)
    columns = {name: np.linspace(-1, 1, 50) for name in names}
    pd.DataFrame({"time_utc": time.strftime("%Y-%m-%dT%H:%M:%S.%fZ"), **columns, "marker": 0}).to_csv(path, index=False)
    return path


def test_what_only_a_car_measures_makes_a_measurement(tmp_path: Path) -> None:
    proposal = propose_column_map(_of_the_car(tmp_path / "car.csv"))
    assert proposal.table == "measurement" and "not mapped" not in proposal.text
    assert {c.name for c in proposal.map.columns} >= {"speed_mps", "marker", "steering_angle_rad", "yaw_rate_radps"}  # type: ignore[union-attr]
    six = ("acceleration_z [m/s^2]", "gyro_x [deg/s]", "gyro_y [deg/s]")
    proposal = propose_column_map(_of_the_car(tmp_path / "unit.csv", *six))
    assert proposal.table == "inertial"
    line = next(x for x in proposal.text.splitlines() if x.startswith("table"))
    assert "CHECK" in line and 'marker would be kept by table = "measurement"' in proposal.text and "wheel_speed" in proposal.text


@pytest.mark.parametrize(("table", "role", "named"), [("inertial", "measurement", True), ("measurement", "measurement", False),
                                                      ("measurement", "inertial", True), ("inertial", "inertial", False)])
def test_a_file_that_its_map_makes_another_table_than_it_was_given_as_is_named(tmp_path: Path, table: str, role: str, named: bool) -> None:
    path = _of_the_car(tmp_path / "car.csv")
    known = propose_column_map(path, table=table).map
    recording = read([], maps=[known], **{role: [path]})  # type: ignore[arg-type, list-item]
    found = [f for f in recording.findings if f.code == "given_as_other_table"]
    assert bool(found) == named
    assert not named or f"given with --{role}, but its column map makes it the table {table}" in found[0].text


def test_proposal_for_every_table_of_the_car(shared_data: Path) -> None:
    expected = {"gnss": ("fixes", "utc_unix_ms", "unix_ms"), "can_speed": ("measurement", "boot_time_s", "relative"),
                "imu": ("inertial", "boot_time_s", "relative"), "reference": ("fixes", "gps_tow_s", "gps_week_seconds")}
    for name, (table, column, scale) in expected.items():
        proposal = propose_column_map(shared_data / "car_with_reference" / f"{name}.csv")
        assert proposal.map is not None
        assert (proposal.table, proposal.map.time.column, proposal.map.time.scale) == (table, column, scale)
    assert 'frame = "forward_right_down"' in propose_column_map(shared_data / "car_with_reference" / "imu.csv").text


def test_proposal_says_what_it_does_not_know(tmp_path: Path) -> None:
    path = tmp_path / "odd.csv"
    path.write_text("p,q\n" + "".join(f"{i},{i * 2}\n" for i in range(10)))
    proposal = propose_column_map(path)
    assert proposal.map is None
    assert proposal.unknown == ("p", "q")
    assert proposal.text.count("CHECK") >= 2
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 10)
    with pytest.raises(InputError, match="is no table of columns"):
        propose_column_map(path)


def test_verb_prints_the_proposal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from analyzer.cli import columns

    path = tmp_path / "log.csv"
    path.write_text(_text())
    assert columns.run(argparse.Namespace(file=str(path), bus=None, table=None)) == 0
    shown = capsys.readouterr()
    assert parse_column_map(shown.out).time.scale == "unix_s"
    assert shown.err == ""
    path.write_text("p,q\n1,2\n3,4\n")
    columns.run(argparse.Namespace(file=str(path), bus=None, table=None))
    assert "not complete" in capsys.readouterr().err
