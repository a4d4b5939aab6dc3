"""Marks that nobody drove near are named with what their coordinates look like."""

from __future__ import annotations

import pandas as pd
import pytest
from geographiclib.geodesic import Geodesic

from analyzer import tables
from analyzer.verdict.far_marks import marks_far

PLACE = (48.1, 11.5)


def fixes() -> pd.DataFrame:
    index = pd.date_range("2026-03-24T09:00:00Z", periods=50, freq="1s").as_unit("us")
    return tables.FIXES.conform(pd.DataFrame({"latitude_deg": PLACE[0], "longitude_deg": PLACE[1], "fix_state": "fixed"}, index=index))


def marks(*places: tuple[float, float]) -> pd.DataFrame:
    return pd.DataFrame([{"name": f"K{n}", "latitude_deg": a, "longitude_deg": b} for n, (a, b) in enumerate(places, 1)])


def test_swapped_coordinates_are_named_as_such() -> None:
    (found,) = marks_far(marks(PLACE, PLACE[::-1]), fixes())
    km = Geodesic.WGS84.Inverse(*PLACE, *PLACE[::-1])["s12"] / 1000  # the geodesic, by another library
    assert found.evidence["names"] == ["K2"] and "with latitude and longitude swapped it would be near" in found.text
    assert found.evidence["nearest_m"] / 1000 == pytest.approx(km, rel=1e-6)


def test_a_list_of_another_place_is_named() -> None:
    (found,) = marks_far(marks((-33.9, 151.2), (-34.0, 151.0)), fixes())
    assert found.evidence["names"] == ["K1", "K2"] and "check its coordinates, and whether it is the right file" in found.text


@pytest.mark.parametrize("places", [[], [PLACE], [PLACE, (-33.9, 151.2)], [(48.2, 11.4)]])
def test_a_list_with_marks_of_the_drive_may_hold_others(places: list[tuple[float, float]]) -> None:
    assert marks_far(marks(*places), fixes()) == () and marks_far(None, fixes()) == ()
