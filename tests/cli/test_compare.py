"""``postdrive compare``: from drives with a known base to the answer, end to end."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import pytest

from analyzer.cli import compare
from analyzer.demo import DriveSpec, make_drive
from analyzer.errors import RefusedError, UsageError
from analyzer.judging import assess
from analyzer.parsers.reading import read
from analyzer.results.write import write_results
from analyzer.userfiles.setup_sheet import load_setup

KNOCK = (0.06, -0.05, 0.02)


def run(*words: str) -> int:
    """Run the verb."""
    parser = argparse.ArgumentParser()
    compare.add_parser(parser.add_subparsers())
    args = parser.parse_args(["compare", *words])
    return int(args.func(args))


@pytest.fixture(scope="module")
def drives(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with two assessed drives; before the second the base antenna was knocked, its entry unchanged."""
    place = tmp_path_factory.mktemp("days")
    for day, moved in ((1, (0.0, 0.0, 0.0)), (2, KNOCK)):
        folder = place / f"day{day}"
        make_drive(
            folder,
            DriveSpec(
                seed=70 + day,
                run=f"day {day}",
                start_utc=f"2026-04-{13 + day}T08:00:00",
                duration_s=660.0,
                rate_hz=2.0,
                marks=3,
                mark_rest_s=60.0,
                both_ways=True,
                antenna_moved_m=moved,
                outputs=("check_points",),
                sky_sentences=False,
                windows=2,
            ),
        )
        setup = load_setup(folder / "setup.toml")
        write_results(assess(read(folder / "rover.nmea"), setup=setup), place / f"result{day}")
    return place


def words(drives: Path) -> list[str]:
    """Return the arguments that name both results and their marks."""
    out = [str(drives / "result1"), str(drives / "result2")]
    for day in (1, 2):
        out += ["--check-points", str(drives / f"day{day}" / "check_points.csv")]
    return out


def test_knocked_antenna_is_found_and_written(drives: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(*words(drives), "--out", str(tmp_path / "out")) == 0
    said = capsys.readouterr()
    assert "the base antenna was moved by" in said.out
    content = json.loads((tmp_path / "out" / "comparison.json").read_text())
    assert content["level"] == "comparable_after_shift"
    assert content["setups"][1]["shift_m"] == pytest.approx([-v for v in KNOCK], abs=0.03)
    assert content["setups"][1]["smallest_detectable_shift_m"] < 0.06
    assert (tmp_path / "out" / "report.html").read_text().count("<h1>Are these runs comparable?</h1>") == 1


def test_refused_only_where_comparable_runs_were_required(
    drives: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(RefusedError) as refused:
        run(*words(drives), "--require-comparable", "--quiet", "--out", str(tmp_path / "out"))
    assert refused.value.exit_code == 6
    assert (tmp_path / "out" / "comparison.json").exists()
    assert (
        run(
            *words(drives), "--require-comparable", "--align-to", "day 1", "--quiet", "--out", str(tmp_path / "aligned")
        )
        == 0
    )
    capsys.readouterr()


def test_one_run_is_wrong_usage(drives: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError) as wrong:
        run(str(drives / "result1"), "--out", str(tmp_path / "out"))
    assert wrong.value.exit_code == 2
    assert not (tmp_path / "out").exists()


def test_base_is_given_once_per_run(drives: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="given twice"):
        run(*words(drives), "--base", "47,20,100", "--base", "47,20,101", "--out", str(tmp_path / "out"))
    with pytest.raises(UsageError, match="expected latitude"):
        run(*words(drives), "--base", "day 1=north", "--out", str(tmp_path / "out"))
