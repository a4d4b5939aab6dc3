"""From files to an assessment: the same as reading and judging step by step."""

from __future__ import annotations

from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import pandas as pd
import pytest

import analyzer
from analyzer.demo import Fault, make_drive
from analyzer.drive_files import DriveFiles
from analyzer.errors import InputError, UsageError
from analyzer.recording import Finding
from analyzer.userfiles.accept import read_accept
from analyzer.whole_drive import assess_files


@pytest.fixture(scope="module")
def drive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_drive(tmp_path_factory.mktemp("drive"), seed=7, duration_s=400.0, rate_hz=5.0, marks=1,
                      faults=(Fault("radio_loss", start_s=200, duration_s=40),), outputs=("check_points", "base_log"))


@pytest.fixture(scope="module")
def files(drive: Path) -> DriveFiles:
    decisions = drive / "accept.toml"
    (drive / "second.nmea").write_bytes((drive / "rover.nmea").read_bytes().split(b"\n", 1)[1])
    decisions.write_text('[[entry]]\nwindow = "M01 straight"\naction = "accept"\nby = "A"\nreason = "b"\n', encoding="utf-8")
    return DriveFiles(
        logs=(str(drive / "rover.nmea"),), setup=str(drive / "setup.toml"), windows=str(drive / "windows.csv"),
        check_points=str(drive / "check_points.csv"), accept=str(decisions), base_log=str(drive / "base_log.nmea"),
        second_rover=str(drive / "second.nmea"),
    )


def test_every_file_takes_part(drive: Path, files: DriveFiles) -> None:
    steps: list[str] = []
    whole = assess_files(files, purpose="mapping", progress=steps.append)
    base_log = analyzer.read(drive / "base_log.nmea")
    place = base_log.fixes[["latitude_deg", "longitude_deg", "height_m"]].median()
    by_hand = analyzer.assess(
        analyzer.read(drive / "rover.nmea", solution_kind="gnss"), purpose="mapping",
        setup=analyzer.load_setup(drive / "setup.toml"), windows=analyzer.read_windows(drive / "windows.csv"),
        check_points=analyzer.read_check_points(drive / "check_points.csv"), decisions=read_accept(drive / "accept.toml"),
        base=(float(place.iloc[0]), float(place.iloc[1]), float(place.iloc[2])), base_log=base_log,
        second_rover=analyzer.read(drive / "second.nmea"),
    )
    pd.testing.assert_frame_equal(whole.epochs, by_hand.epochs)
    pd.testing.assert_frame_equal(whole.dropouts, by_hand.dropouts)
    assert whole.verdict == by_hand.verdict and whole.absolute == by_hand.absolute
    assert (whole.windows.set_index("name").loc["M01 straight", "accepted_by"]) == "A"
    assert steps[-1] == "judging" and len(steps) == 4


def test_a_log_that_is_the_drive_itself_is_no_second_rover(drive: Path, files: DriveFiles) -> None:
    for flag in ("second_rover", "base_log"):
        with pytest.raises(InputError, match=f"--{flag.replace('_', '-')} .*rover.nmea: its content is that of"):
            assess_files(replace(files, **{flag: str(drive / "rover.nmea")}))  # type: ignore[arg-type]


def test_further_logs_are_named_with_their_hash_and_time(drive: Path, files: DriveFiles, tmp_path: Path) -> None:
    def told(second: Path) -> Finding:
        return next(f for f in assess_files(replace(files, second_rover=str(second))).findings
                    if f.code.startswith("further_log") and "second rover" in f.text)

    own = told(drive / "second.nmea")
    assert own.level == "note" and own.evidence["sources"][0]["sha256"] == sha256((drive / "second.nmea").read_bytes()).hexdigest()  # type: ignore[index]
    other = make_drive(tmp_path / "other", seed=8, duration_s=60.0, rate_hz=1.0, start_utc="2026-05-01T10:00:00Z")
    late = told(other / "rover.nmea")
    assert late.code == "further_log_other_time" and late.level == "warning" and "2026-05-01" in late.text


def test_what_no_recording_reaches_over_stays_open(drive: Path, files: DriveFiles) -> None:
    """Corrections recorded somewhere do not answer on which side they were lost: only what tells does."""
    def open_side(**more: object) -> list[str]:
        given = replace(files, base_log=None, second_rover=None, **more)  # type: ignore[arg-type]
        return [x for x in assess_files(given).cannot_show if x.startswith("on which side")]

    stream = make_drive(drive.parent / "streams", seed=7, duration_s=400.0, rate_hz=5.0, marks=1, outputs=("corrections",),
                        faults=(Fault("radio_loss", start_s=200, duration_s=40),))
    rover, base = ((str(stream / f"corrections_{place}.rtcm3"), place) for place in ("rover", "base"))
    assert len(open_side()) == 1 and "was given" in open_side()[0]
    assert open_side(corrections=(rover,)) == [
        "on which side corrections were lost in 1 of 1 outage: no recording at the base or of another rover reaches over them"]
    assert open_side(corrections=(base,)) == []


def test_a_file_without_corrections_is_named(drive: Path, files: DriveFiles) -> None:
    whole = assess_files(replace(files, corrections=((str(drive / "second.nmea"), "base"),)))
    assert [f.level for f in whole.findings if f.code == "corrections_none"] == ["warning"]


def test_two_places_of_the_base_are_refused(files: DriveFiles) -> None:
    with pytest.raises(UsageError, match="give one of them"):
        assess_files(replace(files, base=(47.0, 20.0, 100.0)))


def test_a_faulty_file_of_the_user_is_refused_before_any_log_is_read(files: DriveFiles, tmp_path: Path) -> None:
    faulty = tmp_path / "accept.toml"
    faulty.write_text("entry = 1\n", encoding="utf-8")
    with pytest.raises(UsageError, match="accept file"):
        assess_files(replace(files, accept=str(faulty), logs=(str(tmp_path / "gone.nmea"),)))
    with pytest.raises(InputError, match=r"gone\.nmea does not exist"):
        assess_files(replace(files, logs=(str(tmp_path / "gone.nmea"),)))


def test_every_file_has_its_role(files: DriveFiles) -> None:
    many = replace(files, corrections=(("a.rtcm3", "base"), ("b.rtcm3", "rover")), inertial=("i.csv",),
                   measurement=("m.csv",), columns=("c.toml",), bus="b.dbc")
    roles = many.by_role()
    assert [r for r, _ in roles] == [
        "logs", "setup", "windows", "check_points", "accept", "inertial", "measurement", "corrections@base",
        "corrections@rover", "columns", "bus", "base_log", "second_rover",
    ]
    assert dict(roles)["corrections@rover"] == "b.rtcm3"
