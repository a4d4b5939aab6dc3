"""A fused solution without independent data: the first screen says on whose word it is trusted."""

from __future__ import annotations

from pathlib import Path

from analyzer import assess, load_setup, read
from analyzer.parsers.column_map import load_column_map
from analyzer.report.brief import brief
from analyzer.report.summary import quality_lines

WORDS = "Nothing independent watched this fused solution"


def test_the_first_screen_says_that_nothing_watched(demo_data: Path) -> None:
    """The wrong fix of this drive slews in along the track while fixed; only its raw inertial data show it."""
    drive = demo_data / "day2_run01"
    setup = load_setup(drive / "setup.toml")
    log, maps = drive / "rover.nmea.gz", [load_column_map(path) for path in sorted(drive.glob("*_columns.toml"))]
    alone = assess(read(log, solution_kind="fused"), setup=setup)
    assert any(WORDS in line for line in quality_lines(alone)) and WORDS in brief(alone)
    watched = assess(read(log, inertial=sorted(drive.glob("inertial.csv*")), maps=maps, solution_kind="fused"), setup=setup)
    assert WORDS not in brief(watched) and any(f.code == "slow_steps" for f in watched.findings)
