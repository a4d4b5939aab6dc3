"""Check points: what stands on known marks and passes over them may and may not say."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from analyzer import tables
from analyzer.comparing.frame_words import words_of
from analyzer.demo import Fault, make_drive
from analyzer.evidence.check_point_latency import latency_from_passes
from analyzer.evidence.check_point_offsets import car_to_earth, separate
from analyzer.evidence.check_point_passes import passes_over_marks
from analyzer.evidence.check_point_reading import point_over_mark
from analyzer.evidence.check_point_stands import COLUMNS, heading_of, mean_interval, numbered, stands_on_marks
from analyzer.evidence.check_point_words import (
    Height,
    assumed_plan,
    headings,
    height_sizes,
    heights_apart,
    known_heights,
    offsets,
    plan_sizes,
)
from analyzer.evidence.check_points import CheckPointResult, _absolute, bound_parts, check, refusals
from analyzer.geodesy import from_enu
from analyzer.metrics.measure import measure
from analyzer.parsers.reading import read
from analyzer.recording import Recording
from analyzer.userfiles.setup_sheet import Base, Setup, load_setup
from analyzer.userfiles.tabular import CHECK_POINT_COLUMNS, read_check_points

START = pd.Timestamp("2026-04-14T08:00:00Z")
SETUP = Setup(frame="F1", height_type="ellipsoidal", output_point="antenna", antenna_forward_m=0.6, antenna_left_m=0.0,
              antenna_up_m=1.3, base=Base(antenna_height_m=1.8))
ORIGIN = (47.0, 20.0, 100.0)


def points(**changes: object) -> pd.DataFrame:
    row: dict[str, object] = {
        "name": "A", "latitude_deg": 47.0, "longitude_deg": 20.0, "height_m": 98.5, "height_type": "ellipsoidal", "frame": "F1",
        "epoch_year": 2026.3, "sigma_h_m": 0.005, "sigma_v_m": 0.008, "antenna_above_mark_m": 1.5, "start_utc": pd.NaT,
        "end_utc": pd.NaT, "heading_deg": np.nan,
    }
    return pd.DataFrame([row | changes], columns=[*CHECK_POINT_COLUMNS, "start_utc", "end_utc", "heading_deg"])


def stands(offsets: list[tuple[float, float]], headings: list[float], sigma: float = 0.01) -> pd.DataFrame:
    rows = [{"standstill_id": i + 1, "name": "A", "start_utc": START + pd.Timedelta(minutes=i),
             "end_utc": START + pd.Timedelta(minutes=i, seconds=30), "fix_state": "fixed", "n_eff": 10.0, "heading_deg": h,
             "heading_from": "", "used": True, "offset_e_m": e, "offset_n_m": n, "offset_u_m": 0.0, "sigma_e_m": sigma,
             "sigma_n_m": sigma, "sigma_u_m": 0.02, "half_e_m": 2 * sigma, "half_n_m": 2 * sigma, "half_u_m": 0.04}
            for i, ((e, n), h) in enumerate(zip(offsets, headings, strict=True))]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def standstill(east: float, north: float, up: float, **changes: object) -> pd.DataFrame:
    latitude, longitude, height = (float(x) for x in from_enu(east, north, up, origin=ORIGIN))
    row: dict[str, object] = {
        "standstill_id": 1, "start_utc": START, "end_utc": START + pd.Timedelta(seconds=30), "n": 300, "n_eff": 8.0,
        "fix_state": "fixed", "latitude_deg": latitude, "longitude_deg": longitude, "height_m": height, "var_ee_m2": 1e-5,
        "var_nn_m2": 1e-5, "var_en_m2": 0.0, "var_uu_m2": 4e-5, "heading_deg": np.nan, "check_point": None,
    }
    return pd.DataFrame([row | changes])


def recording(rows: int = 0, **columns: object) -> Recording:
    index = START + pd.to_timedelta(np.arange(rows) * 0.1, unit="s")
    return Recording((), fixes=tables.FIXES.conform(pd.DataFrame(columns, index=pd.DatetimeIndex(index))))


# --- separation -------------------------------------------------------------------------------------------------------


def test_opposite_stands_give_mean_and_half_difference() -> None:
    """North: forward is north, left is west. Facing south both turn round: mean and half difference by hand."""
    found = separate(stands([(0.05, 0.09), (0.05, 0.01)], [0.0, 180.0]))
    assert found is not None and found.car is not None
    assert found.earth.value_m == pytest.approx((0.05, 0.05))
    assert found.car.value_m == pytest.approx((0.04, 0.0))
    assert found.earth.half_m[0] == pytest.approx(1.959964 * 0.01 / np.sqrt(2), rel=1e-4)


def test_axes_of_the_car_are_those_of_iso_8855() -> None:
    """Facing east (90°): forward points east, left points north (ISO 8855: x forward, y left, z up)."""
    turned = car_to_earth(np.array([90.0]))[0]
    assert turned @ np.array([1.0, 0.0]) == pytest.approx([1.0, 0.0], abs=1e-12)
    assert turned @ np.array([0.0, 1.0]) == pytest.approx([0.0, 1.0], abs=1e-12)


@given(st.floats(0, 360), st.floats(100, 260), st.tuples(*[st.floats(-0.5, 0.5)] * 4))
def test_separation_returns_what_was_put_in(heading: float, other: float, parts: tuple[float, float, float, float]) -> None:
    headings = [heading, (heading + other) % 360]
    turned = car_to_earth(np.array(headings)) @ np.array(parts[2:]) + np.array(parts[:2])
    found = separate(stands([tuple(row) for row in turned.tolist()], headings))
    assert found is not None and found.car is not None
    assert [*found.earth.value_m, *found.car.value_m] == pytest.approx(parts, abs=1e-9)


def test_stands_facing_one_way_are_not_told_apart() -> None:
    found = separate(stands([(0.05, 0.0), (0.05, 0.0)], [10.0, 20.0]))
    assert found is not None and found.car is None
    assert found.earth.value_m == pytest.approx((0.05, 0.0))
    assert separate(stands([], [])) is None


def test_the_size_of_an_offset_that_is_not_told_apart_is_not_called_earth_fixed() -> None:
    parts = separate(stands([(0.27, 0.0), (0.27, 0.0)], [10.0, 12.0]))
    assert parts is not None and parts.car is None
    (said,) = plan_sizes(parts, Setup())
    assert said.text.startswith("As far as the 0.270 m towards east are earth-fixed, which the stands do not tell, that size is also what 11 years")
    apart = separate(stands([(0.27, 0.0), (0.27, 0.0)], [10.0, 190.0]))
    assert apart is not None and plan_sizes(apart, Setup())[0].text.startswith("An earth-fixed error of 0.270 m")


def test_nothing_is_not_said_to_be_below_nothing() -> None:
    parts = separate(stands([(0.27, -0.0001), (0.27, -0.0001)], [10.0, 12.0]))
    assert parts is not None
    assert "north +0.000 m" in offsets(parts, None, refused=False).text
    assert words_of((0.1, -0.0002, -0.0)) == "+0.100 m east, +0.000 m north, +0.000 m up"


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    rng = np.random.default_rng(3)
    inside, strong = 0, 0
    for _ in range(400):
        noise = rng.normal(0, 0.01, (3, 2))
        found = separate(stands([tuple(r) for r in noise.tolist()], [0.0, 180.0, 90.0]))
        assert found is not None and found.car is not None
        inside += abs(found.earth.value_m[0]) <= found.earth.half_m[0]
        strong += found.car.significant
    assert stats.binomtest(inside, 400, 0.95).pvalue > 0.001
    assert stats.binomtest(strong, 400, 0.05).pvalue > 0.001


def test_stands_that_disagree_are_said_to() -> None:
    found = separate(stands([(0.0, 0.0), (0.0, 0.0), (0.5, 0.4)], [0.0, 180.0, 90.0]))
    assert found is not None and not found.consistent


def test_mean_interval_by_the_welch_satterthwaite_formula() -> None:
    """JCGM 100:2008, G.4: with no known part it is Student's t with n - 1 degrees of freedom."""
    sigma, half = mean_interval(0.04, 5.0, 0.0)
    assert sigma == pytest.approx(np.sqrt(0.04 / 5))
    assert half / sigma == pytest.approx(stats.t.ppf(0.975, 4.0), rel=1e-6)
    sigma, half = mean_interval(0.0, 5.0, 0.01)
    assert half / sigma == pytest.approx(1.959964, rel=1e-5)
    assert mean_interval(0.04, 1.0, 0.0)[0] == pytest.approx(0.2)


# --- matching and headings --------------------------------------------------------------------------------------------


def test_a_stand_is_matched_by_place_and_offsets_are_logged_minus_known() -> None:
    table = stands_on_marks(standstill(0.03, -0.02, 0.05), points(), recording())
    assert table["name"].tolist() == ["A"] and bool(table["used"].iloc[0])
    assert table[["offset_e_m", "offset_n_m", "offset_u_m"]].to_numpy()[0] == pytest.approx([0.03, -0.02, 0.05], abs=1e-4)
    assert stands_on_marks(standstill(5.0, 0.0, 0.0), points(), recording()).empty


def test_a_stated_time_decides_over_place() -> None:
    timed = points(start_utc=START + pd.Timedelta(hours=1), end_utc=START + pd.Timedelta(hours=1, seconds=20))
    assert stands_on_marks(standstill(0.0, 0.0, 0.0), timed, recording()).empty
    far = points(start_utc=START, end_utc=START + pd.Timedelta(seconds=20))
    assert len(stands_on_marks(standstill(120.0, 0.0, 0.0), far, recording())) == 1


def test_height_is_left_out_where_no_antenna_height_is_stated() -> None:
    table = stands_on_marks(standstill(0.0, 0.0, 0.0), points(antenna_above_mark_m=np.nan), recording())
    assert np.isnan(table["offset_u_m"].iloc[0]) and np.isfinite(table["offset_e_m"].iloc[0])


def test_heading_comes_from_the_file_then_the_course_beside_the_stand() -> None:
    speed = np.r_[np.full(50, 3.0), np.zeros(300), np.full(50, 3.0)]
    rolling = recording(400, speed_mps=speed, course_deg=np.r_[np.full(200, 80.0), np.full(200, 84.0)])
    stand = {"heading_deg": np.nan, "start_utc": START + pd.Timedelta(seconds=5), "end_utc": START + pd.Timedelta(seconds=35)}
    assert heading_of(stand, {"heading_deg": 12.0}, rolling) == (12.0, "check points file")
    found, how = heading_of(stand, {}, rolling)
    assert found == pytest.approx(82.0, abs=0.1) and how == "course before and after"
    reversed_off = recording(400, speed_mps=speed, course_deg=np.r_[np.full(200, 80.0), np.full(200, 260.0)])
    assert np.isnan(heading_of(stand, {}, reversed_off)[0])


# --- what may be stated -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("changes", "setup", "part", "word"), [
    ({"frame": ""}, SETUP, 0, "frame for A"),
    ({}, replace(SETUP, frame=None), 0, "set-up sheet"),
    ({"frame": "F2"}, SETUP, 0, "F2"),
    ({"epoch_year": np.nan}, SETUP, 0, "epoch"),
    ({"height_type": ""}, SETUP, 1, "height type"),
    ({"height_type": "geoid"}, SETUP, 1, "geoid"),
    ({"antenna_above_mark_m": np.nan}, SETUP, 1, "antenna_above_mark_m"),
    ({"height_m": np.nan}, SETUP, 1, "no height"),
    ({}, replace(SETUP, height_type=None), 1, "height_type"),
])
def test_absolute_statements_are_refused_with_the_reason(
    changes: dict[str, object], setup: Setup, part: int, word: str,
) -> None:
    found = refusals(points(**changes), setup)
    assert word in found[part]
    assert part == 0 or found[0] == "", "a fault of heights must not cost the plan"
    assert part == 1 or found[1], "without a frame heights say nothing either"


def test_nothing_is_refused_where_all_is_stated_alike() -> None:
    assert refusals(points(), SETUP) == ("", "")
    assert refusals(points(frame="f1 "), SETUP) == ("", "")


def test_another_point_over_the_mark_is_recognised_and_said() -> None:
    reference = replace(SETUP, output_point="reference_point")
    behind = -0.6 * np.array([[1.0, 0.0], [-1.0, 0.0]])
    table, said = point_over_mark(stands([tuple(r) for r in behind.tolist()], [90.0, 270.0]), reference)
    assert table[["offset_e_m", "offset_n_m"]].abs().to_numpy().max() < 1e-9
    assert said and "antenna" in said[0].text
    table, said = point_over_mark(stands([(0.07, 0.0), (-0.07, 0.0)], [90.0, 270.0]), reference)
    assert table["offset_e_m"].tolist() == [0.07, -0.07] and not said


@pytest.mark.parametrize(("error", "word"), [
    (1.8, "entered twice"), (-1.8, "left out at the base"), (42.3, "geoid separation"), (1.5, "antenna height above the mark"),
    (0.4, ""),
])
def test_heights_of_a_known_size_are_named(error: float, word: str) -> None:
    found = height_sizes(Height(error, 0.02, 2), known_heights(SETUP, antenna_m=1.5), geoid_m=42.31)
    assert (word in " ".join(f.text for f in found)) if word else not found


def _stood(up: list[float]) -> pd.DataFrame:
    table = stands([(0.0, 0.0)] * len(up), [90.0, 270.0, 90.0][: len(up)])
    return table.assign(offset_u_m=up)


def test_an_antenna_height_of_nothing_is_named_and_not_explained_away() -> None:
    """1.65 m were left out; less 1.34 m to the reference point 0.31 m are left, seven times its uncertainty: that does not fit."""
    setup = replace(SETUP, output_point="antenna", antenna_up_m=1.34)
    table, said = point_over_mark(_stood([1.64, 1.65]), setup)
    assert table["offset_u_m"].tolist() == [1.64, 1.65] and not said
    found = height_sizes(Height(1.645, 0.04, 2), known_heights(setup, antenna_m=0.0), antenna_m=0.0, geoid_m=42.31)
    assert len(found) == 1 and "antenna height was left out" in found[0].text and found[0].level == "problem"
    assert not height_sizes(Height(-1.645, 0.04, 2), known_heights(setup, antenna_m=0.0), antenna_m=0.0, geoid_m=42.31)
    # where the height of the reference point was given, nothing is left and it is read so
    table, said = point_over_mark(_stood([1.35, 1.33]), setup)
    assert table["offset_u_m"].to_numpy() == pytest.approx([0.01, -0.01]) and "fits" in said[0].text


def test_one_antenna_height_of_several_that_is_wrong_is_named() -> None:
    found = heights_apart(_stood([1.66, 0.01, -0.01]), np.array([0.0, 1.65, 1.65]))
    assert len(found) == 1 and "0.000 m to 1.650 m" in found[0].text and found[0].code == "check_point_suspicious_size"
    other = heights_apart(_stood([0.6, 0.01, -0.01]), np.array([1.65, 1.65, 1.65]))
    assert len(other) == 1 and "base changed" in other[0].text
    assert not heights_apart(_stood([0.02, 0.01, -0.01]), np.array([1.65] * 3)) and not heights_apart(_stood([1.65]), np.array([0.0]))


def test_another_point_that_fits_badly_is_not_said_to_fit() -> None:
    reference = replace(SETUP, output_point="reference_point")
    behind = -0.6 * np.array([[1.0, 0.0], [-1.0, 0.0]]) + np.array([[0.2, 0.0], [0.2, 0.0]])
    _, said = point_over_mark(stands([tuple(r) for r in behind.tolist()], [90.0, 270.0]), reference)
    assert said and "come nearest to" in said[0].text and "beyond its uncertainty" in said[0].text


def test_a_height_that_chance_explains_has_no_size() -> None:
    assert not height_sizes(Height(1.8, 2.0, 1), known_heights(SETUP, antenna_m=1.5), geoid_m=42.3)


def test_stands_that_disagree_bound_each_moment_by_the_stands_beside_it() -> None:
    table = stands([(0.0, 0.0), (0.6, 0.0), (0.6, 0.0)], [0.0, 180.0, 90.0])
    found = CheckPointResult(table, pd.DataFrame(), consistent=False)
    times = START + pd.to_timedelta([-10, 30, 90, 150], unit="s")
    plan, _ = bound_parts(found, pd.DatetimeIndex(times))
    assert plan[0] == 0.0, "before the first stand, which agrees with its mark, nothing speaks against positions"
    assert (plan[1:] > 0.6).all()
    assert bound_parts(replace(found, refused_horizontal="no frame"), pd.DatetimeIndex(times))[0].max() == 0.0


# --- passes -----------------------------------------------------------------------------------------------------------


def test_latency_is_told_from_both_kinds_of_offset() -> None:
    speed, course = np.array([10.0, 25.0, 12.0, 24.0]), np.array([90.0, 90.0, 270.0, 270.0])
    along = 0.20 + np.cos(np.radians(course - 90.0)) * 0.05 - 0.040 * speed
    found = latency_from_passes(pd.DataFrame({"speed_mps": speed, "course_deg": course, "along_m": along}))
    assert found is not None and found.significant
    assert (found.latency_s, found.forward_m, found.earth_m) == pytest.approx((0.040, 0.20, 0.05))


def test_passes_at_one_speed_leave_the_offset_in_latency() -> None:
    found = latency_from_passes(pd.DataFrame({"speed_mps": [20.0, 20.0], "course_deg": [0.0, 180.0], "along_m": [-0.8, -0.8]}))
    assert found is not None and np.isnan(found.forward_m) and found.latency_s == pytest.approx(0.04)
    assert latency_from_passes(pd.DataFrame({"speed_mps": [], "course_deg": [], "along_m": []})) is None


def test_a_pass_is_where_the_position_stood_at_the_moment() -> None:
    """20 m/s to the east, positions 50 ms old: 1 m behind the mark at the moment of passing."""
    t = np.arange(200) * 0.1
    latitude, longitude, _ = from_enu(20.0 * (t - 10.0 - 0.05), np.zeros(200), np.zeros(200), origin=(47.0, 20.0, 0.0))
    fixes = recording(200, latitude_deg=latitude, longitude_deg=longitude, speed_mps=np.full(200, 20.0),
                      course_deg=np.full(200, 90.0), fix_state=["fixed"] * 200).fixes
    moment = START + pd.Timedelta(seconds=10)
    found = passes_over_marks(points(start_utc=moment, end_utc=moment), fixes)
    assert found["along_m"].iloc[0] == pytest.approx(-1.0, abs=2e-3)
    assert found["across_m"].iloc[0] == pytest.approx(0.0, abs=2e-3)
    late = START + pd.Timedelta(hours=1)
    assert passes_over_marks(points(start_utc=late, end_utc=late), fixes).empty


# --- whole drives -----------------------------------------------------------------------------------------------------


def judged(folder: Path, faults: tuple[Fault, ...], **changes: object) -> CheckPointResult:
    drive = make_drive(folder, seed=7, marks=3, both_ways=True, duration_s=900.0, rate_hz=10.0, faults=faults,
                       outputs=("check_points",))
    log = read([drive / "rover.nmea"])
    setup = replace(load_setup(drive / "setup.toml"), **changes)  # type: ignore[arg-type]
    return check(log, measure(log), setup, read_check_points(drive / "check_points.csv"))


def test_a_mark_without_a_stand_says_how_near_the_drive_came() -> None:
    here = recording(5, latitude_deg=47.0, longitude_deg=20.0, height_m=100.0, fix_state="fixed")
    (said,) = [f for f in check(here, measure(here), SETUP, points(latitude_deg=48.0)).findings if f.code == "check_point_not_visited"]
    assert "A (nearest position 111.2 km away)" in said.text


def test_the_absolute_statement_names_the_marks_without_a_stand(tmp_path: Path) -> None:
    drive = make_drive(tmp_path, seed=7, marks=2, both_ways=True, duration_s=300.0, rate_hz=5.0, outputs=("check_points",))
    log, known = read([drive / "rover.nmea"]), read_check_points(drive / "check_points.csv")
    far = pd.concat([known, known.iloc[:1].assign(name="Z9", latitude_deg=known["latitude_deg"] + 1.0)], ignore_index=True)
    assert check(log, measure(log), load_setup(drive / "setup.toml"), far).absolute.endswith("; no stand was found on Z9")


def test_a_clean_drive_agrees_with_its_marks(tmp_path: Path) -> None:
    found = judged(tmp_path, ())
    assert found.earth_fixed is not None and found.car_fixed is not None and found.height is not None
    assert not found.earth_fixed.significant and not found.car_fixed.significant and not found.height.significant
    assert found.bound_m == (0.0, 0.0) and found.absolute.startswith("checked on")
    assert "would not have shown" in found.absolute and len(found.marks) == len(found.table) >= 3


def test_a_moved_base_is_earth_fixed(tmp_path: Path) -> None:
    found = judged(tmp_path, (Fault("base_moved", size=0.2),))
    assert found.earth_fixed is not None and found.car_fixed is not None
    assert found.earth_fixed.significant and not found.car_fixed.significant
    # size is that of the whole displacement, height included
    assert 0.12 < found.earth_fixed.size_m < 0.22 and found.bound_m[0] > found.earth_fixed.size_m


def test_an_unnamed_frame_refuses_earth_but_not_car(tmp_path: Path) -> None:
    found = judged(tmp_path, (Fault("base_moved", size=0.2),), frame=None)
    assert found.bound_m == (0.0, 0.0) and found.absolute.startswith("refused")
    assert any(f.code == "check_point_refused" for f in found.findings)
    assert found.car_fixed is not None


def test_a_wrong_antenna_offset_is_car_fixed(tmp_path: Path) -> None:
    found = judged(tmp_path, (Fault("lever_arm_wrong", size=0.2),))
    assert found.earth_fixed is not None and found.car_fixed is not None
    assert found.car_fixed.significant and not found.earth_fixed.significant
    assert "within its uncertainty" in found.absolute and "; car-fixed error (antenna offset) forward " in found.absolute


def test_the_absolute_statement_says_on_what_assumption_it_rests() -> None:
    found = separate(stands([(0.6, 0.0), (-0.6, 0.0)], [90.0, 270.0]))
    assert found is not None
    result = CheckPointResult(stands([(0.6, 0.0)], [90.0]), pd.DataFrame(), earth_fixed=found.earth, car_fixed=found.car)
    said = _absolute(result, [assumed_plan("antenna", 0.6)])
    assert said.endswith("that holds if the reference point stood over the marks, as was assumed")
    assert "assumed" not in _absolute(result, [])
    assert "car-fixed error (antenna offset) forward +0.600 m" in _absolute(replace(result, refused_horizontal="no frame"), [])


@pytest.mark.parametrize(("error", "stated", "output", "words"), [
    (1.8, 0.9, "reference_point", "twice the stated antenna offset of +0.900 m: the receiver was set to the offset with the other sign"),
    (0.9, -0.9, "antenna", "as long as the stated antenna offset of -0.900 m and of the other sign: the reference point stood over the mark"),
    (-0.9, 0.9, "reference_point", "is the stated antenna offset itself"),
])
def test_a_wrong_sign_is_named_where_the_sign_of_the_error_tells(error: float, stated: float, output: str, words: str) -> None:
    parts = separate(stands([(error, 0.0), (-error, 0.0)], [90.0, 270.0]))
    assert parts is not None
    (said,) = plan_sizes(parts, replace(SETUP, antenna_forward_m=stated, output_point=output))
    assert words in said.text


def test_a_base_that_changes_in_between_is_no_single_error(tmp_path: Path) -> None:
    found = judged(tmp_path, (Fault("base_resurveyed", start_s=470.0, size=0.6),))
    assert not found.consistent and "disagree" in found.absolute
    assert any(f.code == "check_point_inconsistent" for f in found.findings)


# --- stands on one mark, headings, signs ------------------------------------------------------------------------------


def test_the_survey_error_of_a_mark_does_not_average_out() -> None:
    """Seven stands on a mark of 0.03 m, 0.045 m off: by hand sqrt(0.03² + 0.014²/7) per axis, so 1.5 sigma."""
    total = float(np.hypot(0.03, 0.014))
    table = stands([(0.045, 0.0)] * 7, [90.0] * 7, sigma=total).assign(mark=0, mark_sigma_h_m=0.03)
    found = separate(table)
    assert found is not None and not found.earth.significant and found.consistent
    assert found.earth.half_m[0] == pytest.approx(1.959964 * np.sqrt(0.03**2 + 0.014**2 / 7), rel=1e-6)
    # on marks of their own the errors are independent
    other = separate(table.assign(mark=range(7)))
    assert other is not None and other.earth.half_m[0] == pytest.approx(1.959964 * total / np.sqrt(7), rel=1e-6)
    # what turns with the car does not see the mark: half the difference of two stands
    turned = separate(stands([(0.0, 0.0)] * 2, [90.0, 270.0], sigma=total).assign(mark=0, mark_sigma_h_m=0.03))
    assert turned is not None and turned.car is not None and turned.car.half_m[0] == pytest.approx(1.959964 * 0.014 / np.sqrt(2), rel=1e-6)


def test_rows_of_one_name_or_one_place_are_one_mark() -> None:
    rows = pd.concat([points(), points(name="B"), points(name="C", latitude_deg=47.1), points(name="C", latitude_deg=47.2), points(name="D", longitude_deg=20.1)])
    found = numbered(rows.reset_index(drop=True)).tolist()
    assert found[0] == found[1] and found[2] == found[3] and len(set(found)) == 3
    table = stands_on_marks(standstill(0.0, 0.0, 0.0), points(sigma_h_m=0.03), recording())
    assert table["mark_sigma_h_m"].tolist() == [0.03] and table["sigma_e_m"].iloc[0] > 0.03


@pytest.mark.parametrize(("fastest", "back", "known"), [(5.0, False, False), (10.0, False, True), (10.0, True, False)])
def test_the_course_on_one_side_is_a_heading_only_where_the_car_cannot_have_reversed(fastest: float, back: bool, known: bool) -> None:
    """The log ends at the stand. With `back` the car was fast before it stopped, then came back slowly."""
    way = np.r_[np.linspace(0.6, fastest, 60), np.linspace(fastest, 0.6, 60)]
    slow = np.r_[np.zeros(20), np.full(60, 3.0)] if back else np.zeros(0)
    speed = np.r_[way, slow, np.zeros(100)]
    course = np.r_[np.full(len(way), 90.0), np.full(len(slow), 270.0), np.full(100, 90.0)]
    end = START + pd.Timedelta(seconds=len(speed) / 10)
    stand = {"heading_deg": np.nan, "start_utc": end - pd.Timedelta(seconds=10), "end_utc": end}
    heading, how = heading_of(stand, {}, recording(len(speed), speed_mps=speed, course_deg=course))
    assert np.isfinite(heading) == known and bool(how) == known
    assert not known or heading == pytest.approx(90.0)


REFERENCE_OVER = replace(SETUP, antenna_forward_m=1.0, antenna_left_m=0.3)


def over_marks(headings: list[float], arm: tuple[float, float] = (1.0, 0.3)) -> pd.DataFrame:
    """Stands with the reference point over the marks, the antenna logged."""
    return stands([tuple(r) for r in (car_to_earth(np.array(headings)) @ np.array(arm)).tolist()], headings)


def test_stands_of_unknown_heading_do_not_change_how_the_marks_are_read() -> None:
    table = over_marks([90.0, 90.0, 270.0, 90.0, 270.0])
    table.loc[[1, 3], "heading_deg"] = np.nan
    moved, said = point_over_mark(table, REFERENCE_OVER)
    assert len(said) == 1 and "reference point" in said[0].text
    found = separate(moved)
    assert found is not None and found.car is not None and found.car.size_m < 1e-9 and found.earth.size_m < 1e-9 and found.car.stands == 3
    (left_out,) = headings(moved, found)
    assert left_out.text.startswith("2 of 5 fixed stands on marks are left out") and "heading_deg" in left_out.text


def test_stands_without_any_heading_are_not_read_as_an_error_as_long_as_the_antenna_offset() -> None:
    table = over_marks([90.0, 270.0]).assign(heading_deg=np.nan)
    moved, _ = point_over_mark(table, REFERENCE_OVER)
    assert separate(moved) is None
    other, _ = point_over_mark(stands([(0.2, 0.0), (0.2, 0.0)], [np.nan, np.nan]), REFERENCE_OVER)
    found = separate(other)
    assert found is not None and found.earth.value_m == pytest.approx((0.2, 0.0))


def test_headings_by_course_are_said_to_be() -> None:
    table = stands([(0.05, 0.0), (0.05, 0.0)], [90.0, 270.0]).assign(heading_from="course before and after")
    (said,) = headings(table, separate(table))
    assert "taken to roll forward" in said.text and not headings(table.assign(heading_from="attitude"), separate(table))


@pytest.mark.parametrize("axis", [0, 1])
@pytest.mark.parametrize("output", ["antenna", "reference_point"])
def test_a_wrong_sign_of_the_antenna_offset_is_named_and_the_other_axis_is_not_blamed(axis: int, output: str) -> None:
    """Antenna logged, reference point over the marks; or the receiver took the wrong sign as well and is off by twice the offset."""
    stated = np.array([1.0, 0.3])
    stated[axis] *= -1
    setup = replace(SETUP, output_point=output, antenna_forward_m=float(stated[0]), antenna_left_m=float(stated[1]))
    true = np.array([1.0, 0.3])
    table = over_marks([90.0, 270.0, 90.0], tuple(true if output == "antenna" else true - stated))
    moved, _ = point_over_mark(table, setup)
    parts = separate(moved)
    assert parts is not None
    (said,) = plan_sizes(parts, setup)
    assert f"antenna_{('forward', 'left')[axis]}_m has the wrong sign" in said.text


@pytest.mark.parametrize(("error", "geoid", "named"), [(45.099, 45.0, True), (-44.2, 45.0, True), (47.0, 45.0, False), (0.5, 1.0, False), (1.05, 1.0, True)])
def test_a_mixed_up_height_type_is_named_as_coarsely_as_geoids_agree(error: float, geoid: float, named: bool) -> None:
    found = height_sizes(Height(error, 0.04, 3), [], geoid_m=geoid)
    assert bool(found) == named and (not named or "above the geoid" in found[0].text)
