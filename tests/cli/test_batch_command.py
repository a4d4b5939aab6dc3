"""``postdrive batch``: what it prints, its exit codes, and what it refuses."""

from __future__ import annotations

import argparse
import hashlib
import json
import re
from pathlib import Path

import pytest
from cli_runs import run, run_program

from analyzer.batch.run import BatchResult
from analyzer.cli.batch import _told
from analyzer.demo import make_drive

pytestmark = pytest.mark.usefixtures("no_pictures")


@pytest.fixture(scope="module")
def drives(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A good drive and an empty log."""
    place = tmp_path_factory.mktemp("day")
    make_drive(place / "good", seed=3, run="run 03", duration_s=120.0, rate_hz=5.0, marks=0, windows=2, faults=(),
               sky_sentences=False, outputs=())
    (place / "bad").mkdir()
    (place / "bad" / "rover.nmea").write_bytes(b"")
    return place


@pytest.fixture(scope="module")
def done(drives: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, object]:
    results = tmp_path_factory.mktemp("batch") / "results"
    return results, run_program("batch", drives, "--out", results, "--jobs", 1, cwd=drives)


def test_a_table_a_failed_drive_and_exit_1(done: tuple[Path, object]) -> None:
    results, ran = done
    assert ran.code == 1, ran  # type: ignore[attr-defined]
    lines = ran.out.splitlines()  # type: ignore[attr-defined]
    assert lines[0].split() == ["run", "date", "verdict", "trusted", "fixed", "age", "p95", "dropouts", "again"]
    assert len(lines) == 2 and re.match(r"good +2026-04-14 +", lines[1])
    err = ran.err  # type: ignore[attr-defined]
    assert "bad: failed:" in err and "is empty (0 bytes)" in err and "Traceback" not in err
    assert re.search(r"^good: [a-z ]+; 1 of 2 drives, .* left$", err, re.M), err
    assert "1 drives assessed, 0 finished before, 1 failed" in err
    assert (results / "runs/good/report.html").is_file() and (results / "failed.csv").is_file()
    assert "\r" not in err and "#" not in err, "bars are for terminals"


def test_a_second_call_does_only_what_failed(done: tuple[Path, object], drives: Path) -> None:
    results, _ = done
    stamp = (results / "runs/good/summary.json").stat().st_mtime_ns
    again = run("batch", drives, "--out", results, "--jobs", 1)
    assert again.code == 1 and again.out.splitlines()[1].endswith("finished before")
    assert (results / "runs/good/summary.json").stat().st_mtime_ns == stamp
    alone = run("batch", drives / "good", "--out", results, "--quiet")
    assert alone.code == 0 and alone.err == "", "no process is needed where all is finished"


def test_damaged_runs_are_marked_and_alike_names_are_told_apart(capsys: pytest.CaptureFixture[str]) -> None:
    own = f"a_b-{hashlib.sha256(b'/day/a_b').hexdigest()[:8]}"
    rows = tuple(
        {"run": name, "place": place, "date": "2026-04-14", "start_utc": f"2026-04-14T0{k}:00:00Z", "verdict": "fit", "share_trusted": 0.5,
         "dropouts": 0, "windows": 0, "windows_to_repeat": 0, "damage": damage}
        for k, (name, place, damage) in enumerate([("a_b", "/day/a b", "x.gz: the gzip data end early"), (own, "/day/a_b", None), ("c", "/day/c", None)])
    )
    told = _told(BatchResult(Path("r"), rows, (), ()), argparse.Namespace(json=False, quiet=True, fail_on="never", out="r"))
    lines = capsys.readouterr().out.splitlines()
    assert told == 0 and re.match(r"a_b +\S+ +fit \*  ", lines[1]) and not any("*" in x for x in lines[2:4])
    assert lines[4:] == ["a_b is /day/a b", f"{own} is /day/a_b", "* a_b: judged without what is damaged or was not read: x.gz: the gzip data end early."]


def test_the_verdict_can_decide_the_exit_code(done: tuple[Path, object], drives: Path) -> None:
    results, _ = done
    assert run("batch", drives / "good", "--out", results, "--quiet", "--fail-on", "fit").code == 1
    assert run("batch", drives / "good", "--out", results, "--quiet", "--fail-on", "never").code == 0


def test_rows_as_json(done: tuple[Path, object], drives: Path) -> None:
    results, _ = done
    rows = json.loads(run("batch", drives / "good", "--out", results, "--json", "--quiet").out)
    assert rows[0]["run"] == "good" and rows[0]["name"] == "run 03" and rows[0]["folder"] == "runs/good"


def test_compare_takes_the_results_whole(done: tuple[Path, object], tmp_path: Path) -> None:
    results, _ = done
    one = run("compare", results, "--out", tmp_path / "c")
    assert one.code == 2 and "1 run was given" in one.sentence


def test_a_list_of_what_would_be_done(drives: Path) -> None:
    listed = run("batch", drives, "--list")
    assert listed.code == 0
    assert listed.out.splitlines()[0] == "bad" and "    setup              " + str(drives / "good/setup.toml") in listed.out
    assert sorted(p.name for p in drives.iterdir()) == ["bad", "good"]


@pytest.mark.parametrize(("words", "code", "sentence"), [
    (["{d}"], 2, "--out RESULTS is missing"),
    (["{d}", "--out", "{t}/r", "--jobs", "0"], 2, "--jobs 0"),
    (["{d}", "--out", "{t}/r", "--jobs", "two"], 2, "--jobs 'two': expected a whole number, like 2"),
    (["{d}", "--out", "{t}/r", "--jobs", "2", "--cluster", "tcp://h:1"], 2, "not allowed with"),
    (["{d}", "--out", "{t}/r", "--cluster", "localhost:8786"], 2, "expected the address of a scheduler like tcp://"),
    (["{d}", "--out", "{t}/r", "--cluster", "tcp://localhost"], 2, "expected the address"),
    (["{d}", "--out", "{t}/r", "--purpose", "moon"], 2, "'moon' is not known"),
    (["{d}", "--out", "{t}/r", "--limit", "0"], 2, "--limit 0"),
    (["{d}", "--out", "{t}/r", "--setup", "{t}/gone.toml"], 2, "there is no such file"),
    (["{d}", "--out", "{t}/r", "--check-points", "{t}/gone.csv"], 2, "gone.csv"),
    (["{d}", "--out", "{t}/r", "--columns", "{t}/gone.toml"], 2, "gone.toml"),
    (["{d}", "--out", "{t}/r", "--time-zone", "Mars"], 2, "'Mars' is not known"),
    (["{t}/gone", "--out", "{t}/r"], 3, "does not exist"),
    (["{t}", "--out", "{t}/r"], 3, "no drive was found"),
    (["{d}", "--out", "{d}"], 5, "holds other files"),
])
def test_wrong_usage_is_one_sentence_and_leaves_nothing(drives: Path, tmp_path: Path, words: list[str], code: int, sentence: str) -> None:
    ran = run("batch", *(w.format(d=drives, t=tmp_path) for w in words))
    assert ran.code == code and sentence in ran.sentence
    assert not (tmp_path / "r").exists()


def test_a_missing_extra_is_named_with_its_install_line(drives: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "distributed", None)
    ran = run("batch", drives, "--out", tmp_path / "r", "--cluster", "tcp://127.0.0.1:8786")
    assert ran.code == 2 and "pip install 'postdrive[cluster]'" in ran.sentence
    assert not (tmp_path / "r").exists()
