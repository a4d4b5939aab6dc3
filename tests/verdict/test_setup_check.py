"""The set-up sheet against what was recorded."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analyzer import assess, read
from analyzer.demo import DriveSpec, make_drive
from analyzer.geodesy import to_ecef
from analyzer.metrics.base_site_sent import sent_positions
from analyzer.recording import Finding, Recording
from analyzer.userfiles.setup_sheet import Base, Setup
from analyzer.verdict.setup_check import check_setup

NEIGHBOUR = (47.3, 20.7, 180.0)


@pytest.fixture(scope="module")
def drive(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Return a drive with corrections."""
    place: Path = tmp_path_factory.mktemp("drive") / "one"
    make_drive(place, DriveSpec(seed=5, duration_s=240.0, rate_hz=1.0, outputs=("corrections",)))
    return read([place / "rover.nmea", place / "corrections_rover.rtcm3"])


@pytest.fixture(scope="module")
def with_neighbour(drive: Recording) -> Recording:
    """Return the drive with the position of another station heard before all other messages."""
    stray = drive.corrections[drive.corrections["x_m"].notna()].iloc[:1].copy()
    stray["station_id"] = pd.array([77], dtype="Int32")
    stray[["x_m", "y_m", "z_m"]] = np.array([float(v) for v in to_ecef(*NEIGHBOUR)])
    stray.index = drive.corrections.index[:1]
    return replace(drive, corrections=pd.concat([stray, drive.corrections]))


def status(recording: Recording, place: tuple[float, float, float]) -> str:
    """Return what the recording says to a base stated at `place`."""
    setup = Setup(base=Base(latitude_deg=place[0], longitude_deg=place[1], height_m=place[2]))
    return next(i.status for i in assess(recording, setup=setup).setup_items if i.key == "base_position")


def test_a_stray_base_does_not_contradict_the_base_as_stated(drive: Recording, with_neighbour: Recording) -> None:
    own = sent_positions(drive.corrections)[0].place
    assert status(drive, own) == status(with_neighbour, own) == "confirmed"
    assert status(drive, NEIGHBOUR) == status(with_neighbour, NEIGHBOUR) == "contradicted"


def test_a_stray_base_does_not_become_the_place_of_ours(drive: Recording, with_neighbour: Recording) -> None:
    """Distances to the base are held against those of the drive without the neighbour."""
    alone, both = (assess(one).epochs["base_distance_m"].to_numpy() for one in (drive, with_neighbour))
    assert np.isfinite(alone).any()
    np.testing.assert_allclose(both, alone)
    assert np.nanmax(both) < 5000.0


@pytest.mark.parametrize(("channels", "expected"), [(("speed",), "contradicted"), ((), "not_checked")])
def test_a_measurement_off_the_clock_contradicts_a_stated_common_clock(drive: Recording, channels: tuple[str, ...], expected: str) -> None:
    off = Finding("source_clock", "problem", "", {
        "words": "the clock of the measurement data is 18.0 s ahead of that of the positions"})
    items = check_setup(drive, assess(drive).metrics, Setup(channels=channels), findings=(off,))
    clock = next(i for i in items if i.key == "clock")
    assert clock.status == expected and clock.evidence == "the clock of the measurement data is 18.0 s ahead of that of the positions"
