"""How well steps of the solution against independent motion are known."""

from __future__ import annotations

import numpy as np
import pytest

from analyzer.evidence.slew_measure import by_axis
from analyzer.evidence.slew_scan import Scan, scan_length
from analyzer.evidence.slews import _hidden, _to_their_ends
from analyzer.settings import thresholds

EVERY = 0.25


def _walks(count: int, seed: int) -> np.ndarray:
    """Return angles of gyros that walk, across and climb, and no drift along; (3, count)."""
    walks = np.cumsum(np.random.default_rng(seed).normal(size=(3, count)) * 2e-4, axis=1)
    walks[1] = np.random.default_rng(seed + 1).normal(size=count) * 0.01
    return walks


def _calm(count: int) -> tuple[np.ndarray, np.ndarray]:
    return np.zeros(count, dtype=bool), np.zeros(count)


def test_a_step_is_known_less_at_speed_where_angles_walk() -> None:
    """An angle that is wrong by d moves a car at v by v d a second. Braking is mostly from low speed, here once from a high one."""
    values = _walks(8000, 3)
    cells = np.arange(8000)
    fast = np.where(cells < 6000, 8.0, 34.0)
    busy = (cells < 6000) | ((cells > 7000) & (cells < 7060))
    scan = scan_length(values, np.stack([fast, 1 / fast, fast]), EVERY, 5.0, driving=(busy, np.zeros(8000)))
    for axis in (0, 2):
        late, early = scan.sigma[axis, 7005:7055], scan.sigma[axis, 100:5900]
        assert np.nanmedian(late) > 1.7 * np.nanmedian(early)


def test_a_step_with_one_flank_is_never_known_better_than_with_two() -> None:
    """A walk seen against one side has three times the variance (computed); sigma of one place may be 0.7 of the usual one."""
    values = _walks(4000, 5)
    values[:, 2000:2100] = np.nan
    fast = np.full(4000, 15.0)
    # the car crawls wherever a flank is missing but for one place, as it does beside stands
    for edge in range(200, 3900, 250):
        if not 1800 < edge < 2300:
            values[:, edge : edge + 12] = np.nan
            fast[edge - 30 : edge + 42] = 1.5
    scan = scan_length(values, np.stack([fast, 1 / fast, fast]), EVERY, 5.0, driving=_calm(4000))
    both = np.nanmedian(scan.sigma[0, 1700:1900])
    lone = scan.sigma[0, 1985:1991]
    assert np.isfinite(lone).any() and np.nanmin(lone) >= 0.7 * 1.6 * both
    height = scan.sigma[2, 1985:1991]  # beside a stand the pitch of starting and braking is no step of the height
    assert np.nanmin(height) >= 0.7 * 3.9 * np.nanmedian(scan.sigma[2, 1700:1900])


def test_a_burst_of_speed_between_slow_flanks_is_known_to_a_percent_of_its_way() -> None:
    """Speeding up and braking again within a window leaves the speed at its ends alike, and a sensor's scale shows all the same."""
    values = np.random.default_rng(7).normal(size=(3, 4000)) * 1e-3
    fast = np.full(4000, 8.0)
    fast[2000:2020] = 14.0
    scan = scan_length(values, np.stack([fast, 1 / fast, fast]), EVERY, 5.0, driving=_calm(4000))
    scale = thresholds("analyzer.evidence")["slew.scale"]
    assert scan.sigma[1, 2010] == pytest.approx(scale * 6.0 * 5.0, rel=0.1)
    assert scan.sigma[1, 1900] < 0.3 * scan.sigma[1, 2010]


def test_a_step_is_known_as_lengths_say_that_were_measured_where_it_is() -> None:
    t = (np.arange(400) + 0.5) * EVERY
    values = np.where(np.abs(t - 50.0) < 2.5, 0.1, 0.0) * np.ones((3, 1))
    known, unknown = (np.full((3, 400), x) for x in (0.2, 0.01))
    unknown[:, 190:210] = np.nan  # no flank of this length at the place itself
    scans = [Scan(3.0, np.zeros((3, 400)), known, np.zeros((3, 400), dtype=bool)), Scan(5.0, np.zeros((3, 400)), unknown, np.zeros((3, 400), dtype=bool))]
    _, sigma = by_axis(t, values, np.ones((3, 400)), (47.5, 52.5), scans=scans, every=EVERY)
    assert sigma == pytest.approx(0.2 * (5.0 / 3.0) ** 1.5)


def test_a_slow_step_that_runs_into_a_stand_ends_in_it() -> None:
    t = (np.arange(400) + 0.5) * EVERY
    values = np.zeros((3, 400))
    values[:, t > 50.0] = np.nan
    spans = np.array([[20.0, 26.0], [45.0, 51.0]])
    hidden = _hidden(t, values, spans)
    assert hidden.tolist() == [[False] * 3, [True] * 3]
    ends = _to_their_ends(t, values, spans, hidden)
    assert ends[0].tolist() == [20.0, 26.0]
    assert ends[1] == pytest.approx([45.0, 51.0 + thresholds("analyzer.evidence")["slew.settled"]], abs=EVERY)


def test_an_axis_that_nobody_watched_hides_nothing() -> None:
    t = (np.arange(400) + 0.5) * EVERY
    values = np.zeros((3, 400))
    values[1] = np.nan
    assert not _hidden(t, values, np.array([[20.0, 26.0]])).any()
    assert _hidden(t, values, np.zeros((0, 2))).shape == (0, 3)


def test_what_steps_beside_a_window_is_no_step_of_the_window_whatever_both_share() -> None:
    """A slow offset of the sensor lies in all cells; from the middle on the position moves: the windows before have it in one flank only."""
    values = np.random.default_rng(11).normal(size=(3, 4000)) * 1e-3 - 0.06
    values[:, 2000:2040] += 0.1  # ten seconds
    fast = np.full(4000, 15.0)
    scan = scan_length(values, np.stack([fast, 1 / fast, fast]), EVERY, 3.0, driving=_calm(4000))
    assert scan.flank[:, 1990:1992].all() and np.abs(scan.step[0, 1991]) > 5 * scan.sigma[0, 1991]
    values[:, 2012:2040] -= 0.1  # three seconds: a step of the window in its midst, beside an offset that is no larger
    values += 0.03
    scan = scan_length(values, np.stack([fast, 1 / fast, fast]), EVERY, 3.0, driving=_calm(4000))
    assert not scan.flank[:, 2006].any()
