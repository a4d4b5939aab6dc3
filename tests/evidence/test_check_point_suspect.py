"""A mark that alone disagrees between others that agree: its coordinates are blamed, and not what was driven."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analyzer import tables
from analyzer.evidence.check_point_stands import COLUMNS
from analyzer.evidence.check_point_suspect import left_out, suspect_mark, suspect_words
from analyzer.geodesy import from_enu

START = pd.Timestamp("2026-04-14T08:00:00Z")
STANDS_S = (0.0, 100.0, 200.0)


def stands(offsets: list[float], names: str = "ABA") -> pd.DataFrame:
    """Stands of 20 s, off the marks by so much to the east."""
    rows = [{"standstill_id": i + 1, "name": n, "mark": n, "start_utc": START + pd.Timedelta(seconds=t), "end_utc": START + pd.Timedelta(seconds=t + 20),
             "fix_state": "fixed", "n_eff": 10.0, "heading_deg": 90.0, "used": True, "offset_e_m": e, "offset_n_m": 0.0, "sigma_e_m": 0.01,
             "sigma_n_m": 0.01, "mark_sigma_h_m": 0.005}
            for i, (t, n, e) in enumerate(zip(STANDS_S, names, offsets, strict=True))]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def fixes(step_m: float = 0.0, *, lost: bool = False) -> pd.DataFrame:
    """A drive east and back at 5 m/s between the stands; positions step by `step_m` where it stands between."""
    seconds = np.arange(0.0, 221.0, 0.2)
    moving = np.where((seconds > 20) & (seconds < 100), 1.0, np.where((seconds > 120) & (seconds < 200), -1.0, 0.0))
    velocity = 5.0 * moving
    east = np.r_[0.0, np.cumsum(0.5 * (velocity[1:] + velocity[:-1]) * 0.2)] + np.where((seconds >= 60) & (seconds < 160), step_m, 0.0)
    latitude, longitude, height = from_enu(east, np.zeros_like(east), np.zeros_like(east), origin=(47.0, 20.0, 100.0))
    state = np.where(lost & (seconds > 50) & (seconds < 55), "float", "fixed")
    return tables.FIXES.conform(pd.DataFrame(
        {"latitude_deg": latitude, "longitude_deg": longitude, "height_m": height, "speed_mps": np.abs(velocity), "course_deg": np.where(velocity >= 0, 90.0, 270.0),
         "fix_state": pd.Categorical(state, tables.FIX_STATES)}, index=pd.DatetimeIndex(START + pd.to_timedelta(seconds, unit="s")).as_unit("us")))


def test_a_mark_between_others_that_agree_is_blamed() -> None:
    found = suspect_mark(stands([0.0, 1.0, 0.01]), fixes())
    assert found is not None and found.name == "B" and found.away_m == pytest.approx(1.0, abs=0.02)
    assert "most likely its coordinates are wrong" in suspect_words(found, 1).text and left_out(found).startswith("B left out")


@pytest.mark.parametrize("drive", [fixes(1.0), fixes(lost=True)])
def test_not_where_positions_stepped_or_the_fix_was_lost_between(drive: pd.DataFrame) -> None:
    assert suspect_mark(stands([0.0, 1.0, 0.01]), drive) is None


@pytest.mark.parametrize(("offsets", "names"), [([0.0, 0.01, 0.0], "ABA"), ([1.0, 0.0, 1.0], "ABA"), ([0.0, 0.0, 1.0], "AAB"), ([0.0, 1.0, 0.0], "AAA")])
def test_not_without_a_disagreement_nor_where_the_others_are_off_or_on_one_side_only(offsets: list[float], names: str) -> None:
    assert suspect_mark(stands(offsets, names), fixes()) is None
