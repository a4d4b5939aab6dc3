"""Measurement files: signals by name and raw bus frames through a bus description.

The real files are two consecutive parts of one car journey (../shared/data/SOURCES.md, measurement; origin
CSS-Electronics/api-examples @f7932ba, MIT): 1 Hz positions with fix type, 100 Hz inertial rows, one header start time.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from analyzer.errors import InputError, MissingExtraError, UsageError
from analyzer.parsers import mdf4
from analyzer.parsers.column_map import parse_column_map
from analyzer.parsers.column_map_propose import propose_column_map
from analyzer.parsers.reader import ReadOptions, ReadPart
from analyzer.parsers.sources import RawSource, open_sources

asammdf = pytest.importorskip("asammdf", reason="the extra mdf4 is not installed")

FIXES = parse_column_map("""
files = ["journey_*.mf4"]
table = "fixes"
solution_kind = "fused"
[time]
column = "Epoch"
scale = "unix_s"
[arrival]
scale = "relative"
[fix_state]
column = "FixType"
[fix_state.codes]
"No fix" = "no_fix"
"Dead reckoning only" = "estimated"
"2D-fix" = "autonomous"
"3D-fix" = "autonomous"
"GNSS + dead reckoning combined" = "autonomous"
"Time only fix" = "no_fix"
[columns.latitude_deg]
column = "Latitude"
[columns.longitude_deg]
column = "Longitude"
[columns.height_msl_m]
column = "Altitude"
[columns.satellites_used]
column = "Satellites"
[columns.speed_mps]
column = "Speed"
""", name="fixes")
# the box stood upright: its x axis points up, gravity shows there
INERTIAL = parse_column_map("""
files = ["journey_*.mf4"]
table = "inertial"
[time]
scale = "relative"
utc_column = "Epoch"
[columns]
acceleration_x_mps2 = { column = "AccelerationY" }
acceleration_y_mps2 = { column = "AccelerationZ" }
acceleration_z_mps2 = { column = "AccelerationX", unit = "m/s^2" }
rate_x_radps = { column = "AngularRateY", unit = "deg/s" }
rate_y_radps = { column = "AngularRateZ", unit = "deg/s" }
rate_z_radps = { column = "AngularRateX", unit = "deg/s" }
""", name="inertial")


@pytest.fixture(scope="module")
def journey(shared_data: Path) -> list[ReadPart]:
    """Both parts of the real journey."""
    folder = shared_data / "measurement"
    raws, _ = open_sources([folder / "journey_part2.mf4", folder / "journey_part3.mf4"])
    return [mdf4.read(raw, ReadOptions(maps=(FIXES, INERTIAL), bus=folder / "journey_bus.dbc", source_id=i))
            for i, raw in enumerate(raws)]


def _step_s(part: ReadPart, table: str) -> np.ndarray:
    return np.diff(part.tables[table].index.asi8) / 1e6


def test_positions_at_1_hz_with_fix_type(journey: list[ReadPart]) -> None:
    for part, rows in zip(journey, (571, 572), strict=True):
        fixes = part.tables["fixes"]
        assert len(fixes) == rows
        assert np.median(_step_s(part, "fixes")) == pytest.approx(1.0, abs=1e-3)
        assert set(fixes["fix_state"]) == {"autonomous"}
        assert fixes["latitude_deg"].between(55.9, 56.2).all()
        assert fixes["satellites_used"].between(4, 31).all()
        assert fixes["solution_kind"].unique().tolist() == ["fused"]


def test_inertial_rows_at_100_hz(journey: list[ReadPart]) -> None:
    for part, rows in zip(journey, (60_750, 60_724), strict=True):
        inertial = part.tables["inertial"]
        assert len(inertial) == rows
        assert np.median(_step_s(part, "inertial")) == pytest.approx(0.01, abs=1e-4)
        norm = np.sqrt((inertial.filter(like="acceleration") ** 2).sum(axis=1))
        assert norm.median() == pytest.approx(9.8, abs=0.3)


def test_the_two_parts_are_one_drive(journey: list[ReadPart]) -> None:
    for table, pause_s in (("fixes", 1.0), ("inertial", 0.01)):
        last, first = journey[0].tables[table].index[-1], journey[1].tables[table].index[0]
        assert (first - last).total_seconds() == pytest.approx(pause_s, abs=0.05)


def test_device_and_arrival_time_are_kept_apart(journey: list[ReadPart]) -> None:
    fixes = journey[0].tables["fixes"]
    lag_s = (fixes["arrival_utc"] - fixes.index).dt.total_seconds()
    assert lag_s.between(4.2, 4.5).all()  # the logger's clock was 4.3 s fast
    text = next(f.text for f in journey[0].findings if f.code == "clock_placed")
    assert "channel 'Epoch'" in text


def test_repeated_start_is_explained(journey: list[ReadPart]) -> None:
    findings = mdf4.repeated_starts([part.source for part in journey])
    assert [(f.code, f.level) for f in findings] == [("repeated_start", "note")]
    assert "2021-07-26 04:40:54" in findings[0].text
    assert any(f.code == "late_first_row" for f in journey[0].findings)
    overlap = mdf4.repeated_starts([journey[0].source, journey[0].source])
    assert overlap[0].level == "problem"
    assert "give start_utc" in overlap[0].text


def test_ledger_names_unused_channels(journey: list[ReadPart]) -> None:
    ledger = journey[0].source.ledger
    assert ledger.balanced
    assert ledger.unit == "cell"
    assert "Roll" in ledger.unused
    assert "Latitude" not in ledger.unused


def test_frames_without_a_bus_description(shared_data: Path) -> None:
    raw = open_sources([shared_data / "measurement" / "journey_part2.mf4"])[0][0]
    with pytest.raises(
        UsageError, match=r"holds 73785 raw bus frames and no channel 'Epoch': pass the bus description"
    ):
        mdf4.read(raw, ReadOptions(maps=(FIXES,)))


def test_bus_description_that_does_not_fit(shared_data: Path, tmp_path: Path) -> None:
    raw = open_sources([shared_data / "measurement" / "journey_part2.mf4"])[0][0]
    other = tmp_path / "other.dbc"
    other.write_text('VERSION ""\nBU_:\nBO_ 77 msg: 8 X\n SG_ a : 0|8@1+ (1,0) [0|0] "" X\n')
    empty = tmp_path / "empty.dbc"
    empty.write_bytes(bytes(range(256)))
    for bus, words in ((tmp_path / "absent.dbc", "there is no such file"), (Path(__file__), "its kind is not known"),
                       (other, "describes none of the frames"), (empty, "describes no message")):
        with pytest.raises(UsageError, match=words):
            mdf4.read(raw, ReadOptions(maps=(FIXES,), bus=bus))


@pytest.mark.parametrize("share", [0.00002, 0.0001, 0.01, 0.5, 0.99])
def test_cut_off_file_is_one_sentence_or_what_is_left(shared_data: Path, tmp_path: Path, share: float) -> None:
    content = (shared_data / "measurement" / "journey_part2.mf4").read_bytes()
    path = tmp_path / "journey_cut.mf4"
    path.write_bytes(content[: int(len(content) * share)])
    raw = open_sources([path])[0][0]
    with pytest.raises((InputError, UsageError), match=r"journey_cut\.mf4") as caught:
        mdf4.read(raw, ReadOptions(maps=(FIXES,), bus=shared_data / "measurement" / "journey_bus.dbc"))
    assert "\n" not in str(caught.value)
    assert "cut off" in str(caught.value)


def _damaged(shared_data: Path, tmp_path: Path, at: int, content: bytes) -> RawSource:
    """Return the real file with `content` written at byte `at`."""
    whole = bytearray((shared_data / "measurement" / "journey_part2.mf4").read_bytes())
    whole[at : at + len(content)] = content
    path = tmp_path / "journey_damaged.mf4"
    path.write_bytes(whole)
    return open_sources([path])[0][0]


def test_damage_that_ends_the_reading_process_is_one_sentence(shared_data: Path, tmp_path: Path) -> None:
    # an offset into the data of variable length, byte 14 of the 22-byte record of the first frame, far out of the file
    raw = _damaged(shared_data, tmp_path, 0x38D8 + 24 + 14, b"\xff" * 7 + b"\x0f")
    with pytest.raises(InputError, match=r"journey_damaged\.mf4.*damaged") as caught:
        mdf4.read(raw, ReadOptions(maps=(FIXES,), bus=shared_data / "measurement" / "journey_bus.dbc"))
    assert "\n" not in str(caught.value)


def test_damaged_links_are_named_by_byte(shared_data: Path, tmp_path: Path) -> None:
    # first link of the header block (64 + 24 bytes): the first group
    raw = _damaged(shared_data, tmp_path, 88, b"\x01\x02\x03\x04\x05\x06\x07\x00")
    with pytest.raises(InputError, match=r"damaged at byte \d+ \(a block of kind DG was expected"):
        mdf4.read(raw, ReadOptions(maps=(FIXES,), bus=shared_data / "measurement" / "journey_bus.dbc"))


def test_sound_files_have_a_sound_structure(shared_data: Path, tmp_path: Path) -> None:
    from analyzer.parsers.mdf4_structure import check_structure

    for part in ("journey_part2.mf4", "journey_part3.mf4"):
        check_structure(shared_data / "measurement" / part, part)
    raw = _file(tmp_path / "m.mf4", {"v": (np.arange(10.0), "km/h")})
    assert raw.path is not None
    check_structure(raw.path, raw.name)


def _file(path: Path, *groups: dict[str, tuple[np.ndarray, str]], rate_hz: tuple[float, ...] = (10.0,)) -> RawSource:
    """Write a file with one group of signals per dict."""
    import datetime as dt

    with asammdf.MDF(version="4.10") as out:
        out.header.start_time = dt.datetime(2026, 5, 4, 10, 0, 0, tzinfo=dt.UTC)
        for group, rate in zip(groups, rate_hz, strict=True):
            rows = len(next(iter(group.values()))[0])
            out.append([asammdf.Signal(samples=v, timestamps=np.arange(rows) / rate, name=n, unit=u)
                        for n, (v, u) in group.items()])
        out.save(path, overwrite=True)
    return open_sources([path])[0][0]


SPEED = """
files = ["*.mf4"]
table = "measurement"
[time]
scale = "relative"
[columns.speed_mps]
column = "v"
unit = "km/h"
[columns.yaw_rate_radps]
column = "w"
unit = "deg/s"
"""


def test_signals_by_name_on_clocks_of_their_own(tmp_path: Path) -> None:
    raw = _file(tmp_path / "m.mf4", {"v": (np.arange(100) * 3.6, "km/h")}, {"w": (np.arange(10.0), "deg/s")},
                rate_hz=(10.0, 1.0))
    table = mdf4.read(raw, ReadOptions(maps=(parse_column_map(SPEED),))).tables["measurement"]
    assert str(table.index[1]) == "2026-05-04 10:00:00.100000+00:00"
    assert table["speed_mps"].tolist() == pytest.approx(list(range(100)))
    # the 1 Hz channel joins rows within 0.2 s and no others: no value is invented
    assert table["yaw_rate_radps"].notna().sum() == 10 * 5 - 2
    assert np.degrees(table["yaw_rate_radps"].iloc[10]) == pytest.approx(1.0)


def test_wrong_names_units_and_empty_channels(tmp_path: Path) -> None:
    raw = _file(tmp_path / "m.mf4", {"v": (np.arange(10.0), "m/s"), "w": (np.zeros(10), "deg/s")})
    with pytest.raises(InputError, match=r"column 'v' is in m/s by the file itself, .*reads it as km/h"):
        mdf4.read(raw, ReadOptions(maps=(parse_column_map(SPEED),)))
    wrong = SPEED.replace('"v"', '"speed"')
    with pytest.raises(UsageError, match="has no channel 'speed', which the column map or the command line names; it has v, w"):
        mdf4.read(raw, ReadOptions(maps=(parse_column_map(wrong),)))


def test_a_name_in_two_groups(tmp_path: Path) -> None:
    raw = _file(
        tmp_path / "m.mf4", {"v": (np.arange(10.0), "km/h")}, {"v": (np.arange(10.0), "km/h")}, rate_hz=(1.0, 1.0)
    )
    with pytest.raises(UsageError, match="several channels are called 'v': write one of"):
        mdf4.read(raw, ReadOptions(maps=(parse_column_map(SPEED.split("[columns.yaw")[0]),)))


def test_missing_extra(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    raw = _file(tmp_path / "m.mf4", {"v": (np.arange(10.0), "km/h")})
    monkeypatch.setitem(sys.modules, "asammdf", None)
    with pytest.raises(MissingExtraError, match=r"needs the package asammdf, .* pip install 'postdrive\[mdf4\]'"):
        mdf4.read(raw, ReadOptions(maps=(parse_column_map(SPEED),)))


def test_proposal(shared_data: Path) -> None:
    folder = shared_data / "measurement"
    proposal = propose_column_map(folder / "journey_part2.mf4", bus=folder / "journey_bus.dbc")
    assert proposal.table == "fixes"
    assert proposal.map is not None
    assert proposal.map.time.column == "Epoch"
    inertial = propose_column_map(folder / "journey_part2.mf4", bus=folder / "journey_bus.dbc", table="inertial")
    assert inertial.map is not None
    assert len(inertial.map.columns) == 6
    with pytest.raises(InputError, match="pass the bus description with --bus"):
        propose_column_map(folder / "journey_part2.mf4")
