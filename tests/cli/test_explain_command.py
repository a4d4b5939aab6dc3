"""``postdrive explain`` on a result folder that assess has written."""

from __future__ import annotations

import argparse
from pathlib import Path

import pandas as pd
import pytest

from analyzer.cli import explain
from analyzer.cli.explain import parse_moment
from analyzer.demo import Fault, make_drive
from analyzer.errors import AnalyzerError, InputError, UsageError
from analyzer.judging import assess
from analyzer.parsers.reading import read
from analyzer.results.write import write_results
from analyzer.userfiles.setup_sheet import load_setup
from analyzer.userfiles.tabular import read_windows

pytestmark = pytest.mark.usefixtures("no_pictures")


@pytest.fixture(scope="module")
def drive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_drive(tmp_path_factory.mktemp("drive"), seed=7, duration_s=400.0, rate_hz=5.0, marks=1,
                      faults=(Fault("radio_loss", start_s=200, duration_s=40),), outputs=("check_points",))


@pytest.fixture(scope="module")
def result(drive: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    judged = assess(read([drive / "rover.nmea"]), setup=load_setup(drive / "setup.toml"),
                    windows=read_windows(drive / "windows.csv"))
    out = tmp_path_factory.mktemp("results") / "run"
    write_results(judged, out)
    return out


def asked(*words: object) -> int:
    parser = argparse.ArgumentParser()
    explain.add_parser(parser.add_subparsers())
    args = parser.parse_args(["explain", *map(str, words)])
    return int(args.func(args))


def test_a_moment_a_dropout_and_a_window_are_explained(result: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert asked(result, "--at", "08:13:50") == 0
    text = capsys.readouterr().out
    assert "2026-04-14T08:13:50.000Z" in text and "dropout 1: lost corrections" in text and "ageing" in text
    assert asked(result, "--dropout", 1) == 0
    assert "next drive:" in capsys.readouterr().out
    name = str(pd.read_csv(result / "windows.csv")["name"].iloc[0])
    assert asked(result, "--window", name) == 0
    assert f"window {name}" in capsys.readouterr().out


@pytest.mark.parametrize(("words", "kind", "part"), [
    (("--at", "2026-04-15T08:00:00Z"), UsageError, "lies outside the run"),
    (("--at", "noon-ish"), UsageError, "expected a UTC time"),
    (("--at", "25:70"), UsageError, ""),
    (("--dropout", 77), UsageError, "there is no dropout 77"),
    (("--window", "nowhere"), UsageError, "there is no window 'nowhere'"),
])
def test_errors_are_one_sentence(result: Path, words: tuple[object, ...], kind: type[AnalyzerError], part: str) -> None:
    with pytest.raises(kind) as caught:
        asked(result, *words)
    assert part in str(caught.value) and "\n" not in str(caught.value)


def test_what_is_no_result_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"summary\.json"):
        asked(tmp_path, "--dropout", 1)
    with pytest.raises(InputError, match="no such folder"):
        asked(tmp_path / "none", "--dropout", 1)


def test_one_question_at_a_time(result: Path) -> None:
    with pytest.raises(SystemExit):
        asked(result)
    with pytest.raises(SystemExit):
        asked(result, "--dropout", 1, "--window", "x")


def test_a_time_of_day_finds_its_day() -> None:
    over_midnight = pd.DatetimeIndex(["2026-04-14T23:50:00Z", "2026-04-15T00:20:00Z"])
    assert parse_moment("23:55", over_midnight) == pd.Timestamp("2026-04-14T23:55:00Z")
    assert parse_moment("00:10:00.5Z", over_midnight) == pd.Timestamp("2026-04-15T00:10:00.5Z")
    assert parse_moment("2026-04-15T02:00:00+02:00", over_midnight) == pd.Timestamp("2026-04-15T00:00:00Z")
