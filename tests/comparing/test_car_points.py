"""Stands of runs that log different points of the car, against stands whose antenna is known to have stood on the marks."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from run_folders import loop, mark_stands, run_folder

from analyzer.comparing.car_points import OnePoint, logged_point, to_one_point
from analyzer.comparing.compare import compare
from analyzer.comparing.result import Comparison
from analyzer.comparing.stands import COLUMNS

ARM = {"antenna_forward_m": 0.62, "antenna_left_m": 0.1, "antenna_up_m": 1.34}
ANTENNA = {"output_point": "antenna", "vehicle": "car A", **ARM}
AXLE = {"output_point": "reference_point", "vehicle": "car A", **ARM}


def axle_stands(rng: np.random.Generator, *, heading: bool = True) -> pd.DataFrame:
    """Return stands with the antenna on the marks as logged at the rear axle: behind, right of and below it."""
    out = mark_stands(rng, lever_m=(-0.62, -0.1))
    out["up_m"] -= 1.34
    return out if heading else out.assign(heading_deg=np.nan)


def two_runs(
    place: Path, second: dict[str, Any], stands: pd.DataFrame | None = None, *, first: dict[str, Any] = ANTENNA, shift: Any = (0, 0, 0)
) -> Comparison:
    """Compare a run of the antenna with a later one of the sheet `second`, whose base shifts positions."""
    rng = np.random.default_rng(11)
    one = run_folder(place / "a", loop(0.2), run="a", seed=1, stands=mark_stands(rng), car=first)
    own = axle_stands(rng) if stands is None else stands
    when = "2026-04-15T12:00:00Z"
    return compare([one, run_folder(place / "b", loop(0.2), run="b", start=when, seed=2, stands=own, car=second, offset_m=shift)])


def test_antenna_and_rear_axle_are_brought_to_one_point(tmp_path: Path) -> None:
    found = two_runs(tmp_path, AXLE)
    assert found.level == "comparable" and found.answers[1].detectable_m < 0.03
    assert "no shift above" in found.sentences[1]
    assert any("reference point of the car and are brought to the antenna" in s for s in found.sentences)


def test_a_moved_base_is_found_in_its_size_from_another_point_of_the_car(tmp_path: Path) -> None:
    shift = (-0.08, 0.06, 0.02)
    found = two_runs(tmp_path, AXLE, shift=shift)
    assert found.level == "comparable_after_shift"
    assert found.answers[1].shift_m == pytest.approx(shift, abs=0.025)


@pytest.mark.parametrize("second", [{"output_point": "reference_point"}, AXLE])
def test_the_sheet_and_the_directions_of_one_of_two_runs_do(tmp_path: Path, second: dict[str, Any]) -> None:
    """The antennas of the first run are brought to the rear axle, of which the second has no arm or no direction."""
    found = two_runs(tmp_path, second, axle_stands(np.random.default_rng(3), heading="vehicle" not in second))
    assert found.level == "comparable" and found.answers[1].detectable_m < 0.03
    assert any("of a are of the antenna of the car and are brought to the reference point" in s for s in found.sentences)


@pytest.mark.parametrize(
    ("first", "second", "why"),
    [
        ({"output_point": "antenna"}, {"output_point": "reference_point"}, "does not state the antenna offset"),
        ({"output_point": "antenna"}, AXLE, "direction of the car"),
        (ANTENNA, {"vehicle": "car A"}, "does not say which point"),
    ],
)
def test_what_cannot_be_brought_to_one_point_is_not_compared(
    tmp_path: Path, first: dict[str, Any], second: dict[str, Any], why: str
) -> None:
    found = two_runs(tmp_path, second, axle_stands(np.random.default_rng(3), heading=second is not AXLE), first=first)
    said = " ".join(found.sentences)
    assert (found.level, found.answers[1].shift_m) == ("not_evaluated", None)
    assert why in said and "different points of the car" in said
    assert "moved by" not in said and "no common mark" not in said
    assert "different points" in found.offsets.set_index("evidence").loc["marks", "note"]


def test_a_logged_point_that_stood_on_the_marks_itself_is_not_moved_away(tmp_path: Path) -> None:
    stands = mark_stands(np.random.default_rng(4))
    found = two_runs(tmp_path, AXLE, stands.assign(up_m=stands["up_m"] - 1.34))
    assert found.level == "not_evaluated"
    assert any("which point of the car stood on the marks is not known" in s for s in found.sentences)


def test_a_base_moved_within_a_day_parts_its_runs(tmp_path: Path) -> None:
    """Three runs of one entry: the last is off; the first two stay together and comparable."""
    rng = np.random.default_rng(6)
    shift = (0.11, -0.03, 0.0)
    folders = [
        run_folder(tmp_path / name, loop(0.2), run=name, start=f"2026-04-14T{8 + k:02d}:00:00Z", seed=k, car=ANTENNA,
                   stands=mark_stands(rng, both_ways=True), offset_m=shift if name == "c" else (0, 0, 0))
        for k, name in enumerate("abc")
    ]
    found = compare(folders)
    assert [s.runs for s in found.frames.setups] == [(0, 1), (2,)]
    assert [a.level for a in found.answers] == ["comparable", "comparable_after_shift"]
    assert found.answers[1].shift_m == pytest.approx(shift, abs=0.02)
    assert any(s.startswith("Between a and c") and s.endswith("the base antenna was moved in between.") for s in found.sentences)
    aligned = compare(folders[:1] + folders[2:], align_to="c")
    assert aligned.answers[0].shift_m == pytest.approx(np.negative(shift), abs=0.02)


def one_mark(*cars: dict[str, Any], up_m: tuple[float, ...], above_m: tuple[float, ...]) -> OnePoint:
    """Return stands on one mark facing east, at the antenna of each car, brought to one point."""
    rows = pd.DataFrame({"run": range(len(cars)), "place": "A", "kind": "mark", "east_m": 0.0, "north_m": 0.0, "up_m": up_m,
                         "heading_deg": 90.0, "above_m": above_m, "mark_up_m": above_m}).reindex(columns=list(COLUMNS))
    runs: Any = [SimpleNamespace(index=k, name=f"run {k}", logged=logged_point(car)) for k, car in enumerate(cars)]
    return to_one_point(rows, runs, reference=0, shifts=[np.zeros(3)] * len(cars))


def test_another_car_is_held_against_by_the_heights_above_the_mark() -> None:
    van = ANTENNA | {"vehicle": "van"}
    held = one_mark(ANTENNA, van, up_m=(1.65, 2.31), above_m=(1.65, 2.30))
    assert held.stands["up_m"].tolist() == pytest.approx([1.65, 1.66])
    assert held.stands["mark_up_m"].tolist() == pytest.approx([1.65, 1.65])
    lost = one_mark(ANTENNA, van, up_m=(1.65, 2.31), above_m=(1.65, np.nan))
    assert lost.apart == {1} and "another car" in lost.findings[0].text


def test_heights_above_the_mark_that_contradict_the_sheet_are_said() -> None:
    axle = AXLE | {"antenna_forward_m": 0.0, "antenna_left_m": 0.0}
    fits = one_mark(ANTENNA, axle, up_m=(1.65, 0.32), above_m=(1.65, 0.31))
    assert not fits.apart and fits.stands["up_m"].tolist() == pytest.approx([1.65, 1.66])
    assert fits.stands["mark_up_m"].tolist() == pytest.approx([1.65, 1.65])
    of_antenna = one_mark(ANTENNA, axle, up_m=(1.65, 0.32), above_m=(1.65, 1.65))
    assert of_antenna.stands["mark_up_m"].tolist() == pytest.approx([1.65, 1.65])
    wrong = one_mark(ANTENNA, axle, up_m=(1.65, 0.32), above_m=(1.65, 0.50))
    assert wrong.apart == {1} and "contradict each other by 0.19 m" in wrong.findings[0].text
    unstated = one_mark(ANTENNA, {}, up_m=(1.65, 1.66), above_m=(1.65, 1.64))
    assert not unstated.apart


def test_known_places_are_those_of_the_point_that_is_compared() -> None:
    """The axle 0.62 m behind an antenna on the mark: only the sheet's offset explains it."""
    runs: Any = [SimpleNamespace(index=0, name="run", logged=logged_point(AXLE))]
    rows = pd.DataFrame([{"run": 0, "place": "A", "kind": "mark", "east_m": -0.60, "north_m": -0.1, "up_m": 0.3, "heading_deg": 90.0,
                          "above_m": 0.31, "mark_east_m": 0.0, "mark_north_m": 0.0, "mark_up_m": 0.31}]).reindex(columns=list(COLUMNS))
    found = to_one_point(rows, runs, reference=0, shifts=[np.zeros(3)]).stands.iloc[0]
    assert found["east_m"] - found["mark_east_m"] == pytest.approx(0.02)
    assert found["north_m"] - found["mark_north_m"] == pytest.approx(0.0)


def test_the_point_that_stood_on_the_marks_is_compared_whichever_run_is_the_reference(tmp_path: Path) -> None:
    """Facing both ways, only the antenna stood on one place; the rear axle of the same stands lies 1.2 m apart."""
    rng, shift = np.random.default_rng(12), (0.11, -0.04, 0.0)
    both = run_folder(tmp_path / "a", loop(0.2), run="a", seed=1, stands=mark_stands(rng, both_ways=True), car=ANTENNA, offset_m=shift)
    one = run_folder(tmp_path / "b", loop(0.2), run="b", start="2026-04-14T12:00:00Z", seed=2, stands=axle_stands(rng), car=AXLE)
    for name, other, sign in (("a", 1, -1.0), ("b", 0, 1.0)):
        found = compare([one, both], align_to=name)
        assert found.answers[found.frames.group[other]].shift_m == pytest.approx(sign * np.array(shift), abs=0.025)
