"""Runs held against each other: frames, routes, alignment, what cannot be compared."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from run_folders import MARKS, ORIGIN, loop, mark_stands, out_and_back, run_folder

from analyzer.cli import main
from analyzer.comparing.compare import compare
from analyzer.comparing.runs import headings
from analyzer.comparing.write import write_comparison
from analyzer.errors import InputError, RefusedError, UsageError
from analyzer.geodesy import from_enu
from analyzer.report.compare_page import render_comparison
from analyzer.report.compare_page_runs import over_time_part

DAYS = ("2026-04-14T08:00:00Z", "2026-04-15T08:00:00Z", "2026-04-16T08:00:00Z")
RESURVEY = (0.84, -0.61, 1.90)
BASE = np.array([-800.0, -500.0, 4.0])


def two_days(place: Path, **second: object) -> list[Path]:
    """Write a run on each of two days; `second` are options of the second."""
    rng = np.random.default_rng(5)
    stands = {"stands": mark_stands(rng)} if second.pop("marks", True) else {}
    later = {"stands": mark_stands(rng)} if stands else {}
    first = run_folder(place / "a", loop(1.0), run="run 01", start=DAYS[0], seed=1, **stands)  # type: ignore[arg-type]
    return [first, run_folder(place / "b", loop(1.0), run="run 02", seed=2, **({"start": DAYS[1]} | later | second))]  # type: ignore[arg-type]


def test_same_base_and_no_shift_says_how_large_one_would_have_been_found(tmp_path: Path) -> None:
    found = compare(two_days(tmp_path))
    assert found.level == "comparable"
    assert "no shift above 2.6 cm was found" in found.sentences[1]
    assert not any("not moved" in s for s in found.sentences)
    assert found.runs["evidence"].tolist() == ["reference", "marks"]


def test_resurvey_is_found_to_two_centimetres_by_entry_and_by_marks(tmp_path: Path) -> None:
    found = compare(two_days(tmp_path, base=BASE + RESURVEY, offset_m=RESURVEY))
    assert found.level == "comparable_after_shift"
    offsets = found.offsets.set_index("evidence")
    for kind in ("entered", "marks"):
        assert offsets.loc[kind, ["east_m", "north_m", "up_m"]].to_numpy(float) == pytest.approx(RESURVEY, abs=0.02)
    assert found.answers[1].evidence == "entered"


def test_aligning_takes_the_shift_off_and_says_so_everywhere(tmp_path: Path) -> None:
    found = compare(two_days(tmp_path, base=BASE + RESURVEY, offset_m=RESURVEY), align_to="run 01")
    assert found.aligned_to == "run 01"
    heights = found.passes.groupby("run", observed=True)["up_m"].median()
    assert abs(heights["run 01"] - heights["run 02"]) < 0.02
    write_comparison(found, tmp_path / "out")
    assert json.loads((tmp_path / "out" / "comparison.json").read_text())["aligned_to"] == "run 01"
    for name in ("offsets.csv", "recurrence.csv"):
        assert "aligned_to" in (tmp_path / "out" / name).read_text().splitlines()[0]
    assert (pd.read_parquet(tmp_path / "out" / "cells.parquet")["aligned_to"] == "run 01").all()
    assert "were shifted to run 01" in (tmp_path / "out" / "report.html").read_text()


def test_knocked_antenna_with_unchanged_entry_is_found_from_marks(tmp_path: Path) -> None:
    knock = np.array([0.05, -0.06, 0.02])
    found = compare(two_days(tmp_path, offset_m=-knock))
    assert found.level == "comparable_after_shift"
    assert found.answers[1].shift_m == pytest.approx(-knock, abs=0.025)
    assert "the base antenna was moved by" in found.sentences[1]


def test_wrong_antenna_offset_on_the_car_is_not_taken_for_the_base(tmp_path: Path) -> None:
    rng = np.random.default_rng(8)
    first = run_folder(
        tmp_path / "a", loop(1.0), run="a", start=DAYS[0], seed=1, stands=mark_stands(rng, both_ways=True)
    )
    second = run_folder(
        tmp_path / "b",
        loop(1.0),
        run="b",
        start=DAYS[1],
        seed=2,
        stands=mark_stands(rng, both_ways=True, lever_m=(0.06, 0.0)),
    )
    found = compare([first, second])
    assert found.level == "comparable"
    lever = found.frames.setups[1].lever
    assert lever is not None
    assert lever.found
    assert lever.vector_m == pytest.approx((0.06, 0.0), abs=0.02)
    assert any("turns with the car" in s for s in found.sentences)
    off_m = found.frames.offset_differs_m()
    assert off_m == pytest.approx(0.06, abs=0.02)
    assert f"one base frame as they stand, but the antenna offset on the car differs by {off_m:.3f} m" in found.sentences[0]
    assert found.to_dict()["antenna_offset_differs_m"] == off_m
    assert 'class="verdict fit_with_exclusions"' in render_comparison(found)


def test_an_antenna_offset_that_differs_is_refused_where_comparable_runs_are_required(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rng = np.random.default_rng(8)
    folders = [
        str(run_folder(tmp_path / name, loop(1.0), run=name, start=DAYS[k], seed=k, stands=mark_stands(rng, both_ways=True, lever_m=(0.06 * k, 0.0))))
        for k, name in enumerate("ab")
    ]
    assert main(["compare", *folders, "--require-comparable", "--quiet", "--out", str(tmp_path / "out")]) == 6
    assert "leave out the runs whose antenna offset differs" in capsys.readouterr().err


def test_the_antenna_offset_of_one_day_does_not_hide_shifts_of_the_others(tmp_path: Path) -> None:
    rng = np.random.default_rng(8)
    folders = [
        run_folder(tmp_path / name, loop(1.0), run=name, start=DAYS[k], seed=k, stands=mark_stands(rng, both_ways=True, lever_m=(0.1 if k == 2 else 0.0, 0.0)))
        for k, name in enumerate("abc")
    ]
    before, after = compare(folders[:2]), compare(folders)
    assert after.frames.setups[2].lever is not None and after.frames.setups[2].lever.found
    assert after.answers[1].detectable_m == pytest.approx(before.answers[1].detectable_m, rel=0.3)


def test_antenna_moved_and_properly_entered_anew_stays_comparable(tmp_path: Path) -> None:
    found = compare(two_days(tmp_path, base=BASE + np.array([1.0, 0.5, 0.1])))
    assert found.level == "comparable"
    assert "new place entered in the same frame" in found.sentences[1]


def test_antenna_height_left_out_is_named(tmp_path: Path) -> None:
    found = compare(two_days(tmp_path, offset_m=(0.0, 0.0, -1.8)))
    assert "antenna_height_left_out" in found.answers[1].named
    told = [s for s in found.sentences if "1.800 m was left out" in s]
    assert told and all(s.startswith("2026-04-15: the size fits") for s in told)


def test_coordinates_of_the_neighbour_are_named(tmp_path: Path) -> None:
    rng = np.random.default_rng(6)
    way = np.array([14.0, -9.0, 0.7])
    folders = [
        run_folder(tmp_path / "a", loop(1.0), run="a", start=DAYS[0], seed=1, stands=mark_stands(rng)),
        run_folder(
            tmp_path / "n",
            loop(1.0),
            run="n",
            start=DAYS[1],
            seed=2,
            stands=mark_stands(rng),
            base=BASE + way,
            station=903,
        ),
        run_folder(tmp_path / "c", loop(1.0), run="c", start=DAYS[2], seed=3, stands=mark_stands(rng), offset_m=-way),
    ]
    found = compare(folders)
    assert "antenna_at_neighbour" in found.answers[2].named


def test_without_marks_the_same_entry_proves_nothing(tmp_path: Path) -> None:
    found = compare(two_days(tmp_path, marks=False))
    assert found.level == "not_evaluated"
    assert "says nothing of where the antenna stands" in found.sentences[1]
    assert np.isnan(found.answers[1].detectable_m)


def test_parking_places_are_evidence_of_decimetres_only(tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    folders = [
        run_folder(
            tmp_path / str(k),
            loop(1.0),
            run=f"run {k}",
            start=DAYS[k],
            seed=k,
            stands=mark_stands(rng, named=False, spread_m=0.3),
        )
        for k in (0, 1)
    ]
    found = compare(folders)
    parking = found.frames.setups[1].parking
    assert found.level == "not_evaluated"
    assert parking is not None
    assert parking.detectable_m > 0.3
    assert min(parking.half_width_m[:2]) > 0.2


def test_missing_base_information_is_said(tmp_path: Path) -> None:
    found = compare(two_days(tmp_path, marks=False, base=None))
    assert found.level == "not_evaluated"
    assert "base position is not known" in " ".join(found.sentences)
    assert "base_unknown" in {f.code for f in found.findings}


def test_given_base_coordinates_override(tmp_path: Path) -> None:
    place = tuple(float(v) for v in from_enu(*(BASE + RESURVEY), origin=ORIGIN))
    found = compare(
        two_days(tmp_path, marks=False, base=None),
        base={"run 01": tuple(float(v) for v in from_enu(*BASE, origin=ORIGIN)), "run 02": place},
    )  # type: ignore[dict-item]
    assert found.answers[1].shift_m == pytest.approx(RESURVEY, abs=1e-3)
    assert "not evaluated" in found.sentences[1]


def test_frames_that_are_stated_differently_are_not_comparable(tmp_path: Path) -> None:
    rng = np.random.default_rng(9)
    a = run_folder(tmp_path / "a", loop(1.0), run="a", start=DAYS[0], stands=mark_stands(rng), frame="GROUND-2026")
    b = run_folder(tmp_path / "b", loop(1.0), run="b", start=DAYS[1], stands=mark_stands(rng), frame="GROUND-2019")
    found = compare([a, b])
    assert found.level == "not_comparable"
    with pytest.raises(RefusedError, match="cannot be aligned"):
        compare([a, b], align_to="a")


def test_one_run_is_a_usage_error_and_an_absent_one_an_input_error(tmp_path: Path) -> None:
    one = run_folder(tmp_path / "a", loop(1.0))
    with pytest.raises(UsageError, match="1 run was given"):
        compare([one])
    with pytest.raises(InputError):
        compare([one, tmp_path / "nowhere"])
    with pytest.raises(UsageError, match="no run is called so"):
        compare(two_days(tmp_path / "t"), align_to="run 99")


def test_runs_in_different_places_are_refused(tmp_path: Path) -> None:
    a = run_folder(tmp_path / "a", loop(1.0), run="a")
    b = run_folder(tmp_path / "b", loop(1.0), run="b", origin=(52.0, 13.0, 40.0))
    with pytest.raises(RefusedError, match="km apart"):
        compare([a, b])


def test_different_routes_are_said_and_no_place_is_compared(tmp_path: Path) -> None:
    a = run_folder(tmp_path / "a", loop(1.0), run="a")
    b = run_folder(tmp_path / "b", loop(1.0, east_m=3000.0), run="b", start=DAYS[1])
    assert "different routes" in compare([a, b]).route


def test_the_way_back_is_not_the_way_out(tmp_path: Path) -> None:
    path = out_and_back(1500.0, times=2)
    half = np.r_[np.zeros(path.shape[1], dtype=bool)]
    step = path.shape[1] // 4
    going = (np.arange(path.shape[1]) // step) % 2 == 0
    half |= going & (np.abs(path[0] - 700.0) < 40.0)
    folders = [run_folder(tmp_path / str(k), path, run=f"run {k}", seed=k, lost=half) for k in range(4)]
    found = compare(folders)
    assert len(found.cells) == pytest.approx(300, abs=8)
    assert len(found.spots) == 1
    spot = found.spots.iloc[0]
    assert (spot["troubled"], spot["passes"], spot["class"]) == (8, 8, "recurs")
    assert spot["direction_deg"] == pytest.approx(90.0, abs=5.0)


def test_laps_are_passes_and_the_reverse_loop_other_cells(tmp_path: Path) -> None:
    a = run_folder(tmp_path / "a", loop(3.0), run="a")
    b = run_folder(tmp_path / "b", loop(1.0, reverse=True), run="b", start=DAYS[1])
    found = compare([a, b])
    assert len(found.cells) == pytest.approx(600, abs=10)
    counted = found.passes[found.passes["run"] == "a"].groupby("cell")["pass"].max()
    assert (counted == 3).mean() > 0.97
    assert "different routes" in found.route


def test_a_fixed_pass_that_stands_off_in_height_is_shown(tmp_path: Path) -> None:
    folders = []
    for k in range(4):
        path = loop(1.0)
        up = np.random.default_rng(k).normal(0, 0.01, path.shape[1])
        if k == 2:
            up[300:400] += 0.5
        folders.append(run_folder(tmp_path / str(k), path, run=f"run {k}", seed=k, up_m=up))
    rows = compare(folders).disagreements
    assert rows["run"].astype(str).tolist() == ["run 2"]
    assert rows["axis"].tolist() == ["height"]
    assert rows["along_m"].iloc[0] == pytest.approx(900.0, abs=25.0)


def test_worse_days_are_found_and_equal_ones_are_not(tmp_path: Path) -> None:
    folders = []
    for day, age in ((0, 0.8), (1, 0.8), (2, 2.5)):
        for k in range(3):
            start = (pd.Timestamp(DAYS[day]) + pd.Timedelta(hours=k)).isoformat()
            folders.append(
                run_folder(
                    tmp_path / f"{day}{k}", loop(2.0), run=f"run {day}{k}", start=start, seed=10 * day + k, age_s=age
                )
            )
    table = compare(folders).changes.set_index(["quantity", "to_day"])
    assert table.loc[("age_p95_s", "2026-04-16"), "found"]
    assert table.loc[("age_p95_s", "2026-04-16"), "worse"]
    assert not table.loc[("age_p95_s", "2026-04-15"), "found"]
    assert not table.loc[("bound_p95_m", "2026-04-16"), "found"]
    assert table.index[0] == ("age_p95_s", "2026-04-16")


@pytest.mark.parametrize(("second", "code", "words"), [
    ({"rules": "9"}, "rules_differ", "version 12 for run 01; version 9 for run 02"), ({"purpose": "1"}, "purposes_differ", "different purposes")])
def test_runs_judged_by_other_rules_are_told_on_screen_and_in_the_files(tmp_path: Path, second: dict[str, str], code: str, words: str) -> None:
    found = compare(two_days(tmp_path, **second))
    assert any(words in s for s in found.sentences)
    assert [f["level"] for f in found.to_dict()["findings"] if f["code"] == code] == ["warning"]
    assert not {"rules_differ", "purposes_differ"} & {f.code for f in compare(two_days(tmp_path / "same")).findings}


def test_a_run_on_another_route_is_no_change_over_time(tmp_path: Path) -> None:
    """Ages of three days are alike but for the one on another road: no day became worse, and no direction is claimed."""
    folders = [
        run_folder(tmp_path / str(k), loop(1.0, reverse=k == 1), run=f"run {k}", start=DAYS[k], seed=k, age_s=5.0 if k == 1 else 0.8)
        for k in range(3)
    ]
    found = compare(folders)
    assert not found.changes["found"].any() and set(found.changes["from_day"]) == {DAYS[0][:10]}
    assert set(found.changes["to_day"]) == {DAYS[2][:10]} and "not compared over time: run 1" in found.route
    told = over_time_part(found).tables[0]
    assert {row[told.head.index("direction")] for row in told.rows} == {"no change beyond chance"}
    alone = over_time_part(compare(folders[:2]))
    assert any("worse" in row for row in alone.tables[0].rows) and "may be the route" in compare(folders[:2]).route


def test_folder_holds_the_tables_and_the_page_escapes_names(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    folders = [
        run_folder(tmp_path / str(k), loop(1.0), run=f"<b>run</b> {k}", start=DAYS[k], seed=k, stands=mark_stands(rng))
        for k in (0, 1)
    ]
    found = compare(folders)
    write_comparison(found, tmp_path / "out")
    names = {p.name for p in (tmp_path / "out").iterdir()}
    assert {"comparison.json", "cells.parquet", "offsets.csv", "recurrence.csv", "report.html"} <= names
    cells = pd.read_parquet(tmp_path / "out" / "cells.parquet")
    assert {"cell", "run", "pass", "share_trusted", "share_fixed", "age_p95_s", "bound_p95_m"} <= set(cells.columns)
    page = (tmp_path / "out" / "report.html").read_text()
    assert "<b>run</b>" not in page
    assert "&lt;b&gt;run&lt;/b&gt;" in page
    assert not [
        w for w in ("https:", 'src="http', 'href="http', "url(http") if w in page.replace("http://www.w3.org", "")
    ]
    assert "<b>run" not in found._repr_html_()


def test_marks_are_named_from_a_file_by_place(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    folders = [
        run_folder(
            tmp_path / str(k), loop(1.0), run=f"run {k}", start=DAYS[k], seed=k, stands=mark_stands(rng, named=False)
        )
        for k in (0, 1)
    ]
    rows = []
    for name, place in MARKS.items():
        latitude, longitude, height = (float(v) for v in from_enu(*place, origin=ORIGIN))
        rows.append(
            {
                "name": name,
                "latitude_deg": latitude,
                "longitude_deg": longitude,
                "height_m": height - 1.65,
                "height_type": "ellipsoidal",
                "frame": "GROUND",
                "epoch_year": 2026.0,
                "sigma_h_m": 0.004,
                "sigma_v_m": 0.006,
                "antenna_above_mark_m": 1.65,
            }
        )
    found = compare(folders, check_points=pd.DataFrame(rows))
    assert found.level == "comparable"
    absolute = found.frames.setups[0].absolute
    assert absolute is not None
    assert not absolute.found
    assert found.precision["check_points"]["n"] == 3


def test_a_stretch_without_positions_counts_as_passed_in_trouble(tmp_path: Path) -> None:
    path = loop(1.0)
    along = np.arange(path.shape[1]) * 3.0
    gap = (along > 1000.0) & (along < 1300.0)
    folders = [run_folder(tmp_path / str(k), path, run=f"run {k}", seed=k) for k in range(2)]
    folders.append(run_folder(tmp_path / "gap", path, run="gap", seed=9, missing=gap))
    passes = compare(folders).passes
    own = passes[(passes["run"] == "gap") & (passes["n"] == 0)]
    assert len(own) == pytest.approx(29, abs=3)
    assert (own["share_fixed"] == 0).all()
    assert (own["share_dropout"] == 1).all()


def test_two_bases_far_apart_are_held_together_by_marks_only(tmp_path: Path) -> None:
    away = BASE + np.array([900.0, 200.0, 3.0])
    same = compare(two_days(tmp_path / "same", base=away, station=903))
    assert same.level == "comparable"
    other = compare(two_days(tmp_path / "other", base=away, station=903, offset_m=(0.4, 0.1, -0.2)))
    assert "do not share one frame" in other.sentences[1]
    assert other.answers[1].shift_m == pytest.approx((0.4, 0.1, -0.2), abs=0.025)
    alone = compare(two_days(tmp_path / "alone", marks=False, base=away, station=903))
    assert alone.level == "not_evaluated"


def test_frames_metres_apart_are_no_disagreement_of_places(tmp_path: Path) -> None:
    folders = [
        run_folder(tmp_path / str(k), loop(1.0), run=f"run {k}", seed=k, offset_m=(0.0, 0.0, 1.9 if k > 2 else 0.0))
        for k in range(5)
    ]
    assert len(compare(folders).disagreements) == 0


def test_a_later_day_without_marks_is_compared_all_the_same(tmp_path: Path) -> None:
    """The stands facing both ways of the first days end before the last set-up of the base."""
    rng = np.random.default_rng(5)
    folders = [run_folder(tmp_path / f"{k}", loop(1.0), run=f"run {k}", start=day, seed=k,
                          stands=mark_stands(rng, both_ways=True) if k < 2 else None) for k, day in enumerate(DAYS)]
    found = compare(folders)
    assert len(found.answers) == 3 and found.answers[0].level == found.answers[1].level == "comparable"
    assert not found.frames.setups[2].both_ways and found.frames.setups[1].both_ways


@pytest.mark.parametrize(("came", "left", "faces"), [(90.0, 95.0, 90.0), (90.0, 268.0, np.nan), (np.nan, 268.0, 268.0), (np.nan, np.nan, np.nan)])
def test_a_car_that_left_another_way_than_it_came_may_face_either(came: float, left: float, faces: float) -> None:
    times = pd.date_range("2026-04-14T08:00:00Z", periods=60, freq="1s")
    course, speed = np.full(60, np.nan), np.zeros(60)
    course[:10], course[50:], speed[:10], speed[50:] = came, left, 5.0, 5.0
    stand = pd.DataFrame({"heading_deg": [np.nan], "start_utc": [times[12]], "end_utc": [times[48]]})
    assert headings(stand, times, course, speed) == pytest.approx([faces], nan_ok=True)


def test_one_date_is_no_evidence_that_the_base_stood_still(tmp_path: Path) -> None:
    """A base set up again at noon: only stands can tell, and what they would not have shown is said."""
    rng = np.random.default_rng(6)
    noon = DAYS[0].replace("T08", "T14")
    parked = {"stands": mark_stands(rng, named=False)}
    alone = compare(two_days(tmp_path / "alone", marks=False, start=noon))
    assert alone.level == "not_evaluated" and len(alone.answers) == 2
    first = run_folder(tmp_path / "a", loop(1.0), run="am", start=DAYS[0], **parked)  # type: ignore[arg-type]
    later = run_folder(tmp_path / "b", loop(1.0), run="pm", start=noon, offset_m=(0.12, -0.05, 1.8), **parked)  # type: ignore[arg-type]
    moved = compare([first, later])
    assert moved.level == "not_comparable" and moved.answers[1].shift_m == pytest.approx((0.12, -0.05, 1.8), abs=0.1)
    marked = compare(two_days(tmp_path / "marked", start=noon))
    assert marked.level == "comparable" and len(marked.answers) == 1
    assert 0.005 < marked.answers[0].detectable_m < 0.1 and "on common marks no shift above" in marked.sentences[1]


@pytest.mark.parametrize(("until", "level"), [("15:00", "comparable"), ("13:00", "not_evaluated")])
def test_a_settled_log_at_the_base_over_both_runs_of_a_day_links_them(tmp_path: Path, until: str, level: str) -> None:
    runs = two_days(tmp_path, marks=False, start=DAYS[0].replace("T08", "T14"))
    place = dict(zip(("latitude_deg", "longitude_deg", "height_m"), map(float, from_enu(*BASE, origin=ORIGIN)), strict=True))
    content = {"coordinates": place, "grade": "centimetre", "sigma_m": [0.002, 0.002, 0.004], "settled": True, "entered": None,
               "start_utc": "2026-04-14T07:50:00Z", "end_utc": f"2026-04-14T{until}:00Z"}
    (tmp_path / "base").mkdir()
    (tmp_path / "base" / "base.json").write_text(json.dumps(content))
    assert compare(runs, base=[tmp_path / "base"]).level == level
