"""From files to an assessment: the same as reading and judging step by step."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

import analyzer
from analyzer.demo import Fault, make_drive
from analyzer.drive_files import DriveFiles
from analyzer.errors import InputError, UsageError
from analyzer.userfiles.accept import read_accept
from analyzer.whole_drive import assess_files


@pytest.fixture(scope="module")
def drive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_drive(tmp_path_factory.mktemp("drive"), seed=7, duration_s=400.0, rate_hz=5.0, marks=1,
                      faults=(Fault("radio_loss", start_s=200, duration_s=40),), outputs=("check_points", "base_log"))


@pytest.fixture(scope="module")
def files(drive: Path) -> DriveFiles:
    decisions = drive / "accept.toml"
    decisions.write_text('[[entry]]\nwindow = "M01 straight"\naction = "accept"\nby = "A"\nreason = "b"\n', encoding="utf-8")
    return DriveFiles(
        logs=(str(drive / "rover.nmea"),), setup=str(drive / "setup.toml"), windows=str(drive / "windows.csv"),
        check_points=str(drive / "check_points.csv"), accept=str(decisions), base_log=str(drive / "base_log.nmea"),
        second_rover=str(drive / "rover.nmea"),
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
        second_rover=analyzer.read(drive / "rover.nmea"),
    )
    pd.testing.assert_frame_equal(whole.epochs, by_hand.epochs)
    pd.testing.assert_frame_equal(whole.dropouts, by_hand.dropouts)
    assert whole.verdict == by_hand.verdict and whole.absolute == by_hand.absolute
    assert (whole.windows.set_index("name").loc["M01 straight", "accepted_by"]) == "A"
    assert steps[-1] == "judging" and len(steps) == 4


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
