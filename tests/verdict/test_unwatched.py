"""A fused solution that neither wheel speed nor raw inertial data watched is never fit for limits that a wrong fix breaks."""

from __future__ import annotations

import gzip
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from analyzer import assess, load_setup, read
from analyzer.assessment import Assessment
from analyzer.demo import Fault, make_drive
from analyzer.drive_files import DriveFiles
from analyzer.parsers.column_map import load_column_map
from analyzer.report.brief import brief
from analyzer.report.summary import quality_lines
from analyzer.verdict.purposes import load_purpose
from analyzer.verdict.unwatched import unwatched_words, watched_level
from analyzer.whole_drive import assess_files

LANE = load_purpose("lane")
WORDS = "Nothing independent watched this fused solution"
SENTENCE = "whether a wrong fix was taken slowly could not be evaluated"


@pytest.mark.parametrize(("axes", "lowered"), [
    ((), False), (("up",), False), (("across", "up"), False), (("along",), True), (("along", "up"), True), (("across", "along", "up"), True),
])
def test_only_what_watches_along_the_track_counts(axes: tuple[str, ...], lowered: bool) -> None:
    assert bool(unwatched_words(axes, LANE)) == lowered


def test_a_purpose_that_a_wrong_fix_does_not_break_is_not_lowered() -> None:
    # a wrong fix is decimetres, seldom a metre (common practice)
    assert unwatched_words(("along",), load_purpose("mapping"))
    assert not unwatched_words(("along",), load_purpose("road"))


@pytest.mark.parametrize(("level", "expected"), [
    ("fit", "not_evaluated"), ("fit_with_exclusions", "not_evaluated"), ("not_evaluated", "not_evaluated"), ("not_fit", "not_fit"),
])
def test_what_is_not_usable_stays_as_it_is(level: str, expected: str) -> None:
    found, said = watched_level(level, SENTENCE)
    assert found == expected and said == ([SENTENCE] if found != level else [])
    assert watched_level(level, "") == (level, [])


@pytest.fixture(scope="module")
def fused(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fused")
    make_drive(folder, seed=31, duration_s=480.0, solution_kind="fused", outputs=("inertial",),
               faults=(Fault("wrong_fix_fused", start_s=180.0, duration_s=70.0, size=0.5),))
    return folder


def _files(folder: Path, *, inertial: bool, tmp_path: Path, accept: str = "", windows: bool = True) -> DriveFiles:
    """Return the files of the drive, with two windows: before the wrong fix, and in it."""
    start = _start(folder)
    rows = [("before", 30, 170), ("in it", 195, 245)] if windows else []
    if rows:
        text = "".join(f"{name},{start + pd.Timedelta(seconds=a):%Y-%m-%dT%H:%M:%SZ},{start + pd.Timedelta(seconds=b):%Y-%m-%dT%H:%M:%SZ}\n" for name, a, b in rows)
        (tmp_path / "windows.csv").write_text("name,start_utc,end_utc\n" + text, encoding="utf-8")
    if accept:
        (tmp_path / "accept.toml").write_text(accept, encoding="utf-8")
    return DriveFiles(
        logs=(folder / "rover.nmea",), setup=folder / "setup.toml", windows=tmp_path / "windows.csv" if rows else None,
        accept=tmp_path / "accept.toml" if accept else None,
        inertial=(folder / "inertial.csv",) if inertial else (), columns=(folder / "inertial_columns.toml",) if inertial else ())


def _start(folder: Path) -> pd.Timestamp:
    return pd.Timestamp(pd.read_csv(folder / "truth.csv", usecols=["time_utc"], nrows=1)["time_utc"].iloc[0]).ceil("s")


def _judged(folder: Path, tmp_path: Path, *, inertial: bool = False, accept: str = "", windows: bool = True, purpose: str = "lane") -> Assessment:
    return assess_files(_files(folder, inertial=inertial, tmp_path=tmp_path, accept=accept, windows=windows), purpose=purpose)


def test_without_inertial_data_nothing_is_fit_and_the_reason_is_said(fused: Path, tmp_path: Path) -> None:
    found = _judged(fused, tmp_path)
    # the heading alone shows this wrong fix, which makes its window worse than not evaluated
    assert found.verdict.level == "not_fit"
    assert found.windows["verdict"].tolist() == ["not_evaluated", "not_fit"]
    assert SENTENCE in found.windows["reason"].iloc[0] and found.windows["share_trusted"].iloc[0] == 1.0
    assert found.windows["repeat"].all()
    whole = _judged(fused, tmp_path, windows=False)
    assert whole.verdict.level == "not_evaluated" and any(SENTENCE in words for words in whole.verdict.sentences)
    assert _judged(fused, tmp_path, windows=False, purpose="road").verdict.level in ("fit", "fit_with_exclusions")


def test_with_inertial_data_what_is_right_is_fit_and_the_wrong_fix_is_not(fused: Path, tmp_path: Path) -> None:
    found = _judged(fused, tmp_path, inertial=True)
    assert found.windows["verdict"].tolist() == ["fit", "not_fit"]
    assert not found.windows["reason"].str.contains(SENTENCE).any()


def test_a_wrong_fix_that_nothing_shows_is_not_called_fit(demo_data: Path, tmp_path: Path) -> None:
    """The demo drive whose wrong fix its inertial data and its heading expose: without them trusted epochs are decimetres off."""
    folder = demo_data / "day2_run01"
    lines = gzip.decompress((folder / "rover.nmea.gz").read_bytes()).splitlines(keepends=True)
    (tmp_path / "rover.nmea").write_bytes(b"".join(line for line in lines if line[3:6] != b"HDT"))
    found = assess_files(DriveFiles(logs=(tmp_path / "rover.nmea",), setup=folder / "setup.toml", windows=folder / "windows.csv"))
    truth = pd.read_csv(folder / "truth.csv.gz").set_index("time_utc")["error_h_m"]
    truth.index = pd.DatetimeIndex(truth.index)
    off = truth.reindex(found.epochs.index)[(found.epochs["trust"] == "trusted").to_numpy()] > 0.1
    assert off.mean() > 0.1, "else another drive must show it"
    assert found.verdict.level == "not_evaluated"
    assert not found.windows["verdict"].isin(["fit", "fit_with_exclusions"]).any()


def test_a_person_may_accept_what_nothing_watched(fused: Path, tmp_path: Path) -> None:
    accept = '[[entry]]\naction = "accept"\nwindow = "before"\nby = "A. Tester"\nreason = "a second car drove beside"\n'
    found = _judged(fused, tmp_path, accept=accept)
    assert found.windows["verdict"].tolist() == ["not_evaluated", "not_fit"]
    assert found.windows["verdict_with_decisions"].tolist() == ["fit_with_exclusions", "not_fit"]
    assert found.windows["repeat"].tolist() == [False, True]
    assert found.verdict.level == "fit_with_exclusions"


@pytest.mark.parametrize(("until", "level"), [(481, "fit_with_exclusions"), (300, "not_evaluated")])
def test_a_run_without_windows_is_accepted_as_a_whole_or_not(fused: Path, tmp_path: Path, until: int, level: str) -> None:
    start = _start(fused) - pd.Timedelta(seconds=1)
    accept = (f'[[entry]]\naction = "accept"\nstart_utc = "{start:%Y-%m-%dT%H:%M:%SZ}"\nend_utc = "{start + pd.Timedelta(seconds=until):%Y-%m-%dT%H:%M:%SZ}"\n'
              'by = "A. Tester"\nreason = "a second car drove beside"\n')
    assert _judged(fused, tmp_path, accept=accept, windows=False).verdict.level == level


def test_the_first_screen_says_that_nothing_watched(demo_data: Path) -> None:
    """The wrong fix of this drive slews in while fixed; its raw inertial data show it."""
    drive = demo_data / "day2_run01"
    setup = load_setup(drive / "setup.toml")
    log, maps = drive / "rover.nmea.gz", [load_column_map(path) for path in sorted(drive.glob("*_columns.toml"))]
    alone = assess(read(log, solution_kind="fused"), setup=setup)
    assert any(WORDS in line for line in quality_lines(alone)) and WORDS in brief(alone)
    watched = assess(read(log, inertial=sorted(drive.glob("inertial.csv*")), maps=maps, solution_kind="fused"), setup=setup)
    assert WORDS not in brief(watched) and any(f.code == "slow_steps" for f in watched.findings)


def test_a_run_that_never_was_fixed_has_no_words_on_wrong_fixes(fused: Path) -> None:
    log = read(fused / "rover.nmea", solution_kind="fused")
    never = log.fixes.assign(fix_state=pd.Categorical(["autonomous"] * len(log.fixes), categories=log.fixes["fix_state"].cat.categories))
    found = assess(replace(log, fixes=never))
    (told,) = [f for f in found.findings if f.code == "fused_unwatched"]
    assert told.text.startswith(WORDS) and "an error that it took slowly would not show there. Give " in told.text
    assert "fixed" not in told.text and not any("wrong fix" in words for words in found.cannot_show)
    assert "an error that the fused solution takes slowly" in " ".join(brief(found).split())
    fixed = assess(log)
    assert any("a wrong fix that it took slowly while it stayed fixed" in f.text for f in fixed.findings if f.code == "fused_unwatched")
