"""A step or a steady drift within a static log: found, placed in time, and not seen where a log merely wanders."""

from __future__ import annotations

import numpy as np
import pytest
from base_wander import FIXED, Array, dying_out, wander
from scipy.stats import binom

from analyzer.metrics.base_site_drift import blocks_of
from analyzer.metrics.base_site_moves import Moves, find_moves
from analyzer.metrics.base_site_settling import Settling, answer, settling
from analyzer.metrics.base_site_start import StartUp
from analyzer.metrics.base_site_wander import Trial

SECONDS = np.arange(900.0)
QUIET = np.array([0.004, 0.004, 0.008])


def quiet(rng: np.random.Generator, count: int = 900) -> Array:
    """Return centimetre-grade wander of 4 mm that correlates over 20 s, a fifth of it white."""
    return np.asarray(QUIET[:, None] * wander(rng, count, 20.0, white=0.2))


def look(points: Array, *, detectable: bool = False) -> Moves:
    """Look for movement in a quarter of an hour as a whole."""
    blocks, _, middles = blocks_of(points, SECONDS)
    return find_moves(Trial(blocks, middles, steps=True), detectable=detectable)


def kinds(found: Settling) -> list[str]:
    """Return the movements found."""
    return [move.kind for move in found.moves]


def test_a_visible_step_is_always_found_with_its_time_and_size() -> None:
    rng, inside = np.random.default_rng(31), []
    for k, moment in enumerate((75, 290, 450, 641, 800)):
        points = quiet(rng)
        size = np.zeros(3)
        size[k % 3] = (0.05, -0.05, 0.1)[k % 3]
        points[:, moment:] += size[:, None]
        found = settling(points, SECONDS)
        assert kinds(found) == ["step"]
        move = found.moves[0]
        assert move.from_s - 3.0 <= moment <= move.until_s + 3.0
        assert move.until_s - move.from_s < 61.0
        inside += list(np.abs(np.array(move.vector_m) - size) <= move.half_width_m)
        assert max(move.half_width_m) < 0.02
        told = answer(found, StartUp(), SECONDS)
        assert told.settled is False
        assert told.by == ("step",)
        assert told.steady_from >= moment or told.steady_until <= moment
    assert np.mean(inside) >= 0.8


def test_the_longer_part_stands_for_the_log_where_hardly_anything_follows() -> None:
    points = quiet(np.random.default_rng(32), 1800)
    points[0, 1560:] += 0.2
    found = settling(points, np.arange(1800.0))
    assert found.steady_from == 0
    assert 1400 < found.steady_until <= 1560


def test_out_and_back_is_two_steps() -> None:
    points = quiet(np.random.default_rng(33), 1800)
    points[1, 600:1100] += 0.08
    found = settling(points, np.arange(1800.0))
    assert [move.vector_m[1] for move in found.moves] == pytest.approx([0.08, -0.08], abs=0.01)
    assert (found.steady_from >= 1100) == found.steady_at_end


def test_a_steady_drift_leaves_no_steady_part() -> None:
    seconds = np.arange(3600.0)
    points = quiet(np.random.default_rng(34), 3600)
    points[0] += 0.1 * seconds / 3600.0
    found = settling(points, seconds)
    assert kinds(found) == ["steady_drift"]
    assert abs(found.moves[0].vector_m[0] - 0.1) <= found.moves[0].half_width_m[0] < 0.02
    told = answer(found, StartUp(), seconds)
    assert told.settled is False
    assert not told.steady_at_end
    assert np.isnan(found.detectable_m).all()  # the movement would count as wander


def test_a_drift_that_dies_out_is_told_as_such_and_a_later_step_beside_it() -> None:
    points = quiet(np.random.default_rng(35), 1800) + dying_out(1800, 0.3, 100.0)
    points[1, 1200:] += 0.06
    found = settling(points, np.arange(1800.0))
    assert found.drifts
    assert kinds(found) == ["step"]
    assert found.steady_from >= 1200


def test_logs_that_merely_wander_seldom_move() -> None:
    """One in a hundred is said of both together; more than two of sixteen happen in 1 of 1000 repetitions."""
    rng = np.random.default_rng(36)
    laws = [(60.0, 0.3), (300.0, 0.0), (900.0, 0.05), (2500.0, 0.0)]
    logs = [FIXED[:, None] * wander(rng, 900, t, white=w) for t, w in laws for _ in range(4)]
    found = sum(look(points).found is not None for points in logs)
    assert found <= binom.ppf(0.999, len(logs), 0.01)


def test_the_stated_step_and_steady_drift_are_found_in_four_of_five_cases() -> None:
    """Worked out on one log, and planted in another that wanders alike: a step anywhere in the middle half."""
    rng, found = np.random.default_rng(37), {"step": [], "steady": []}  # type: ignore[var-annotated]
    for k in range(8):
        tau, axis = (20.0, 120.0)[k % 2], 2 * (k // 2 % 2)
        one = look(FIXED[:, None] * wander(rng, 900, tau, white=0.1), detectable=True)
        if one.found is not None:  # by chance: no size is stated
            continue
        for kind, size in (("step", one.step_m), ("steady", one.steady_m)):
            points = FIXED[:, None] * wander(rng, 900, tau, white=0.1)
            shape = rng.uniform(225.0, 675.0) <= SECONDS if kind == "step" else SECONDS / 900.0
            points[axis] += size[axis // 2] * shape
            found[kind].append(look(points).found is not None)
    for each in found.values():
        assert len(each) >= 6
        assert np.mean(each) >= binom.ppf(0.001, len(each), 0.8) / len(each)


def test_a_step_below_what_is_told_is_none_and_the_stated_size_says_so() -> None:
    points = quiet(np.random.default_rng(38))
    points[0, 450:] += 0.03
    assert kinds(settling(points, SECONDS)) == ["step"]
    untold = settling(points, SECONDS, least_m=(0.06, 0.1))
    assert not untold.moves
    assert untold.detectable_step_m[0] >= 0.06
    assert untold.detectable_steady_m[1] >= 0.1
