"""Passes between crossing lines: numbering, direction, laps, hairpins, and a car that stands on a line."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analyzer.verdict.passes import crossed_in_gaps, crossings, passes

START = pd.Timestamp("2026-03-24T09:00:00Z")
COLUMNS = ["name", "from_east_m", "from_north_m", "to_east_m", "to_north_m"]


def lines(*rows: tuple[str, float, float, float, float]) -> pd.DataFrame:
    return pd.DataFrame(list(rows), columns=COLUMNS)


def way(*corners: tuple[float, float], speed: float = 10.0) -> tuple[np.ndarray, np.ndarray]:
    """Times at 10 Hz and places of a drive from corner to corner."""
    points = np.array(corners, dtype=float)
    reach = np.r_[0.0, np.cumsum(np.hypot(*np.diff(points, axis=0).T))] / speed
    t = np.arange(0.0, reach[-1], 0.1)
    return t, np.column_stack([np.interp(t, reach, points[:, k]) for k in (0, 1)])


def named(found: pd.DataFrame) -> list[tuple[str, float, float]]:
    return [(n, round((a - START).total_seconds(), 1), round((b - START).total_seconds(), 1)) for n, a, b in found.itertuples(index=False)]


GATE = (("lane", 100.0, -10.0, 100.0, 10.0), ("lane", 200.0, -10.0, 200.0, 10.0))
LAP = [(0.0, 0.0), (300.0, 0.0), (300.0, 100.0), (0.0, 100.0)]


def test_a_lap_gives_one_pass_each_time_and_its_rest_none() -> None:
    found = passes(lines(*GATE), *way(*LAP, *LAP, *LAP), START)
    assert named(found) == [("lane 1", 10.0, 20.0), ("lane 2", 90.0, 100.0), ("lane 3", 170.0, 180.0)]


@pytest.mark.parametrize("turned", [False, True], ids=["lines as drawn", "lines drawn the other way round"])
def test_the_direction_in_which_a_line_is_drawn_does_not_matter(turned: bool) -> None:
    rows = [(n, c, d, a, b) if turned else (n, a, b, c, d) for n, a, b, c, d in GATE]
    assert len(passes(lines(*rows), *way(*LAP, *LAP), START)) == 2


def test_laps_the_other_way_round_are_opposite_passes() -> None:
    found = passes(lines(*GATE), *way(*LAP[::-1], *LAP[::-1]), START)
    assert [n for n, *_ in named(found)] == ["lane 1 (opposite)", "lane 2 (opposite)"]
    assert all(b - a == pytest.approx(10.0, abs=0.11) for _, a, b in named(found))


def test_out_and_back_are_numbered_in_order_of_time() -> None:
    found = passes(lines(*GATE), *way((0, 0), (300, 0), (0, 0), (300, 0)), START)
    assert [n for n, *_ in named(found)] == ["lane 1", "lane 2 (opposite)", "lane 3"]


def test_turning_round_between_the_lines_is_no_pass() -> None:
    assert passes(lines(*GATE), *way((0, 0), (150, 0), (0, 0)), START).empty


def test_a_bend_between_the_lines_is_a_pass() -> None:
    found = passes(lines(("bend", 250, -10, 250, 10), ("bend", 290, 50, 310, 50)), *way(*LAP, *LAP), START)
    assert [n for n, *_ in named(found)] == ["bend 1", "bend 2"]


def test_at_a_hairpin_the_file_says_which_line_comes_first() -> None:
    hairpin = lines(("pin", 150, -10, 150, 10), ("pin", 150, 90, 150, 110))
    found = named(passes(hairpin, *way(*LAP, *LAP), START))
    assert [n for n, *_ in found] == ["pin 1", "pin 2"] and found[0][1:] == (15.0, 55.0)
    back = named(passes(hairpin, *way(*LAP, *LAP[::-1]), START))
    assert [n for n, *_ in back] == ["pin 1", "pin 2 (opposite)"]


def test_two_names_are_numbered_each_for_itself() -> None:
    found = passes(lines(*GATE, ("lap", 50, -10, 50, 10)), *way(*LAP, *LAP, *LAP), START)
    assert [n for n, *_ in named(found)] == ["lane 1", "lane 2", "lane 3", "lap 1", "lap 2"]


def test_a_car_that_stands_on_a_line_crosses_it_once() -> None:
    rng = np.random.default_rng(3)
    t, places = way((0, 0), (100, 0))
    rest = np.column_stack([np.full(600, 100.0), np.zeros(600)]) + 0.2 * rng.normal(size=(600, 2))
    t2, on = way((100, 0), (200, 0))
    whole = np.vstack([places, rest, on])
    times = np.r_[t, t[-1] + 0.1 + 0.1 * np.arange(600), t[-1] + 60.1 + t2]
    assert len(crossings(np.array([100.0, -10.0, 100.0, 10.0]), times, whole)) == 1


def test_a_pass_takes_in_the_gap_in_which_its_line_was_crossed() -> None:
    t, places = way((0, 0), (300, 0))
    logged = (t < 8.0) | (t >= 14.0)
    (one,) = named(passes(lines(*GATE), t[logged], places[logged], START))
    assert one == ("lane 1", 7.9, 20.0), "the way in lies in the gap"
    logged = (t < 15.0) | (t >= 25.0)
    (one,) = named(passes(lines(*GATE), t[logged], places[logged], START))
    assert one == ("lane 1", 10.0, 25.0), "the way out lies in the gap"
    assert crossed_in_gaps(np.array(GATE[1][1:]), t[logged], places[logged]) == [pytest.approx((14.9, 25.0))]
    once = t % 5.0 < 0.05
    assert not crossed_in_gaps(np.array(GATE[1][1:]), t[once], places[once]), "seldom is no gap"


def test_a_line_beside_the_route_is_not_crossed() -> None:
    t, places = way((0, 0), (300, 0))
    assert len(crossings(np.array([100.0, 1.0, 100.0, 10.0]), t, places)) == 0
    assert len(crossings(np.array([100.0, -1.0, 100.0, 10.0]), t, places)) == 1
