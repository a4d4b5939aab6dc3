"""What a recording cannot show is said on the one screen of --brief and in the report, and goes where a mark shows it."""

from __future__ import annotations

import html
from pathlib import Path

import pytest
from cli_runs import Result, gga, run

from analyzer.demo import make_drive

pytestmark = pytest.mark.usefixtures("no_pictures")

WHOLE_DAY = "a constant offset of the whole day"


@pytest.fixture(scope="module")
def fused(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_drive(tmp_path_factory.mktemp("fused") / "drive", seed=6, duration_s=240.0, start_rest_s=40.0, solution_kind="fused")


def seen(drive: Path, tmp_path: Path, *more: object) -> tuple[str, str]:
    """Return the sentence of --brief, and the text of the report."""
    done = run("assess", drive / "rover.nmea", "--quiet", "--brief", "--out", tmp_path / "r", *more)
    assert done.code == 0 and len(done.out.splitlines()) <= 24
    lines = done.out.splitlines()
    first = next(k for k, x in enumerate(lines) if x.startswith("Cannot be seen in this recording: "))
    last = next(k for k in range(first, len(lines)) if lines[k].endswith("."))
    assert max(map(len, lines[first:last + 1])) <= 160
    return " ".join(x.strip() for x in lines[first:last + 1]), html.unescape((Result(tmp_path / "r").folder / "report.html").read_text(encoding="utf-8"))


def test_the_whole_day_and_what_a_fused_source_hides(fused: Path, tmp_path: Path) -> None:
    line, page = seen(fused, tmp_path, "--setup", fused / "setup.toml")
    for words in (WHOLE_DAY, "slow multipath of a fused solution", "a wrong fix that the fused solution takes slowly along the track"):
        assert words in line and words[2:] in page


def test_an_unknown_solution_kind_is_a_blind_spot(tmp_path: Path) -> None:
    drive = make_drive(tmp_path / "drive", seed=6, duration_s=240.0, start_rest_s=40.0, rate_hz=1.0)
    line, page = seen(drive, tmp_path)
    assert "whether the velocity is independent of the positions" in line and "in which a wrong fix is taken slowly" in page


def test_a_visited_mark_shows_the_offset_of_the_day(tmp_path: Path) -> None:
    drive = make_drive(tmp_path / "drive", seed=7, duration_s=300.0, start_rest_s=40.0, marks=2, outputs=("check_points",))
    line, page = seen(drive, tmp_path, "--setup", drive / "setup.toml", "--check-points", drive / "check_points.csv")
    assert WHOLE_DAY not in line and WHOLE_DAY[2:] not in page
    assert "multipath while fixed" in line


def test_a_line_break_in_the_name_of_a_window_breaks_no_line(fused: Path, tmp_path: Path) -> None:
    day = (fused / "truth.csv").read_text(encoding="utf-8").splitlines()[1][:10]
    windows = tmp_path / "windows.csv"
    windows.write_text(f'name,start_utc,end_utc\n"M\n01",{day}T00:00:00Z,{day}T00:00:20Z\n', encoding="utf-8")
    place = (fused / "rover.nmea", "--windows", windows)
    plain, brief = run("assess", *place, "--out", tmp_path / "r"), run("assess", *place, "--quiet", "--brief")
    assert next(x for x in (plain.out + plain.err).splitlines() if x.startswith("verdict: ")).endswith("M 01")
    assert not any(x.startswith("01") for x in (plain.out + plain.err + brief.out).splitlines()) and "M 01" in brief.out


def test_a_log_that_never_was_fixed_does_not_speak_of_what_was_fixed(tmp_path: Path) -> None:
    (tmp_path / "log.nmea").write_text("".join(gga(s, quality=1) for s in range(30)), newline="")
    done = run("assess", tmp_path / "log.nmea", "--date", "2026-03-24", "--brief")
    assert done.code == 0 and "multipath" in done.out and "multipath while fixed" not in " ".join(done.out.split())
