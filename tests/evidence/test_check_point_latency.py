"""Latency from passes over marks: what its interval must hold, and what it does to the bound."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from scipy import stats

from analyzer import assess, tables
from analyzer.assessment import Assessment
from analyzer.evidence.check_point_latency import Latency, latency_from_passes, speeds
from analyzer.evidence.check_point_offsets import Offset, Separation
from analyzer.evidence.check_point_pass_words import in_short
from analyzer.evidence.check_point_pass_words import latency as latency_words
from analyzer.evidence.check_point_passes import plausible
from analyzer.geodesy import from_enu
from analyzer.recording import Recording
from analyzer.report.brief import brief
from analyzer.userfiles.setup_sheet import Setup
from analyzer.userfiles.tabular import CHECK_POINT_COLUMNS

START = pd.Timestamp("2026-04-14T08:00:00Z")
LATE_S = 0.040
RADIUS_M = 100.0


def passes(speed: list[float], course: list[float], *, late_s: float = LATE_S, forward: float = 0.0, east: float = 0.0, **more: object) -> pd.DataFrame:
    v, c = np.array(speed), np.array(course)
    along = forward + east * np.sin(np.radians(c)) - late_s * v
    return pd.DataFrame({"name": "G", "speed_mps": v, "course_deg": c, "along_m": along, "across_m": 0.0} | more)


def found(table: pd.DataFrame, **more: object) -> Latency:
    out = latency_from_passes(table, **more)  # type: ignore[arg-type]
    assert out is not None
    return out


@pytest.mark.parametrize(("speed", "course"), [
    ([25.0, 20.0], [90.0, 90.0]), ([25.0, 25.0], [90.0, 270.0]), ([25.0], [90.0]), ([25.0, 12.0, 20.0, 25.0], [90.0, 270.0, 90.0, 270.0]),
    ([10.0, 20.0, 10.0], [90.0, 270.0, 90.0]),
])
def test_the_interval_holds_what_passes_cannot_tell_from_latency(speed: list[float], course: list[float]) -> None:
    """40 ms late, 0.10 m ahead, base 0.06 m east; then errors drawn as large as is allowed for: 95 of 100 intervals hold the truth."""
    one = found(passes(speed, course, forward=0.10, east=0.06))
    assert abs(one.latency_s - LATE_S) <= one.half_s
    rng, inside = np.random.default_rng(5), 0
    for _ in range(150):
        table = passes(speed, course, forward=float(rng.normal(0, 0.1)), east=float(rng.normal(0, 0.1)))
        table["along_m"] += rng.normal(0, 0.03, len(table))
        drawn = found(table)
        inside += abs(drawn.latency_s - LATE_S) <= drawn.half_s
        # what scatters as it should takes no latency of a metre out of the bound
        assert drawn.significant or not drawn.consistent or one.half_s > 0.015
    # widening for disagreement only adds
    assert stats.binomtest(inside, 150, 0.95, alternative="less").pvalue > 0.001


def test_what_is_not_told_is_named_and_nothing_is_said_across_frames() -> None:
    table = passes([25.0, 20.0], [90.0, 90.0])
    said = latency_words(found(table), table).text
    assert "2 passes" in said and "pass at other speeds" in said and "pass the other way" in said and "behind at 25 m/s" in said
    one = passes([25.0], [90.0])
    apart = found(one, framed=False)
    assert not apart.significant and "how old positions are is not told" in latency_words(apart, one, framed=False).text
    assert "a wrong moment" in latency_words(found(one), one).text


def test_passes_that_disagree_are_said_to() -> None:
    """A moment that is half a second off among four good ones."""
    table = passes([25.0, 12.0, 20.0, 25.0, 18.0], [90.0, 270.0, 90.0, 270.0, 90.0])
    assert found(table).consistent and "looks the same" in latency_words(found(table), table).text
    table.loc[2, "along_m"] += 10.0
    torn = found(table)
    said = latency_words(torn, table)
    assert not torn.consistent and said.level == "warning" and "the passes disagree" in said.text and "the passes disagree" in in_short(torn, table)
    assert abs(torn.latency_s - LATE_S) <= torn.half_s


def test_stands_on_marks_tell_what_passes_do_not() -> None:
    """Both offsets are known to a centimetre from stands: 1.96 hypot(0.03, 0.01 sqrt 2) / 25 s is left of one pass."""
    small = np.eye(2) * 0.01**2
    stood = Separation(Offset(("east", "north"), (0.06, 0.0), (0.02, 0.02), small, 4), Offset(("forward", "left"), (0.10, 0.0), (0.02, 0.02), small, 4), 1.0, True)
    one = found(passes([25.0], [90.0], forward=0.10, east=0.06), stands=stood)
    assert one.latency_s == pytest.approx(LATE_S)
    assert one.half_s == pytest.approx(1.959964 * np.sqrt(0.03**2 + 2 * 0.01**2) / 25.0, rel=1e-6)
    assert one.earth_bound_m == 0.0 and not one.own_forward, "the bound has them from the stands"


def test_the_survey_error_of_a_mark_is_one_for_all_its_passes() -> None:
    """Twenty passes one way over one mark of 0.05 m, against twenty marks of 0.05 m."""
    same, other = (found(passes([25.0] * 20, [90.0] * 20, sigma_m=0.03, mark=mark, mark_sigma_h_m=0.05), framed=True)
                   for mark in (0, np.arange(20)))
    # by hand: allowed for are offset and base, 0.1 m each
    assert same.half_s == pytest.approx(1.959964 / 25 * np.sqrt(2 * 0.1**2 + 0.05**2 + 0.03**2 / 20), rel=1e-6)
    assert other.half_s == pytest.approx(1.959964 / 25 * np.sqrt(2 * 0.1**2 + (0.05**2 + 0.03**2) / 20), rel=1e-6)


def test_a_pass_far_from_its_mark_is_left_out_unless_frames_differ() -> None:
    table = passes([25.0, 25.0], [90.0, 270.0])
    table.loc[1, "along_m"] = -90.0
    assert len(plausible(table, framed=True)) == 1 and len(plausible(table, framed=False)) == 2


def test_speeds_that_were_not_logged_come_from_the_way() -> None:
    t = np.arange(5) * 0.5
    fixes = pd.DataFrame({"speed_mps": [3.0, np.nan, np.nan, np.nan, np.nan]})
    assert speeds(fixes, 4.0 * t, 3.0 * t, t) == pytest.approx([3.0, 5.0, 5.0, 5.0, 5.0])
    east = np.array([0.0, 2.0, np.nan, 6.0, 8.0])
    assert speeds(fixes, east, 0 * t, t)[[1, 3]] == pytest.approx([4.0, 4.0])


# --- a whole drive ----------------------------------------------------------------------------------------------------


def driven(late_s: float) -> tuple[Recording, pd.DataFrame, NDArray[np.float64]]:
    """Two rounds of a circle at 12 m/s, two at 20 m/s, past marks in the north and in the south; also speeds."""
    rng = np.random.default_rng(2)
    t = np.arange(1700) / 10.0
    speed = np.interp(t, [0, 5, 15, 110, 120, 200], [0, 0, 12, 12, 20, 20])
    way = np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 20)])
    logged = np.interp(t - late_s, t, way, left=0.0) / RADIUS_M
    east, north = RADIUS_M * np.sin(logged), RADIUS_M * np.cos(logged)
    latitude, longitude, height = from_enu(east + rng.normal(0, 0.003, len(t)), north + rng.normal(0, 0.003, len(t)), rng.normal(0, 0.005, len(t)),
                                           origin=(47.0, 20.0, 100.0))
    fixes = tables.FIXES.conform(pd.DataFrame({
        "latitude_deg": latitude, "longitude_deg": longitude, "height_m": height, "fix_state": "fixed", "speed_mps": speed + rng.normal(0, 0.01, len(t)),
        "course_deg": np.degrees(way / RADIUS_M + np.pi / 2) % 360.0, "satellites_used": 20, "correction_age_s": 1.0, "sigma_north_m": 0.01,
        "sigma_east_m": 0.01, "sigma_height_m": 0.015,
    }, index=pd.DatetimeIndex(START + pd.to_timedelta(t, unit="s"))))
    rows = []
    for k, angle in enumerate(np.arange(1, 9) * np.pi):
        moment = START + pd.Timedelta(seconds=float(np.interp(angle * RADIUS_M, way, t)))
        place = from_enu(0.0, RADIUS_M * np.cos(angle), 0.0, origin=(47.0, 20.0, 100.0))
        rows.append({"name": f"P{k % 2}", "latitude_deg": float(place[0]), "longitude_deg": float(place[1]), "height_m": 100.0, "height_type": "ellipsoidal",
                     "frame": "F1", "epoch_year": 2026.3, "sigma_h_m": 0.005, "sigma_v_m": 0.01, "antenna_above_mark_m": 1.5, "start_utc": moment,
                     "end_utc": moment, "heading_deg": np.nan})
    table = pd.DataFrame([r for r in rows if r["start_utc"] < fixes.index[-1]], columns=[*CHECK_POINT_COLUMNS, "start_utc", "end_utc", "heading_deg"])
    return Recording((), fixes=fixes), table, speed


def judged(late_s: float) -> tuple[Assessment, NDArray[np.float64]]:
    recording, marks, speed = driven(late_s)
    return assess(recording, setup=Setup(frame="F1", height_type="ellipsoidal", solution_kind="gnss"), check_points=marks), speed


def test_bounds_hold_where_positions_are_late_and_the_first_screen_says_so() -> None:
    """40 ms late is 0.8 m behind at 20 m/s; across the track nothing is added."""
    result, speed = judged(LATE_S)
    epochs, moving = result.epochs, speed > 8
    behind = LATE_S * speed
    part = epochs["bound_check_point_m"].to_numpy()
    assert (part[moving] > behind[moving]).all() and (part[moving] < 1.5 * behind[moving]).all()
    assert (epochs["along_bound_m"].to_numpy()[moving] > behind[moving]).mean() > 0.95
    assert (epochs["horizontal_bound_m"].to_numpy()[moving] > behind[moving]).mean() > 0.95
    assert np.median(epochs["across_bound_m"].to_numpy()[moving]) < 0.1 < np.median(epochs["along_bound_m"].to_numpy()[moving])
    assert not (epochs["trust"].to_numpy()[moving] == "trusted").any(), "nothing that is half a metre behind is good to 0.10 m"
    screen = brief(result).replace("\n  ", " ")
    assert "Absolute: checked while moving only, by" in screen and "ms old" in screen and "no known mark visited" not in screen
    assert "the position disagrees with a known mark" in screen


def test_bounds_stay_where_passes_agree() -> None:
    result, _ = judged(0.0)
    assert (result.epochs["bound_check_point_m"] == 0).all() and result.verdict.level == "fit"
    assert "agrees with none" in result.absolute
