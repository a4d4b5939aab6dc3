"""Logged speed that cannot be that of the positions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analyzer import Recording, assess, read
from analyzer.demo import DriveSpec, make_drive
from analyzer.metrics.speed_scale import speed_scale, without_wrong_speed


@pytest.fixture(scope="module")
def drive(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    place = tmp_path_factory.mktemp("speed") / "drive"
    return read(make_drive(place, DriveSpec(seed=5, duration_s=240.0, rate_hz=5.0)) / "rover.nmea")


def scaled(drive: Recording, factor: float) -> Recording:
    return replace(drive, fixes=drive.fixes.assign(speed_mps=drive.fixes["speed_mps"] * factor))


@pytest.mark.parametrize(("factor", "words"), [
    # the international knot is 1852 m/h, ISO 80000-3:2019 annex; km/h from there as well
    (1852 / 3600, "m/s in a field of knots"), (3600 / 1852, "knots in a field of m/s"), (1.852, "km/h in a field of knots"), (3.6, "km/h in a field of m/s"),
    (0.0, "is wrong, or of something else"), (1.5, "is wrong, or of something else"),
])
def test_a_mistaken_unit_is_named_and_not_used(drive: Recording, factor: float, words: str) -> None:
    found = without_wrong_speed(scaled(drive, factor))
    assert [f.level for f in found.findings if f.code == "speed_scale"] == ["problem"] and words in found.findings[-1].text
    assert found.fixes["speed_mps"].isna().all() and found.fixes["course_deg"].isna().all()
    assert found.fixes["speed_mps"].dtype == drive.fixes["speed_mps"].dtype


def test_a_right_speed_stays(drive: Recording) -> None:
    assert speed_scale(drive.fixes) == pytest.approx(1.0, abs=0.02)
    for one in (drive, scaled(drive, 1.05)):
        assert without_wrong_speed(one) is one


def test_where_too_little_was_driven_nothing_is_said(drive: Recording) -> None:
    still = drive.fixes[drive.fixes["speed_mps"] < 0.2]
    assert np.isnan(speed_scale(still)) and np.isnan(speed_scale(drive.fixes.iloc[:20]))
    assert np.isnan(speed_scale(drive.fixes.assign(fix_state="autonomous", speed_mps=0.0))), "such positions jump by metres at rest"


def test_a_speed_of_another_unit_moves_no_base(drive: Recording) -> None:
    whole = assess(scaled(drive, 0.5144))
    codes = {f.code for f in whole.findings}
    assert "speed_scale" in codes and not codes & {"base_elsewhere", "other_frame"}
