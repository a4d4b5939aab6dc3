"""Which drives a folder holds, by the names of its files or by a list of the user."""

from __future__ import annotations

import datetime as dt
import gzip
import os
import re
import unicodedata
import zipfile
from pathlib import Path

import pytest
from batch_places import log_text
from hypothesis import given
from hypothesis import strategies as st

from analyzer.batch.conventions import one_format, role_of, stem_of
from analyzer.batch.find import Defaults, find_drives, run_id
from analyzer.errors import InputError, UsageError

LOG = log_text()


def write(folder: Path, *names: str, content: bytes = LOG) -> Path:
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return folder


def roles(found: list[tuple[str, str]]) -> list[tuple[str, str]]:
    return [(role, Path(path).name) for role, path in found]


def test_a_folder_with_a_rover_log_is_one_drive(tmp_path: Path) -> None:
    write(tmp_path / "day/run 1", "rover_1.nmea", "rover_2.nmea", "setup.toml", "windows.csv", "check_points.csv", "accept.toml",
          "corrections_base.rtcm3", "corrections_rover.rtcm3", "corrections.rtcm3", "inertial.csv.gz", "inertial_columns.toml",
          "measurement.parquet", "measurement.csv", "truth.csv", "faults.json", "README.md", ".hidden.nmea", "base_log.nmea",
          "second_rover.nmea", "bus.dbc")
    found = find_drives([tmp_path / "day"])
    (drive,) = found.drives
    assert (drive.name, drive.place) == ("run 1", str(tmp_path / "day/run 1"))
    assert roles(drive.files.by_role()) == [
        ("logs", "rover_1.nmea"), ("logs", "rover_2.nmea"), ("setup", "setup.toml"), ("windows", "windows.csv"),
        ("check_points", "check_points.csv"), ("accept", "accept.toml"), ("inertial", "inertial.csv.gz"),
        ("measurement", "measurement.parquet"), ("corrections@unknown", "corrections.rtcm3"),
        ("corrections@base", "corrections_base.rtcm3"), ("corrections@rover", "corrections_rover.rtcm3"),
        ("columns", "inertial_columns.toml"), ("bus", "bus.dbc"), ("base_log", "base_log.nmea"),
        ("second_rover", "second_rover.nmea"),
    ]
    assert len(found.notes) == 1 and "measurement.csv was left out: measurement.parquet holds the same" in found.notes[0]


def test_each_log_of_a_folder_of_logs_is_a_drive(tmp_path: Path) -> None:
    write(tmp_path, "a.nmea", "b.log", "sub/c.txt", "b.windows.csv", "setup.toml", "windows.csv")
    (tmp_path / "d.nmea.gz").write_bytes(gzip.compress(LOG))
    with zipfile.ZipFile(tmp_path / "e.zip", "w") as archive:
        archive.writestr("whatever.nmea", LOG)
    write(tmp_path, "notes.txt", content=b"bring the tripod")
    found = find_drives([tmp_path])
    assert {d.name: roles(d.files.by_role()) for d in found.drives} == {
        "a": [("logs", "a.nmea"), ("setup", "setup.toml")],
        "b": [("logs", "b.log"), ("setup", "setup.toml"), ("windows", "b.windows.csv")],
        "d": [("logs", "d.nmea.gz"), ("setup", "setup.toml")],
        "e": [("logs", "e.zip"), ("setup", "setup.toml")],
        "sub/c": [("logs", "c.txt")],
    }
    assert any("windows.csv serves no drive" in n and "LOG.windows.csv" in n for n in found.notes)


def test_a_lone_log_has_every_companion_beside_it(tmp_path: Path) -> None:
    write(tmp_path, "morning.log", "windows.csv", "corrections_rover.rtcm3", "morning.setup.toml", "day_base.nmea")
    (drive,) = find_drives([tmp_path]).drives
    assert drive.name == "morning" and drive.place == str(tmp_path / "morning.log")
    assert roles(drive.files.by_role()) == [
        ("logs", "morning.log"), ("setup", "morning.setup.toml"), ("windows", "windows.csv"),
        ("corrections@rover", "corrections_rover.rtcm3"), ("base_log", "day_base.nmea"),
    ]


def test_a_damaged_or_empty_log_is_a_drive_that_will_fail_not_one_unseen(tmp_path: Path) -> None:
    write(tmp_path, "good.nmea")
    write(tmp_path, "empty.nmea", content=b"")
    assert [d.name for d in find_drives([tmp_path]).drives] == ["empty", "good"]


def test_tables_are_logs_where_a_column_map_makes_fixes_of_them(tmp_path: Path) -> None:
    write(tmp_path, "run1.csv", "other.csv", content=b"t,lat,lon\n1,2,3\n")
    (tmp_path / "fixes_columns.toml").write_text(
        'files = ["run*.csv"]\ntable = "fixes"\n[time]\ncolumn = "t"\nscale = "unix_s"\n'
        '[columns.latitude_deg]\ncolumn = "lat"\nunit = "deg"\n[columns.longitude_deg]\ncolumn = "lon"\nunit = "deg"\n')
    (drive,) = find_drives([tmp_path]).drives
    assert drive.name == "run1" and drive.files.columns == (str(tmp_path / "fixes_columns.toml"),)


def test_results_are_not_searched(tmp_path: Path) -> None:
    write(tmp_path, "a.nmea", "old/summary.json", "old/b.nmea", "many/runs.parquet", "many/c.nmea", "now/d.nmea")
    found = find_drives([tmp_path], Defaults(not_within=tmp_path / "now"))
    assert [d.name for d in found.drives] == ["a"]
    assert len(found.notes) == 2 and all("result folder" in n for n in found.notes)


def test_a_log_can_be_named_by_itself_and_no_drive_counts_twice(tmp_path: Path) -> None:
    write(tmp_path, "x/rover.nmea", "x/setup.toml", "y/a.nmea", "y/b.nmea")
    found = find_drives([tmp_path / "x" / "rover.nmea", tmp_path / "y" / "b.nmea", tmp_path])
    assert [d.name for d in found.drives] == ["x", "b", "y/a"]
    assert found.drives[0].files.setup == str(tmp_path / "x/setup.toml")


def test_a_file_that_is_no_log_is_tried_as_named(tmp_path: Path) -> None:
    write(tmp_path, "strange.bin", content=b"\x00" * 100)
    found = find_drives([tmp_path / "strange.bin"])
    assert found.drives[0].files.logs == (str(tmp_path / "strange.bin"),) and "no log by its content" in found.notes[0]


def test_defaults_serve_what_has_none_of_its_own(tmp_path: Path) -> None:
    write(tmp_path, "x/rover.nmea", "x/setup.toml", "y.nmea")
    given = Defaults(setup="/s.toml", check_points="/c.csv", columns=("/m.toml",), require_checksum=True)
    drives = {d.name: d.files for d in find_drives([tmp_path], given).drives}
    assert drives["x"].setup == str(tmp_path / "x/setup.toml") and drives["y"].setup == "/s.toml"
    assert all(f.check_points == "/c.csv" and f.columns == ("/m.toml",) and f.require_checksum for f in drives.values())


def test_nothing_to_do_is_said(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="does not exist"):
        find_drives([tmp_path / "gone"])
    write(tmp_path, "day1_base.nmea", "windows.csv")
    with pytest.raises(InputError, match=r"no drive was found.*log at a base by its name.*companions of a drive \(windows\) and no rover"):
        find_drives([tmp_path])


# --- the list of the user ---------------------------------------------------------------------------------------------

LIST = """
[all]
setup = "car.toml"
purpose = "mapping"

[[drive]]
name = "morning"
logs = ["logs/part*.log"]
corrections = ["c.rtcm3@base", "d.rtcm3"]
date = 2026-04-14
base = [47.0, 20.5, 130.0]

[[drive]]
name = "noon"
logs = ["logs"]
setup = "van.toml"
purpose = "mine.toml"
date = "2026-04-15"
line_rate = 38400
"""


def test_a_set_up_sheet_without_a_log_is_the_drive_that_was_not_copied(tmp_path: Path) -> None:
    write(tmp_path, "a/rover.nmea", "b/setup.toml", "setup.toml")
    write(tmp_path / "c", "setup.toml", "more/x.nmea")
    found = find_drives([tmp_path])
    assert [d.name for d in found.drives] == ["a", "c/more/x"]
    assert found.notes == (f"{tmp_path / 'b'} holds companions of a drive (setup) and no rover log.",)


def test_a_list_says_everything(tmp_path: Path) -> None:
    write(tmp_path, "car 7/logs/part1.log", "car 7/logs/part2.log", "car 7/mine.toml", "car 7/loose.nmea")
    (tmp_path / "car 7/drives.toml").write_text(LIST)
    first, second = find_drives([tmp_path]).drives
    home = tmp_path / "car 7"
    assert (first.name, first.place, first.purpose) == ("car 7/morning", f"{home / 'drives.toml'}: morning", "mapping")
    assert first.files.logs == (str(home / "logs/part1.log"), str(home / "logs/part2.log"))
    assert first.files.setup == str(home / "car.toml") and first.files.base == (47.0, 20.5, 130.0)
    assert first.files.corrections == ((str(home / "c.rtcm3"), "base"), (str(home / "d.rtcm3"), "unknown"))
    assert first.files.date == dt.date(2026, 4, 14) and second.files.date == dt.date(2026, 4, 15)
    assert second.purpose == str(home / "mine.toml") and second.files.setup == str(home / "van.toml")
    assert second.files.line_rate == 38400
    assert find_drives([home / "drives.toml"]).drives[0].name == "morning"


@pytest.mark.parametrize(("text", "words"), [
    ("drive = 1", "line 1, key 'drive': 1 is not of type 'array'"),
    ('[[drive]]\nname = "a"\n', "'logs' is a required property"),
    ('[[drive]]\nname = "a"\nlogs = ["x"]\nlog = 1\n', "key 'log' is not known"),
    ('[[drive]]\nname = "a"\nlogs = ["x"]\n[[drive]]\nname = "a"\nlogs = ["y"]\n', "the name 'a' stands there twice"),
    ('[[drive]]\nname = "a"\nlogs = ["*.nmea"]\n', "no file fits"),
    ('[[drive]]\nname = "a"\nlogs = ["/x/*.nmea"]\n', "write it from the folder of the list"),
    ('[[drive]]\nname = "a"\nlogs = ["x"]\ndate = "soon"\n', "expected a day like"),
    ('[[drive]]\nname = "a"\nlogs = ["x"]\ndate = 2026-04-14T08:00:00\n', "expected a day like"),
    ('[[drive]]\nname = "a"\nlogs = ["x"]\nbase = [99, 0, 0]\n', "expected latitude"),
    ('[all]\nlogs = ["x"]\n[[drive]]\nname = "a"\nlogs = ["x"]\n', "key 'logs' is not known"),
])
def test_a_faulty_list_is_refused_in_one_sentence(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "drives.toml"
    path.write_text(text)
    with pytest.raises(UsageError, match=re.escape(words)) as wrong:
        find_drives([tmp_path])
    assert str(path) in str(wrong.value) and "\n" not in str(wrong.value)


# --- names ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "role"), [
    ("rover.nmea", "rover"), ("Rover-2.NMEA.gz", "rover"), ("rovers.nmea", None), ("inertial_columns.toml", "columns"),
    ("columns.toml", "columns"), ("drives.toml", "ignored"), ("truth.csv.gz", "ignored"), ("corrections_base.bin", "corrections@base"),
    ("day1_base.nmea.gz", "base_log"), ("base.nmea", "base_log"), ("baseline.nmea", None), ("second_rover.nmea", "second_rover"),
    ("measurement_2.mf4", "measurement"), ("accept.toml", "accept"),
])
def test_what_a_name_means(name: str, role: str | None) -> None:
    assert role_of(name) == role


def test_one_recording_in_several_formats_counts_once() -> None:
    names = ["m.mf4", "m.csv.gz", "m.parquet", "m_2.csv"]
    chosen, others = one_format([Path(n) for n in names])
    assert [p.name for p in chosen] == ["m.parquet", "m_2.csv"] and {p.name for p in others} == {"m.mf4", "m.csv.gz"}
    assert stem_of("a/b/m.csv.gz") == "m"


@given(st.text(max_size=200))
def test_a_run_id_is_a_plain_name_and_stays_one(name: str) -> None:
    made = run_id(name)
    assert made == unicodedata.normalize("NFC", made) and 0 < len(made.encode()) <= 160
    assert not re.search(r"[^\w.\-]", re.sub("[^\x00-\x7f]", "", made)) and made[0] not in "._-", made
    assert run_id(made) == made


def test_letters_of_any_script_stay_in_a_run_id() -> None:
    names = ["a/Prü", "a/Prö", "a/試験 1", "a/試験 2", "Ελλάδα", "हिन्दी"]
    assert [run_id(n) for n in names] == ["a.Prü", "a.Prö", "a.試験_1", "a.試験_2", "Ελλάδα", "हिन्दी"]
    # the same name as a file system writes it that stores letters decomposed
    assert run_id(unicodedata.normalize("NFD", "Prüfung é 1")) == "Prüfung_é_1"


def test_links_to_folders_are_followed_once_each(tmp_path: Path) -> None:
    write(tmp_path, "in/z/run/rover.nmea", "outside/drv/rover.nmea", "kept/rover.nmea")
    for name, target in {"sym": "../outside", "a": "z", "again": "../outside/drv", "z/up": "../../in", "gone": "nowhere", "kept": "../kept"}.items():
        (tmp_path / "in" / name).symlink_to(target)
    found = find_drives([tmp_path / "in"])
    # a folder that stands below goes by its own place, one behind links by the first of them
    assert {d.name: d.place for d in found.drives} == {
        "z/run": str(tmp_path / "in/z/run"), "again": str(tmp_path / "outside/drv"), "kept": str(tmp_path / "kept"),
    }
    said = {link: text for link in ("a", "z/up", "gone") for text in found.notes if text.startswith(f"{tmp_path}/in/{link} ")}
    assert "which is searched once" in said["a"] and "in which it stands" in said["z/up"] and "cannot be reached" in said["gone"]
    assert len(found.notes) == 3


def test_a_folder_called_like_a_log_is_said(tmp_path: Path) -> None:
    write(tmp_path, "a/rover.nmea")
    (tmp_path / "b/rover.nmea").mkdir(parents=True)
    (note,) = find_drives([tmp_path]).notes
    assert note.startswith(f"{tmp_path}/b/rover.nmea is a folder") and "a log is a file" in note


def test_a_name_that_is_no_text_costs_itself_only(tmp_path: Path) -> None:
    write(tmp_path, "a/rover.nmea")
    bad = Path(os.fsdecode(os.fsencode(tmp_path) + b"/Pr\xfcf"))
    write(bad, "rover.nmea")
    found = find_drives([tmp_path])
    assert [d.name for d in found.drives] == ["a"] and found.notes == (f"{tmp_path}/Pr\\udcfcf: its name is no text in UTF-8, so no result could state it; rename it.",)
    with pytest.raises(InputError, match="rename it"):
        find_drives([bad])


@given(st.text(max_size=60))
def test_any_name_has_a_role_or_none(name: str) -> None:
    assert role_of(name) is None or isinstance(role_of(name), str)
