"""The set-up sheet: the blank one is valid, values are read, faults are named by line and key."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from analyzer.errors import UsageError
from analyzer.userfiles.setup_sheet import Setup, blank_setup, load_setup


def test_the_blank_sheet_is_valid_and_so_is_every_line_of_it(tmp_path: Path) -> None:
    path = tmp_path / "setup.toml"
    path.write_text(blank_setup())
    assert load_setup(path) == Setup(stated={"base": {}, "link": {}})
    path.write_text(re.sub(r"^# (\w+ = )", r"\1", blank_setup(), flags=re.M))
    filled = load_setup(path)
    assert (
        filled.run == "07"
        and filled.base.name == "Hut"
        and filled.line_rate == 38400
        and filled.channels == ("speed", "yaw rate")
    )
    assert filled.base.position == (0.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[base]\nlatitude_deg = 91\nlongitude_deg = 1", ("line 2", "latitude_deg")),
        ("[base]\nlatitude_deg = 9", ("both latitude_deg and longitude_deg",)),
        ("height_type = 'tall'", ("line 1", "height_type")),
        ("speed = 1", ("speed",)),
        ("run = ", ("TOML",)),
        ("frame = ''", ("line 1", "frame")),
        ("[base]\nstation_id = 4096", ("line 2", "station_id")),
        ("[base]\nstation_id = '4096'", ("station_id", "0 to 4095")),
        ("[base]\nstation_id = 'north'", ("station_id", "0 to 4095")),
        ("[link]\nsolution_kind = 'both'", ("line 2", "solution_kind")),
        ("[link]\ntransport = 'wire'", ("line 2", "transport")),
    ],
)
def test_faults_are_named(tmp_path: Path, text: str, words: tuple[str, ...]) -> None:
    path = tmp_path / "setup.toml"
    path.write_text(text)
    with pytest.raises(UsageError) as error:
        load_setup(path)
    assert all(w in str(error.value) for w in ("setup.toml", *words))


@pytest.mark.parametrize("written", ["498", '"0498"', '" 498 "'])
def test_a_station_is_a_number_or_what_a_log_writes(tmp_path: Path, written: str) -> None:
    path = tmp_path / "setup.toml"
    path.write_text(f"[base]\nstation_id = {written}\n")
    sheet = load_setup(path)
    assert sheet.base.station_id == 498
    assert sheet.stated["base"]["station_id"] == 498


def test_numbers_may_name_a_run_a_car_and_a_base(tmp_path: Path) -> None:
    path = tmp_path / "setup.toml"
    path.write_text("run = 7\nvehicle = 3\n[base]\nname = 2\n")
    sheet = load_setup(path)
    assert (sheet.run, sheet.vehicle, sheet.base.name) == ("7", "3", "2")


def test_items_of_the_sheet_may_follow_a_header(tmp_path: Path) -> None:
    path = tmp_path / "setup.toml"
    path.write_text("run = 'a'\n[base]\nstation_id = 1\nframe = 'ETRS89'\nheight_type = 'geoid'\n[link]\nline_rate = 9600\nsolution_kind = 'fused'\n")
    sheet = load_setup(path)
    assert (sheet.frame, sheet.height_type, sheet.solution_kind, sheet.line_rate) == ("ETRS89", "geoid", "fused", 9600)
    assert sheet.stated["base"] == {"station_id": 1}
    path.write_text("solution_kind = 'gnss'\n[link]\nsolution_kind = 'fused'\n")
    with pytest.raises(UsageError, match=r"'solution_kind' is stated twice and differently, once in \[link\]"):
        load_setup(path)


def test_unreadable_files_are_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no such file"):
        load_setup(tmp_path / "absent.toml")
    with pytest.raises(UsageError, match="folder"):
        load_setup(tmp_path)
    (tmp_path / "bytes.toml").write_bytes(b"run = '\xff'")
    with pytest.raises(UsageError, match="UTF-8"):
        load_setup(tmp_path / "bytes.toml")
