"""``postdrive base`` on simulated logs."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import pytest

from analyzer.cli import base, main, with_signed_places
from analyzer.demo import make_base_log
from analyzer.errors import OutputError, UsageError


def run(*words: str) -> int:
    """Run the verb."""
    parser = argparse.ArgumentParser()
    base.add_parser(parser.add_subparsers())
    args = parser.parse_args(["base", *words])
    return int(args.func(args))


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a log of centimetre grade."""
    path = tmp_path_factory.mktemp("base") / "base.nmea"
    make_base_log(path, seed=3, grade="centimetre", duration_s=900.0)
    return path


def test_result_is_written_and_said(log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(str(log), "--out", str(tmp_path / "out"), "--accuracy", "0.05") == 0
    said = capsys.readouterr()
    assert "enter the same coordinates every day" in said.out
    assert "report.html" in said.err
    content = json.loads((tmp_path / "out" / "base.json").read_text())
    assert content["settled"] is True
    assert content["grade"] == "centimetre"
    assert content["smallest_detectable_shift_m"]["entered_coordinates"] is None


def test_later_log_is_held_against_the_earlier_one(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run(str(log), "--out", str(tmp_path / "first"), "--quiet")
    make_base_log(tmp_path / "next.nmea", seed=4, grade="centimetre", duration_s=900.0, antenna_moved_m=(0.2, 0.0, 0.0))
    capsys.readouterr()
    assert (
        run(
            str(tmp_path / "next.nmea"),
            "--previous",
            str(tmp_path / "first"),
            "--out",
            str(tmp_path / "next"),
            "--quiet",
        )
        == 0
    )
    assert "the antenna was shifted" in capsys.readouterr().out
    assert json.loads((tmp_path / "next" / "base.json").read_text())["shift"]["answer"] == "shifted"


def test_existing_result_stays_unless_told(log: Path, tmp_path: Path) -> None:
    run(str(log), "--out", str(tmp_path / "out"), "--quiet")
    with pytest.raises(OutputError, match="exists"):
        run(str(log), "--out", str(tmp_path / "out"), "--quiet")


@pytest.mark.parametrize("place", ["48.1,11.5", "91,0,0", "a,b,c"])
def test_wrong_coordinates_are_one_sentence(log: Path, tmp_path: Path, place: str) -> None:
    with pytest.raises(UsageError, match="expected latitude"):
        run(str(log), "--out", str(tmp_path / "out"), "--expected", place)


def test_known_place_needs_a_name(log: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="expected a name"):
        run(str(log), "--out", str(tmp_path / "out"), "--known", "48.1,11.5,540")


def test_a_base_south_of_the_equator_needs_no_sign_of_equality(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert with_signed_places(["assess", "a.nmea", "--base", "-33.9,151.2,20", "--brief"]) == ["assess", "a.nmea", "--base=-33.9,151.2,20", "--brief"]
    assert with_signed_places(["--base", "48.1,11.5,540", "--base", "--brief"]) == ["--base", "48.1,11.5,540", "--base", "--brief"]
    assert main(["assess", str(tmp_path / "absent.nmea"), "--base", "-95,151.2,20", "--brief"]) == 2
    assert "--base -95,151.2,20: expected latitude" in capsys.readouterr().err


@pytest.mark.parametrize(("place", "why"), [
    ("48.1,11.5", "the height is missing"), ("91,0,0", "the latitude 91 is beyond 90 degrees"),
    ("151.2,-33.9,20", "swap the first two, -33.9,151.2"), ("48.1,200,5", "the longitude 200 is beyond 180"),
    ("48.1,11.5,54020", "in centimetres it would be 540.2 m"), ("48.1,11.5,x", "'x' is no number"),
    ("48.1,11.5,nan", "no finite number"), ("48,1,11,5,540", "there are 5 numbers"),
])
def test_a_place_says_which_number_is_wrong_and_why(place: str, why: str) -> None:
    with pytest.raises(UsageError, match="expected latitude") as told:
        base.parse_place(place, "--expected")
    assert why in str(told.value)


def test_expected_coordinates_that_fit_otherwise_are_named(log: Path, tmp_path: Path) -> None:
    run(str(log), "--out", str(tmp_path / "first"), "--quiet")
    there = json.loads((tmp_path / "first" / "base.json").read_text())["coordinates"]
    latitude, longitude, height = (there[k] for k in ("latitude_deg", "longitude_deg", "height_m"))
    for words, why in (
        (f"{longitude},{latitude},{height}", "are swapped"),
        (f"{latitude},{longitude},{100 * height}", "in centimetres only|in centimetres it would be"),
    ):
        with pytest.raises(UsageError, match=why):
            run(str(log), "--out", str(tmp_path / "out"), "--quiet", "--expected", words)
