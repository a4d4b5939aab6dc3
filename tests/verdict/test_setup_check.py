"""The set-up sheet against what was recorded."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analyzer import assess, read
from analyzer.assessment import SetupItem
from analyzer.demo import DriveSpec, make_drive
from analyzer.evidence.check_point_offsets import Offset
from analyzer.evidence.check_point_words import Height
from analyzer.evidence.check_points import CheckPointResult, nothing
from analyzer.geodesy import to_ecef
from analyzer.metrics.base_site_sent import sent_positions
from analyzer.metrics.measure import measure
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


def _off(value: tuple[float, float], axes: tuple[str, str], sigma: float = 0.01, stands: int = 3) -> Offset:
    half = 1.96 * sigma
    return Offset(axes, value, (half, half), np.eye(2) * sigma**2, stands)


def _item(key: str, marks: CheckPointResult | None, drive: Recording, setup: Setup | None = None) -> SetupItem:
    sheet = setup or Setup(frame="F1", height_type="ellipsoidal", output_point="antenna", antenna_forward_m=0.6, antenna_left_m=0.0)
    return next(i for i in check_setup(drive, measure(drive), sheet, marks=marks) if i.key == key)


def test_check_points_check_frame_and_antenna_offset(drive: Recording) -> None:
    """The set-up list says of both what the stands on marks said."""
    table = pd.DataFrame({"used": [True] * 3})
    earth, car = _off((0.004, -0.003), ("east", "north")), _off((0.005, 0.002), ("forward", "left"))
    marks = replace(nothing(), table=table, earth_fixed=earth, car_fixed=car, height=Height(0.01, 0.04, 3))
    for key, words in (("frame", "3 stands on known marks"), ("reference_point", "facing different ways")):
        item = _item(key, marks, drive)
        assert item.status == "confirmed" and words in item.evidence and "± 0.020 m" in item.evidence
        assert _item(key, marks, drive, Setup()).status == "not_checked", "nothing was stated"
        assert _item(key, nothing(), drive).status == _item(key, None, drive).status == "not_checked"
    assert "not the offsets from it" in _item("reference_point", marks, drive).evidence
    inner = Setup(output_point="reference_point", antenna_forward_m=0.6, antenna_left_m=0.0)
    assert "not the offsets from it" not in _item("reference_point", marks, drive, inner).evidence
    moved = replace(marks, earth_fixed=_off((0.2, 0.0), ("east", "north")), car_fixed=_off((0.0, 0.3), ("forward", "left")))
    assert [_item(k, moved, drive).status for k in ("frame", "reference_point")] == ["contradicted"] * 2
    tall = replace(marks, height=Height(0.3, 0.04, 3))
    assert _item("frame", tall, drive).status == "contradicted" and "+0.300" in _item("frame", tall, drive).evidence


def test_check_points_that_cannot_tell_say_why(drive: Recording) -> None:
    one = replace(nothing(), table=pd.DataFrame({"used": [True]}), earth_fixed=_off((0.004, 0.0), ("east", "north"), stands=1))
    assert "1 stand on marks faced too much the same way" in _item("reference_point", one, drive).evidence
    # what neither frame nor antenna offset alone explains contradicts neither
    both = _item("frame", replace(one, earth_fixed=_off((0.1, 0.0), ("east", "north"), stands=1)), drive)
    assert both.status == "not_checked" and "not told from the antenna offset" in both.evidence
    headless = replace(one, table=pd.DataFrame({"used": [True, True], "heading_deg": [90.0, np.nan]}))
    assert "the heading is not known at 1 of 2 stands" in _item("reference_point", headless, drive).evidence
    assert "heading" in _item("frame", replace(headless, earth_fixed=None), drive).evidence
    refused = replace(one, refused_horizontal="the frame of the check points is F2, that of the base F1")
    item = _item("frame", refused, drive)
    assert item.status == "not_checked" and "F2" in item.evidence
    torn = replace(one, car_fixed=_off((0.5, 0.0), ("forward", "left")), consistent=False)
    assert {_item(k, torn, drive).status for k in ("frame", "reference_point")} == {"not_checked"}


def _base(drive: Recording, height_m: float | None, *, height_type: str = "ellipsoidal", geoid_m: float = 42.0) -> SetupItem:
    """Return what is said of a base stated where it was sent, `height_m` above the height that was sent; None where no height is stated."""
    place = sent_positions(drive.corrections)[0].place
    base = Base(latitude_deg=place[0], longitude_deg=place[1], height_m=None if height_m is None else place[2] + height_m, antenna_height_m=1.8)
    log = replace(drive, fixes=drive.fixes.assign(geoid_separation_m=geoid_m))
    return next(i for i in check_setup(log, measure(log), Setup(base=base, height_type=height_type)) if i.key == "base_position")


@pytest.mark.parametrize(("height_m", "height_type", "geoid_m", "status", "words"), [
    (0.0, "ellipsoidal", 42.0, "confirmed", "0.000 m in height"),
    (None, "ellipsoidal", 42.0, "confirmed", "no height is stated, so none was compared"),
    (-1.8, "ellipsoidal", 42.0, "contradicted", "the height stated is the mark's"),
    (1.8, "ellipsoidal", 42.0, "contradicted", "the one stated the antenna's"),
    (-41.6, "ellipsoidal", 42.0, "contradicted", "say so with height_type"),
    (-41.6, "geoid", 42.0, "confirmed", "0.400 m are left"),
    (-30.0, "geoid", 42.0, "contradicted", "12.000 m are left"),
    (-41.6, "geoid", np.nan, "confirmed", "the two were not compared"),
    (0.5, "ellipsoidal", 42.0, "contradicted", "0.500 m in height"),
])
def test_the_height_of_the_base_is_compared_only_with_its_like(
    drive: Recording, height_m: float | None, height_type: str, geoid_m: float, status: str, words: str,
) -> None:
    item = _base(drive, height_m, height_type=height_type, geoid_m=geoid_m)
    assert (item.status, words in item.evidence) == (status, True), item.evidence
    assert ("height not stated" in item.stated) == (height_m is None)


@pytest.mark.parametrize(("below_m", "status"), [(0.0, "not_checked"), (100.0, "not_checked"), (400.0, "contradicted"), (-400.0, "contradicted")])
def test_a_base_that_no_road_leads_down_to_contradicts_the_sheet(drive: Recording, below_m: float, status: str) -> None:
    """A height of 0 that was written for not known lies hundreds of metres below the first fixed position beside the base."""
    log = replace(drive, corrections=drive.corrections.iloc[:0])
    first = log.fixes[log.fixes["fix_state"] == "fixed"].iloc[0]
    base = Base(latitude_deg=float(first["latitude_deg"]), longitude_deg=float(first["longitude_deg"]), height_m=float(first["height_m"]) - below_m)
    item = next(i for i in check_setup(log, measure(log), Setup(base=base)) if i.key == "base_position")
    assert item.status == status, item.evidence
    assert ("above the height stated" in item.evidence) == (below_m == 400.0)
