"""Calls that would be carried out other than they were meant: refused before anything is read, in one sentence with exit code 2."""

from __future__ import annotations

from pathlib import Path

import pytest
from cli_runs import gga, run

from analyzer.cli import VERBS, build_parser


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A working folder that holds a log, which an empty path would read."""
    (tmp_path / "log.nmea").write_text("".join(gga(s) for s in range(10)), newline="")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("words", [
    ("assess", "", "--brief", "--date", "2026-03-24"), ("inspect", ""), ("assess", "log.nmea", " ", "--out", "r"), ("",),
    ("batch", "", "--list"), ("compare", "", "r", "--out", "c"), ("columns", ""), ("explain", "", "--window", "M01"), ("attach", "r", "", "--out", "f"),
])
def test_an_empty_argument_is_not_the_working_folder(place: Path, words: tuple[str, ...]) -> None:
    done = run(*words)
    assert done.code == 2 and done.out == "" and "empty" in done.sentence and "leave it out" in done.sentence
    assert [p.name for p in place.iterdir()] == ["log.nmea"]


@pytest.mark.parametrize("option", ["--purpose", "--setup", "--windows", "--accept", "--columns", "--without", "--time-zone", "--bus", "--out"])
@pytest.mark.parametrize("form", ["{} ", "{}="])
def test_an_empty_value_is_not_a_default(place: Path, option: str, form: str) -> None:
    done = run("assess", "log.nmea", "--date", "2026-03-24", "--brief", *form.format(option).split(" "))
    assert done.code == 2 and done.out == "" and option in done.sentence and "empty" in done.sentence


def test_corrections_need_a_file_before_their_place(place: Path) -> None:
    done = run("assess", "log.nmea", "--date", "2026-03-24", "--brief", "--corrections", "@base")
    assert done.code == 2 and "--corrections @base" in done.sentence and "FILE@base" in done.sentence


@pytest.mark.parametrize(("words", "option"), [
    (("assess", "log.nmea", "--limit", "0.1", "--limit", "5", "--brief"), "--limit"),
    (("assess", "log.nmea", "--setup", "a.toml", "--setup=b.toml", "--brief"), "--setup"),
    (("assess", "log.nmea", "--brief", "--brief"), "--brief"),
    (("inspect", "log.nmea", "--date", "2026-03-24", "--date", "2026-03-25"), "--date"),
    (("export", "r", "--format", "kml", "--format", "gpx"), "--format"),
    (("demo", "d", "--rate", "1", "--rate", "10"), "--rate"),
])
def test_the_last_of_two_values_does_not_stand_silently(place: Path, words: tuple[str, ...], option: str) -> None:
    done = run(*words)
    assert done.code == 2 and done.out == "" and f"{option} is given twice" in done.sentence
    assert [p.name for p in place.iterdir()] == ["log.nmea"]


def test_options_that_add_up_may_be_repeated(place: Path) -> None:
    """What names a list keeps all of it: the file that is missing is the second one."""
    done = run("inspect", "log.nmea", "--inertial", "log.nmea", "--inertial", "gone.csv")
    assert done.code == 3 and "gone.csv" in done.sentence
    args = build_parser().parse_args(["demo", "d", "--faults", "trees", "--faults", "underpass", "radio_loss"])
    assert args.faults == ["trees", "underpass", "radio_loss"]


@pytest.mark.parametrize(("words", "options"), [
    (("assess", "log.nmea", "--brief", "--json"), ["--json"]),
    (("assess", "log.nmea", "--brief", "--pdf", "--overwrite"), ["--pdf", "--overwrite"]),
    (("assess", "log.nmea", "--brief", "--time-zone", "Europe/Berlin"), ["--time-zone"]),
    (("batch", ".", "--list", "--jobs", "2", "--pdf"), ["--jobs", "--pdf"]),
    (("batch", ".", "--list", "--fail-on", "not_fit"), ["--fail-on"]),
    (("attach", "--check", "f.csv", "--out", "g.csv"), ["--out"]),
    (("export", "r", "--format", "kml", "--table", "jumps"), ["--table"]),
    (("export", "r", "--format", "csv", "--spacing", "0"), ["--spacing"]),
    (("inspect", "log.nmea", "--line-rate", "9600"), ["--line-rate"]),
    (("base", "log.nmea", "--line-rate", "9600", "--out", "b"), ["--line-rate"]),
    (("demo", "--list", "--seed", "1"), ["--seed"]),
    (("demo", "d", "--list"), ["folder d"]),
    (("demo", "d", "--drives", "2", "--fused"), ["--fused"]),
])
def test_an_option_without_effect_is_named(place: Path, words: tuple[str, ...], options: list[str]) -> None:
    done = run(*words)
    assert done.code == 2 and done.out == "" and "no effect" in done.sentence and "leave" in done.sentence
    assert all(option in done.sentence for option in options)
    assert [p.name for p in place.iterdir()] == ["log.nmea"]


@pytest.mark.parametrize("verb", VERBS)
def test_no_option_has_a_value_that_hides_whether_it_was_given(verb: str) -> None:
    """What is refused as given must be missing where it is not: only --fail-on has a default, which is told apart."""
    parsers = next(a for a in build_parser(verb)._actions if isinstance(a.choices, dict)).choices
    defaults = {a.dest: a.default for a in parsers[verb]._actions if a.option_strings and a.dest not in ("help", "fail_on")}
    assert {name: value for name, value in defaults.items() if value is not None and value is not False and value != []} == {}


@pytest.mark.parametrize(("words", "told"), [
    (("assess", "log.nmea", "--brief", "--limit", "5cm"), "--limit '5cm': expected a length in metres, like 0.1"),
    (("assess", "log.nmea", "--brief", "--line-rate", "fast"), "--line-rate 'fast': expected a whole number of bits per second, like 38400"),
    (("explain", "r", "--dropout", "x"), "--dropout 'x': expected a whole number, like 2"),
])
def test_a_value_that_is_no_number_is_told_what_was_expected(place: Path, words: tuple[str, ...], told: str) -> None:
    done = run(*words)
    assert done.code == 2 and told in done.sentence and "invalid" not in done.sentence
