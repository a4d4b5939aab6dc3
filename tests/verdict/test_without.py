"""Kinds of evidence can be switched off from the library and the command line, and every output says that they were."""

from __future__ import annotations

import html
import json
from dataclasses import replace
from pathlib import Path

import pytest

import analyzer
from analyzer.assessment import Assessment
from analyzer.cli import main
from analyzer.demo import Fault, make_drive
from analyzer.errors import UsageError
from analyzer.evidence.result import KINDS
from analyzer.recording import Recording
from analyzer.report.brief import brief
from analyzer.scratch import Scratch, Sizes

pytestmark = pytest.mark.usefixtures("no_pictures")

WORDS = "udged without the evidence of ageing and segment, as was asked: this is not the full judgement"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_drive(tmp_path_factory.mktemp("spoiled") / "drive", seed=3, duration_s=420.0, faults=(
        Fault("wrong_fix", start_s=150.0, duration_s=60.0, size=0.5), Fault("stale_corrections", start_s=270.0, duration_s=90.0, size=3.0)))


@pytest.fixture(scope="module")
def recording(folder: Path) -> Recording:
    return analyzer.read(folder / "rover.nmea")


@pytest.fixture(scope="module")
def less(recording: Recording) -> Assessment:
    return analyzer.assess(recording, without=["segment", "ageing"])


def test_parts_are_left_out_and_the_verdict_says_so(recording: Recording, less: Assessment) -> None:
    whole = analyzer.assess(recording)
    for part in ("bound_ageing_m", "bound_segment_m"):
        assert (whole.epochs[part] > 0).any() and (less.epochs[part] == 0).all()
    assert less.without == ("ageing", "segment") and WORDS in less.verdict.sentences[-1]
    assert whole.without == () and not any("not the full judgement" in s for s in whole.verdict.sentences)
    assert WORDS in brief(less) and "full judgement" not in brief(whole)


def test_the_brief_says_so_with_windows_too(less: Assessment) -> None:
    windows = less.windows.iloc[:0].copy()
    windows.loc[0, ["name", "verdict", "repeat"]] = ["M01", "fit", False]
    assert WORDS in brief(replace(less, windows=windows))


def test_long_drives_in_blocks_leave_them_out_too(recording: Recording, tmp_path: Path) -> None:
    sizes = replace(Sizes.usual(), epochs=500, block_epochs=1200, overlap_s=120.0)
    found = analyzer.assess(recording, without=("ageing",), scratch=Scratch(tmp_path, sizes=sizes))
    assert (found.epochs["bound_ageing_m"] == 0).all() and "not the full judgement" in found.verdict.sentences[-1]


@pytest.mark.parametrize("names", [["ageing", "nonsense"], "ageing", ["bound_ageing_m"]])
def test_a_wrong_name_is_refused_with_the_list(recording: Recording, names: list[str] | str) -> None:
    with pytest.raises(UsageError, match="without") as caught:
        analyzer.assess(recording, without=names)
    assert all(kind in str(caught.value) for kind in KINDS)


def test_the_command_line_takes_them_and_the_outputs_say_so(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "less"
    assert main(["assess", str(folder / "rover.nmea"), "--without", "segment,ageing", "--out", str(out), "--quiet"]) == 0
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert summary["verdict"]["without"] == ["ageing", "segment"] and WORDS in summary["verdict"]["sentences"][-1]
    page = html.unescape((out / "report.html").read_text(encoding="utf-8"))
    assert 0 < page.index(WORDS) < page.index("Dropouts: where, how long and why")
    capsys.readouterr()
    assert main(["assess", "no_such.nmea", "--without", "weather", "--out", str(tmp_path / "x")]) == 2
    assert "weather" in (said := capsys.readouterr().err) and "ageing" in said and not (tmp_path / "x").exists()
