"""A reader that stops listening: the result stands and the exit code is that of the verdict.

The standard output here is a pipe whose other end is closed before the first word, so that nothing depends on timing.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from cli_runs import gga

from analyzer.cli import main


@pytest.fixture
def nobody_listens(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Standard output leads into a pipe that nobody reads."""
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "w") as stream:
        monkeypatch.setattr(sys, "stdout", stream)
        yield


@pytest.fixture
def log(tmp_path: Path) -> str:
    """Half a minute of autonomous positions, which never serve 0.10 m: not fit."""
    path = tmp_path / "autonomous.nmea"
    path.write_text("".join(gga(s, quality=1) for s in range(30)), newline="")
    return str(path)


@pytest.mark.usefixtures("no_pictures", "nobody_listens")
@pytest.mark.parametrize(("level", "code"), [("never", 0), ("not_fit", 1)])
def test_the_result_is_written_and_the_verdict_kept(tmp_path: Path, log: str, level: str, code: int, capfd: pytest.CaptureFixture[str]) -> None:
    words = ["assess", log, "--date", "2026-03-24", "--brief", "--json", "--quiet", "--out", str(tmp_path / "r"), "--fail-on", level]
    assert main(words) == code
    assert (tmp_path / "r" / "summary.json").exists() and (tmp_path / "r" / "report.html").exists()
    assert capfd.readouterr().err == ""


@pytest.mark.usefixtures("nobody_listens")
def test_the_verdict_alone_keeps_its_code(log: str) -> None:
    assert main(["assess", log, "--date", "2026-03-24", "--brief", "--fail-on", "not_fit"]) == 1


@pytest.mark.usefixtures("nobody_listens")
@pytest.mark.parametrize("words", [["--version"], ["--help"], ["assess", "--help"], ["purposes"]])
def test_words_without_a_reader_are_no_error(words: list[str]) -> None:
    assert main(words) == 0


@pytest.mark.usefixtures("no_pictures")
def test_a_full_disk_under_the_words_costs_no_result(tmp_path: Path, log: str, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> None:
    """What cannot be printed is told by exit code 5; what was judged stands all the same."""
    if not Path("/dev/full").exists():
        pytest.skip("this system has no device that is always full")
    sink = os.fdopen(os.open("/dev/full", os.O_WRONLY), "w")
    monkeypatch.setattr(sys, "stdout", sink)
    assert main(["assess", log, "--date", "2026-03-24", "--brief", "--quiet", "--out", str(tmp_path / "r")]) == 5
    assert (tmp_path / "r" / "summary.json").exists() and capfd.readouterr().err.count("\n") == 1
    with pytest.raises(OSError):
        sink.close()
