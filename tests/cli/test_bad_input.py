"""Bad input and wrong calls: one sentence on stderr, the right exit code, nothing half-written.

Exit codes as published: 2 wrong usage, 3 input unreadable, undatable or without positions, 5 output cannot be written,
1 verdict at or below --fail-on.
"""

from __future__ import annotations

import os
import subprocess
import sys
import zlib
from pathlib import Path

import pytest
from cli_runs import ROOT, Ran, Result, gga, run, run_program, sentence

pytestmark = pytest.mark.usefixtures("no_pictures")

DAY = ("--date", "2026-03-24")


def rmc(second: int) -> str:
    """Return an RMC without a position."""
    return sentence(f"GPRMC,1200{second:02d}.00,V,,,,,,,240326,,,N")


def png() -> bytes:
    """Return a valid PNG picture of 8 × 8 grey points (ISO/IEC 15948)."""
    def chunk(kind: bytes, body: bytes) -> bytes:
        return len(body).to_bytes(4, "big") + kind + body + zlib.crc32(kind + body).to_bytes(4, "big")

    header = (8).to_bytes(4, "big") * 2 + bytes([8, 0, 0, 0, 0])
    rows = b"".join(b"\0" + bytes(range(i, i + 8)) for i in range(8))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")


@pytest.fixture
def undated(tmp_path: Path) -> Path:
    """A log of GGA alone: times without a date."""
    path = tmp_path / "undated.nmea"
    path.write_text("".join(gga(s) for s in range(30)), newline="")
    return path


@pytest.fixture
def no_position(tmp_path: Path) -> Path:
    """A dated log of a receiver that never had a position."""
    path = tmp_path / "blind.nmea"
    path.write_text("".join(rmc(s) + gga(s, quality=0) for s in range(30)), newline="")
    return path


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A folder that must stay empty where nothing may be written."""
    folder = tmp_path / "results"
    folder.mkdir()
    return folder


def refused(done: Ran, place: Path, code: int, *words: str) -> None:
    """Check one sentence with these words, the exit code, and that nothing was written."""
    assert done.code == code, done
    text = done.sentence
    assert done.out == ""
    for word in words:
        assert word in text, text
    assert text.endswith("."), text
    assert "Traceback" not in text and "Error:" not in text and "a fault of ours" not in text, text
    assert list(place.iterdir()) == []


# Logs


def test_an_empty_file(tmp_path: Path, place: Path) -> None:
    log = tmp_path / "drive.nmea"
    log.touch()
    refused(run("assess", log, "--out", place / "r"), place, 3, "drive.nmea", "empty")


@pytest.mark.parametrize("name", ["photo.png", "photo.nmea"])
def test_a_picture_whatever_its_name(tmp_path: Path, place: Path, name: str) -> None:
    (tmp_path / name).write_bytes(png())
    refused(run("assess", tmp_path / name, "--out", place / "r"), place, 3, name, "PNG picture")


def test_a_folder_without_any_file(tmp_path: Path, place: Path) -> None:
    (tmp_path / "drive").mkdir()
    refused(run("assess", tmp_path / "drive", "--out", place / "r"), place, 3, "drive", "no file")


def test_a_folder_without_logs_is_named(tmp_path: Path, place: Path) -> None:
    (tmp_path / "drive").mkdir()
    (tmp_path / "drive" / "readme.txt").write_text("nothing to read here\n" * 20)
    (tmp_path / "drive" / "photo.png").write_bytes(png())
    refused(run("assess", tmp_path / "drive", "--out", place / "r"), place, 3, "drive")


def test_a_log_without_a_position(no_position: Path, place: Path) -> None:
    refused(run("assess", no_position, "--out", place / "r"), place, 3, "blind.nmea", "position")
    assert run("inspect", no_position).code == 0


def test_a_missing_file(tmp_path: Path, place: Path) -> None:
    refused(run("assess", tmp_path / "gone.nmea", "--out", place / "r"), place, 3, "gone.nmea", "does not exist")


def test_text_that_is_no_log(tmp_path: Path, place: Path) -> None:
    (tmp_path / "notes.txt").write_text("the weather was fine\n" * 50)
    refused(run("assess", tmp_path / "notes.txt", "--out", place / "r"), place, 3, "notes.txt")


def test_an_empty_pipe(place: Path) -> None:
    refused(run_program("assess", "-", "--out", place / "r", stdin=b""), place, 3, "standard input", "empty")


def test_a_device(place: Path) -> None:
    refused(run("assess", "/dev/null", "--out", place / "r"), place, 3, "/dev/null")


def test_a_file_that_may_not_be_read(undated: Path, place: Path) -> None:
    undated.chmod(0)
    if os.access(undated, os.R_OK):
        pytest.skip("this user may read any file")
    refused(run("assess", undated, *DAY, "--out", place / "r"), place, 3, "undated.nmea")


def test_a_name_too_long_for_any_file(place: Path) -> None:
    done = run("assess", "n" * 300, "--out", place / "r")
    assert done.code == 3 and done.sentence and list(place.iterdir()) == []


# Dates


def test_a_log_without_a_date_is_refused(undated: Path, place: Path) -> None:
    """Never today's date and never 1970: without a date no epoch can be placed."""
    refused(run("assess", undated, "--out", place / "r"), place, 3, "undated.nmea", "--date")


def test_a_log_without_a_date_can_be_inspected(undated: Path) -> None:
    done = run("inspect", undated)
    assert (done.code, done.err) == (0, "") and "1970" not in done.out


def test_a_given_date_is_used(undated: Path, place: Path) -> None:
    done = run("assess", undated, *DAY, "--out", place / "r")
    assert done.code == 0, done.err
    times = Result(place / "r").epochs(["time_utc"])["time_utc"]
    assert (str(times.iloc[0]), len(times)) == ("2026-03-24 12:00:00+00:00", 30)


@pytest.mark.parametrize("date", ["24.3.2026", "2026-13-01", "2026-02-30", "today", "", "1900-01-01"])
def test_a_wrong_date(undated: Path, place: Path, date: str) -> None:
    """The last one lies before the first GPS day, 6 January 1980 (IS-GPS-200)."""
    refused(run("assess", undated, "--date", date, "--out", place / "r"), place, 2, "--date")


# Arguments


@pytest.mark.parametrize("base", ["48,11", "95,11,3", "48,181,3", "nan,11,3", "a,b,c", "", "48,11,1e9", "48 11 500"])
def test_a_wrong_base(undated: Path, place: Path, base: str) -> None:
    refused(run("assess", undated, *DAY, "--base", base, "--out", place / "r"), place, 2, "--base")


@pytest.mark.parametrize("limit", ["0", "-1", "nan", "inf", "ten"])
def test_a_wrong_limit(undated: Path, place: Path, limit: str) -> None:
    refused(run("assess", undated, *DAY, f"--limit={limit}", "--out", place / "r"), place, 2, "--limit")


def test_an_unknown_purpose(undated: Path, place: Path) -> None:
    done = run("assess", undated, *DAY, "--purpose", "moon", "--out", place / "r")
    refused(done, place, 2, "moon", "lane", "TOML")


def test_a_purpose_file_that_is_not_there(undated: Path, place: Path) -> None:
    refused(run("assess", undated, *DAY, "--purpose", "mine.toml", "--out", place / "r"), place, 2, "mine.toml")


def test_purpose_and_limit_exclude_each_other(undated: Path, place: Path) -> None:
    done = run("assess", undated, *DAY, "--purpose", "lane", "--limit", "0.1", "--out", place / "r")
    refused(done, place, 2, "--limit", "--purpose")


@pytest.mark.parametrize("arguments", [
    (), ("nonsense",), ("assess",), ("assess", "x.nmea"), ("assess", "x.nmea", "--fail-on", "bad", "--out", "r"),
    ("assess", "x.nmea", "--bogus", "--out", "r"), ("formats", "extra"), ("demo",),
])
def test_a_wrong_call_is_one_sentence(place: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...]) -> None:
    monkeypatch.chdir(place)
    done = run(*arguments)
    assert done.code == 2 and done.out == "" and done.sentence
    assert list(place.iterdir()) == []


# Files that users write


@pytest.mark.parametrize(("text", "words"), [
    ("", ("empty",)),
    ("name,begin\nM1,2026\n", ("line 1", "start_utc")),
    ("name,start_utc,end_utc\nM1,yesterday,2026-03-24T12:00:09Z\n", ("line 2", "start_utc", "yesterday")),
    ("name,start_utc,end_utc\n\n# a note\nM1,2026-03-24T12:00:09Z,2026-03-24T12:00:00Z\n", ("line 4", "end_utc")),
    ("name,start_utc,end_utc\nM1,2026-03-24T12:00:09Z\n", ("line 2",)),
    ("name,start_utc,end_utc\n,2026-03-24T12:00:00Z,2026-03-24T12:00:09Z\n", ("line 2", "name")),
    ("name,from_latitude_deg,from_longitude_deg,to_latitude_deg,to_longitude_deg\nL,91,11,48,11\n",
     ("line 2", "from_latitude_deg", "91")),
])
def test_a_faulty_windows_file(undated: Path, place: Path, tmp_path: Path, text: str, words: tuple[str, ...]) -> None:
    (tmp_path / "windows.csv").write_text(text)
    done = run("assess", undated, *DAY, "--windows", tmp_path / "windows.csv", "--out", place / "r")
    refused(done, place, 2, "windows.csv", *words)


def test_a_windows_file_in_another_encoding(undated: Path, place: Path, tmp_path: Path) -> None:
    (tmp_path / "windows.csv").write_bytes("name,start_utc,end_utc\n".encode("utf-16"))
    done = run("assess", undated, *DAY, "--windows", tmp_path / "windows.csv", "--out", place / "r")
    refused(done, place, 2, "windows.csv", "UTF-8")


@pytest.mark.parametrize("option", ["--windows", "--setup", "--columns", "--bus"])
def test_a_missing_file_of_the_users_own(undated: Path, place: Path, tmp_path: Path, option: str) -> None:
    done = run("assess", undated, *DAY, option, tmp_path / "gone.file", "--out", place / "r")
    refused(done, place, 2, "gone.file")


def test_a_window_outside_the_recording_says_so(undated: Path, place: Path, tmp_path: Path) -> None:
    """A slip in the day must be told as such; a manoeuvre that was not recorded cannot be called badly driven."""
    (tmp_path / "windows.csv").write_text("name,start_utc,end_utc\nM1,2026-03-25T12:00:00Z,2026-03-25T12:00:09Z\n")
    assert run("assess", undated, *DAY, "--windows", tmp_path / "windows.csv", "--out", place / "r").code == 0
    row = Result(place / "r").csv("windows").iloc[0]
    assert row["verdict"] == "not_evaluated" and row["reason"]


@pytest.mark.parametrize(("text", "words"), [
    ("run = \n", ("line 1",)),
    ("rum = 'x'\n", ("line 1", "rum")),
    ("run = 'x'\nantenna_up_m = 'high'\n", ("line 2", "antenna_up_m")),
    ("[base]\nlatitude_deg = 48.0\n", ("longitude_deg",)),
    ("[base]\nlatitude_deg = 95.0\nlongitude_deg = 11.0\n", ("line 2", "latitude_deg")),
])
def test_a_faulty_setup_sheet(undated: Path, place: Path, tmp_path: Path, text: str, words: tuple[str, ...]) -> None:
    (tmp_path / "setup.toml").write_text(text)
    done = run("assess", undated, *DAY, "--setup", tmp_path / "setup.toml", "--out", place / "r")
    refused(done, place, 2, "setup.toml", *words)


def test_a_faulty_purpose_file(undated: Path, place: Path, tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text('name = "mine"\ntitle = "mine"\n')
    done = run("assess", undated, *DAY, "--purpose", tmp_path / "mine.toml", "--out", place / "r")
    refused(done, place, 2, "mine.toml", "limit")


# Output


def test_an_existing_folder_is_not_touched(undated: Path, place: Path) -> None:
    (place / "r").mkdir()
    (place / "r" / "mine.txt").write_text("kept")
    done = run("assess", undated, *DAY, "--out", place / "r")
    assert done.code == 5 and "--overwrite" in done.sentence
    assert [p.name for p in place.rglob("*")] == ["r", "mine.txt"]


def test_an_existing_folder_is_refused_before_anything_is_read(tmp_path: Path, place: Path) -> None:
    (place / "r").mkdir()
    assert run("assess", tmp_path / "gone.nmea", "--out", place / "r").code == 5


def test_overwrite_moves_the_old_result_aside(undated: Path, place: Path) -> None:
    assert run("assess", undated, *DAY, "--out", place / "r").code == 0
    (place / "r" / "mine.txt").write_text("kept")
    done = run("assess", undated, *DAY, "--out", place / "r", "--overwrite")
    assert done.code == 0 and "r.previous" in done.err
    assert (place / "r.previous" / "mine.txt").read_text() == "kept" and (place / "r" / "summary.json").exists()


@pytest.mark.parametrize("verb", ["assess", "base", "compare"])
def test_a_folder_that_is_no_result_is_not_moved(undated: Path, place: Path, verb: str) -> None:
    (place / "r").mkdir()
    (place / "r" / "notes.txt").write_text("kept")
    done = run(verb, undated, *(() if verb == "compare" else DAY), "--out", place / "r", "--overwrite")
    assert done.code == 5 and "no older result" in done.sentence
    assert sorted(p.name for p in place.rglob("*")) == ["notes.txt", "r"]


@pytest.mark.parametrize("link", [False, True])
def test_a_folder_with_an_input_is_not_moved(undated: Path, place: Path, link: bool) -> None:
    (place / "r").mkdir()
    (place / "r" / "summary.json").write_text("{}")
    (place / "r" / "rover.nmea").write_bytes(undated.read_bytes())
    if link:
        (place / "to_it.nmea").symlink_to(place / "r" / "rover.nmea")
    given = place / ("to_it.nmea" if link else "r/rover.nmea")
    done = run("assess", given, *DAY, "--out", place / "r", "--overwrite")
    assert done.code == 5 and str(given) in done.sentence
    assert (place / "r" / "rover.nmea").exists() and not (place / "r.previous").exists()


def test_a_file_stands_in_the_way(undated: Path, place: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("kept")
    for target in (tmp_path / "file", tmp_path / "file" / "r"):
        done = run("assess", undated, *DAY, "--out", target, "--overwrite")
        refused(done, place, 5, "file")
    assert (tmp_path / "file").read_text() == "kept"


def test_a_name_too_long_for_a_folder(undated: Path, place: Path) -> None:
    refused(run("assess", undated, *DAY, "--out", place / ("r" * 300)), place, 5)


def test_no_permission_to_write(undated: Path, place: Path) -> None:
    place.chmod(0o500)
    try:
        if os.access(place, os.W_OK):
            pytest.skip("this user may write anywhere")
        refused(run("assess", undated, *DAY, "--out", place / "r"), place, 5, str(place))
    finally:
        place.chmod(0o700)


def test_a_full_disk_under_stdout(undated: Path) -> None:
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("this system has no device that is always full")
    with full.open("w") as sink:
        command = [sys.executable, "-m", "analyzer", "inspect", str(undated), "--json"]
        done = subprocess.run(command, stdout=sink, stderr=subprocess.PIPE, text=True, cwd=ROOT, check=False)
    assert Ran(done.returncode, "", done.stderr).sentence and done.returncode == 5


def test_a_reader_that_stops_listening(tmp_path: Path) -> None:
    """``postdrive purposes | head -1`` ends without a word on stderr."""
    command = [sys.executable, "-m", "analyzer", "purposes", "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=ROOT) as running:
        assert running.stdout is not None and running.stderr is not None
        running.stdout.close()
        assert running.stderr.read() == b""
    assert running.returncode == 0


# --fail-on


@pytest.mark.parametrize(("level", "code"), [
    ("never", 0), ("not_fit", 1), ("not_evaluated", 1), ("fit_with_exclusions", 1), ("fit", 1),
])
def test_fail_on_a_run_that_is_not_fit(tmp_path: Path, place: Path, level: str, code: int) -> None:
    """Autonomous positions can never serve a limit of 0.10 m, so the verdict is the lowest."""
    log = tmp_path / "autonomous.nmea"
    log.write_text("".join(gga(s, quality=1) for s in range(30)), newline="")
    done = run("assess", log, *DAY, "--out", place / "r", "--fail-on", level)
    assert Result(place / "r").summary["verdict"]["level"] == "not_fit"
    assert done.code == code and (place / "r" / "report.html").exists(), "the result is written all the same"


@pytest.mark.parametrize(("level", "code"), [
    ("not_fit", 0), ("not_evaluated", 0), ("fit_with_exclusions", 0), ("fit", 1),
])
def test_fail_on_a_run_that_is_fit(undated: Path, place: Path, level: str, code: int) -> None:
    done = run("assess", undated, *DAY, "--limit", "5", "--out", place / "r", "--fail-on", level)
    assert Result(place / "r").summary["verdict"]["level"] == "fit" and done.code == code


# Other verbs


def test_inspect_says_the_same_of_bad_files(tmp_path: Path, place: Path) -> None:
    (tmp_path / "photo.png").write_bytes(png())
    for name in ("gone.nmea", "photo.png"):
        refused(run("inspect", tmp_path / name), place, 3, name)


def test_a_demo_drive_in_the_place_of_a_file(tmp_path: Path, place: Path) -> None:
    (tmp_path / "file").write_text("kept")
    refused(run("demo", tmp_path / "file"), place, 5, "file")


@pytest.mark.parametrize("arguments", [
    ("--drives", "0"), ("--faults", "nonsense"), ("--duration", "-5"), ("--duration", "nan"), ("--rate", "0"),
    ("--files", "none"),
])
def test_a_demo_drive_that_cannot_be(place: Path, arguments: tuple[str, str]) -> None:
    refused(run("demo", place / "d", *arguments), place, 2, arguments[1])


def test_a_log_whose_sentences_all_fail_their_checksum_is_told_so(tmp_path: Path) -> None:
    path = tmp_path / "log.nmea"
    text = "".join(gga(s) + rmc(s) for s in range(30))
    broken = [line[:-4] + f"{int(line[-4:-2], 16) ^ 1:02X}\r\n" for line in text.splitlines(keepends=True)]
    whole = [sentence(f"GPZDA,1200{s:02d}.00,24,03,2026,00,00") for s in range(30)]
    path.write_text("".join(broken + whole), newline="")
    found = run("assess", path, "--out", tmp_path / "out", *DAY)
    assert found.code == 3 and "(60 sentences failed the checksum)" in found.err
