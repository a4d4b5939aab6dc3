"""What a log at the base says of the base of a drive, on the first screen of that drive."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analyzer import assess, read
from analyzer.demo import make_base_log
from analyzer.recording import Recording
from analyzer.report.brief import brief

pytestmark = pytest.mark.usefixtures("no_pictures")


@pytest.fixture(scope="module")
def at_base(tmp_path_factory: pytest.TempPathFactory) -> tuple[Recording, Recording]:
    """Ten minutes at rest of a rover, and of the base."""
    place = tmp_path_factory.mktemp("base")
    for seed, name in enumerate(("rover", "base")):
        make_base_log(place / f"{name}.nmea", seed=seed, grade="centimetre", duration_s=600.0)
    return read([place / "rover.nmea"]), read([place / "base.nmea"])


def changed(log: Recording, **columns: np.ndarray | float) -> Recording:
    return replace(log, fixes=log.fixes.assign(**columns))


def test_a_base_that_moved_by_its_log_is_on_the_first_screen(at_base: tuple[Recording, Recording]) -> None:
    rover, base = at_base
    half = np.arange(len(base.fixes)) >= len(base.fixes) // 2
    moved = changed(base, latitude_deg=base.fixes["latitude_deg"].to_numpy() + half * 0.3 / 111_200)
    found = assess(rover, base_log=moved)
    screen = " ".join(brief(found).split())
    assert "By its own log the base stepped by" in screen and "all positions moved with it" in screen
    assert [f.level for f in found.findings if f.code == "base_log_unfit"] == ["warning"]
    still = assess(rover, base_log=base)
    assert "By its own log" not in brief(still)
    assert [f.level for f in still.findings if f.code == "base_log_judged"] == ["note"]


def test_a_base_with_few_satellites_is_on_the_first_screen(at_base: tuple[Recording, Recording]) -> None:
    rover, base = at_base
    few = changed(base, satellites_used=8.0)
    assert "the base had fewer than 12 satellites for 100 % of the time" in " ".join(brief(assess(rover, base_log=few)).split())


def test_a_log_of_another_time_says_nothing_on_the_base(at_base: tuple[Recording, Recording]) -> None:
    rover, base = at_base
    later = replace(base, fixes=base.fixes.set_index(base.fixes.index + np.timedelta64(1, "D")))
    assert not [f for f in assess(rover, base_log=later).findings if f.code.startswith("base_log_")]
