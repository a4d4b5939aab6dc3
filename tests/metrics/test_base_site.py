"""A static log at the base: drift, mean, period; shifts and what is too small to be found."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analyzer import tables
from analyzer.geodesy import to_ecef
from analyzer.metrics.base_site import grade_of, multipath_period, site_mean, time_to_repeat, waiting_curve
from analyzer.metrics.base_site_sent import sent_positions
from analyzer.metrics.base_site_shift import (
    Suspect,
    antenna_suspects,
    family_test_level,
    geoid_suspects,
    judge_shift,
    name_sizes,
    noncentrality,
    place_suspects,
)


def wander(rng: np.random.Generator, count: int, sigma: float, tau: float, axes: int = 3) -> np.ndarray:
    """Return first-order autoregressive wander (axes, count) at 1 Hz."""
    from scipy.signal import lfilter

    phi = np.exp(-1.0 / tau)
    noise = rng.normal(0, sigma * np.sqrt(1 - phi**2), (axes, count + int(5 * tau)))
    return np.asarray(lfilter([1.0], [1.0, -phi], noise, axis=1))[:, int(5 * tau) :]


def test_mean_counts_autocorrelation() -> None:
    rng = np.random.default_rng(6)
    inside = []
    for _ in range(150):
        points = wander(rng, 1800, 1.0, 20.0)
        mean = site_mean(points, np.arange(1800.0))
        inside.append(np.abs(mean.mean_m) < 1.96 * np.array(mean.sigma_m))
    assert 0.88 <= np.mean(inside) <= 0.995
    assert site_mean(wander(rng, 1800, 1.0, 20.0), np.arange(1800.0)).n_eff < 120


def test_waiting_never_makes_it_worse_and_says_what_is_beyond_the_log() -> None:
    rng = np.random.default_rng(7)
    points = wander(rng, 1800, 1.0, 60.0)
    mean = site_mean(points, np.arange(1800.0))
    curve = waiting_curve(points, mean, reached_s=1800.0)
    assert (np.diff(curve["repeat_95_m"]) <= 0).all()
    assert curve.loc[curve["waited_s"] > 1800, "extrapolated"].all()
    assert not curve.loc[curve["waited_s"] <= 1800, "extrapolated"].any()
    assert time_to_repeat(points, mean, 0.1) > 4 * time_to_repeat(points, mean, 0.2) * 0.99
    assert time_to_repeat(points, mean, 100.0) == 0.0


def test_a_swing_is_found_with_its_period_and_noise_has_none() -> None:
    rng, seconds = np.random.default_rng(8), np.arange(3600.0)
    quiet = wander(rng, 3600, 0.004, 20.0)
    period, amplitude, _ = multipath_period(quiet + 0.01 * np.sin(2 * np.pi * seconds / 600.0), seconds)
    assert period == pytest.approx(600.0, rel=0.1)
    assert amplitude == pytest.approx(0.01, rel=0.4)
    none = [multipath_period(wander(rng, 1800, 0.01, 40.0), np.arange(1800.0))[0] for _ in range(150)]
    assert np.mean([p is not None for p in none]) <= 0.06


def test_grades_follow_the_fix_state() -> None:
    assert grade_of("autonomous") == "metre"
    assert grade_of("fixed") == "centimetre"
    assert grade_of("no_fix") is None


def test_stated_size_is_found_with_the_stated_power() -> None:
    rng = np.random.default_rng(9)
    covariance = np.diag([0.006, 0.007, 0.012]) ** 2
    size = judge_shift(np.zeros(3), covariance).detectable_m
    worst = np.array([0.0, 0.0, size])
    drawn = rng.multivariate_normal(worst, covariance, 2000)
    assert np.mean([judge_shift(v, covariance).found for v in drawn]) == pytest.approx(0.80, abs=0.03)
    still = rng.multivariate_normal(np.zeros(3), covariance, 2000)
    assert np.mean([judge_shift(v, covariance).found for v in still]) == pytest.approx(0.01, abs=0.008)


def test_noncentrality_agrees_with_simulation() -> None:
    value = noncentrality(0.01, 0.8, 3)
    rng = np.random.default_rng(10)
    moved = rng.normal(size=(40_000, 3)) + np.array([np.sqrt(value), 0.0, 0.0])
    drawn = (moved**2).sum(axis=1)
    assert (drawn > 11.345).mean() == pytest.approx(0.8, abs=0.01)


def test_sizes_of_common_mistakes_are_named() -> None:
    covariance = np.eye(3) * 0.006**2
    suspects = [*antenna_suspects(1.8), *geoid_suspects(42.3)]
    assert [s.key for s in name_sizes(judge_shift((0.003, -0.004, -1.797), covariance), suspects)] == [
        "antenna_height_left_out"
    ]
    assert [s.key for s in name_sizes(judge_shift((0.0, 0.0, 1.803), covariance), suspects)] == ["antenna_height_twice"]
    assert [s.key for s in name_sizes(judge_shift((0.0, 0.0, -42.31), covariance), suspects)] == [
        "height_above_geoid_entered"
    ]
    assert name_sizes(judge_shift((0.5, 0.0, -1.8), covariance), suspects) == ()
    assert name_sizes(judge_shift((0.001, 0.0, 0.002), covariance), [Suspect("none", (0.0, 0.0, 0.0), "")]) == ()


def test_neighbours_are_named_both_ways() -> None:
    covariance = np.eye(3) * 0.006**2
    suspects = place_suspects((0.0, 0.0, 0.0), [("mark 7", (3.0, -4.0, 0.5))])
    assert name_sizes(judge_shift((3.002, -4.001, 0.503), covariance), suspects)[0].key == "coordinates_of_neighbour"
    assert name_sizes(judge_shift((-3.002, 4.001, -0.503), covariance), suspects)[0].key == "antenna_at_neighbour"


def test_many_set_ups_share_the_false_alarms() -> None:
    assert family_test_level(1) == family_test_level(3) == 0.01
    assert family_test_level(30) == pytest.approx(0.001)


def sent_by(*stations: int, position: tuple[int, ...] = (), height_m: float = 130.0) -> pd.DataFrame:
    """Return corrections, one message a second by each of `stations` in turn; those in `position` are 1006."""
    rows = pd.DataFrame({"station_id": pd.array(stations, dtype="Int32"), "place": "rover"})
    rows["message_type"] = np.where(np.isin(np.arange(len(rows)), position), 1006, 1074)
    for axis in ("x_m", "y_m", "z_m"):
        rows[axis] = np.nan
    for k in position:
        rows.loc[k, ["x_m", "y_m", "z_m"]] = [float(v) for v in to_ecef(47.2, 20.6 + stations[k] * 1e-4, height_m)]
    rows.index = pd.date_range("2026-04-14T08:00:00Z", periods=len(rows), freq="s").as_unit("us")
    return tables.CORRECTIONS.conform(rows)


def test_sent_positions_are_those_of_the_main_station_in_order() -> None:
    rows = sent_by(17, 17, 903, 17, position=(0, 1, 2, 3))
    rows.loc[rows.index[3], ["x_m", "y_m", "z_m"]] = [float(v) for v in to_ecef(47.2, 20.6017, 131.9)]
    found = sent_positions(rows)
    assert [f.station_id for f in found] == [17, 17]
    assert [f.height_m for f in found] == pytest.approx([130.0, 131.9], abs=1e-3)
    assert found[0].place == pytest.approx((47.2, 20.6017, 130.0), abs=1e-3)
    assert found[0].antenna_height_m is None
    assert sent_positions(tables.CORRECTIONS.empty()) == []


def test_a_neighbours_position_is_none_of_ours_where_our_base_sent_none() -> None:
    assert sent_positions(sent_by(17, 17, 17, 903, position=(3,))) == []
