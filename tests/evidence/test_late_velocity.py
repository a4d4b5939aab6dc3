"""Velocity that comes late against delays that were put in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer.evidence.chain import Posterior, infer
from analyzer.evidence.consensus import RIGHT_SIGMA_M, Chain
from analyzer.evidence.displacement import residual
from analyzer.evidence.evidence_words import words_of
from analyzer.evidence.late_velocity import _middle, velocity_delay
from analyzer.evidence.learnt import Learnt
from analyzer.evidence.second_opinion import SecondOpinion, form
from analyzer.evidence.slews import none_found
from analyzer.evidence.track import Track
from tests.evidence.tracks import weaving


def driven(delay_s: float, rate_hz: float = 10.0, *, seed: int = 1) -> Track:
    """Return a drive that speeds up and brakes all the time, whose velocity is late by `delay_s`."""
    track = weaving(300.0, rate_hz, seed=seed)
    rng = np.random.default_rng(seed)

    def way(t: np.ndarray) -> np.ndarray:
        return 10.0 * t - 40.0 * np.cos(t / 8.0)

    t = np.arange(round(300.0 * 100)) / 100
    course = 0.6 * np.sin(t / 20)
    speed = np.gradient(way(t), t)
    velocity = speed[:, None] * np.column_stack([np.cos(course), np.sin(course)])
    path = np.vstack([np.zeros(2), np.cumsum((velocity[1:] + velocity[:-1]) / 200, axis=0)])
    at = [np.interp(track.t, t, path[:, k]) for k in (0, 1)]
    late = np.column_stack([np.interp(track.t - delay_s, t, velocity[:, k]) for k in (0, 1)])
    places = np.column_stack([*at, track.places[:, 2]])
    places[:, :2] += 0.003 * rng.normal(size=(len(track), 2))
    return replace(track, places=places, velocity=late + 0.02 * rng.normal(size=late.shape), standing=np.zeros(len(track), bool))


def every(track: Track) -> np.ndarray:
    return np.ones(len(track), bool)


@settings(max_examples=15, deadline=None)
@given(st.sampled_from([-0.2, -0.05, 0.03, 0.08, 0.25]), st.sampled_from([2.0, 10.0, 50.0]), st.integers(1, 50))
def test_a_delay_is_found_to_a_few_milliseconds(delay_s: float, rate_hz: float, seed: int) -> None:
    track = driven(delay_s, rate_hz, seed=seed)
    assert velocity_delay(track, residual(track)[0], every(track)) == pytest.approx(delay_s, abs=0.007 if rate_hz == 2.0 else 0.006)  # at most 6.2 ms in all 250 cases at 2 Hz


def test_without_one_nothing_is_moved_and_the_path_is_the_same() -> None:
    track = driven(0.0)
    assert abs(velocity_delay(track, residual(track)[0], every(track))) < 0.003
    assert np.array_equal(residual(track, delay_s=0.0)[0], residual(track)[0])


def test_a_path_taken_further_on_leaves_no_trace_of_the_speed() -> None:
    """The residual of a velocity late by d holds d times the velocity (first order of the displacement)."""
    track = driven(0.15)
    speed = np.hypot(*track.velocity.T)
    before, after = (residual(track, delay_s=d)[0] for d in (0.0, 0.15))
    along = track.velocity / speed[:, None]
    wander = [np.polyfit(speed, ((x - x.mean(axis=0)) * along).sum(axis=1), 1)[0] for x in (before, after)]
    assert wander[0] == pytest.approx(0.15, abs=0.05) and abs(wander[1]) < 0.02


@pytest.mark.parametrize("delay_s", [-0.1, 0.1, 0.3])
def test_the_end_of_a_log_in_full_motion_is_no_jump(delay_s: float) -> None:
    """The last velocities show the car as it was; the way beyond them is led on."""
    track = driven(delay_s)
    moved, _, truncated = residual(track, delay_s=delay_s)
    assert np.hypot(*(moved[-1] - np.median(moved[-50:-10], axis=0))) < 0.06
    assert truncated[-1] < 0.2**2 and (truncated[:-10] < 0.02**2).all()


def test_wrong_fixes_and_steps_do_not_pass_for_a_delay() -> None:
    track = driven(0.0)
    places = track.places.copy()
    places[1000:1400, 0] += 0.8
    places[2000:2300, 1] -= 0.6
    shifted = replace(track, places=places)
    assert abs(velocity_delay(shifted, residual(shifted)[0], every(track))) < 0.005


def test_a_car_that_keeps_its_speed_tells_nothing() -> None:
    track = weaving(120.0)
    steady = replace(track, velocity=np.tile([10.0, 0.0], (len(track), 1)))
    assert velocity_delay(steady, residual(steady)[0], every(track)) == 0.0


def test_blocks_of_a_drive_share_one_delay() -> None:
    track = driven(0.12)
    half = len(track) // 2
    notes = []
    for part in (slice(0, half), slice(half, None)):
        noting = Learnt(noting=True)
        own = replace(track, t=track.t[part], places=track.places[part], velocity=track.velocity[part], fixed=track.fixed[part], placed=track.placed[part],
                      standing=track.standing[part], age=track.age[part], learnt=noting)
        velocity_delay(own, residual(own)[0], every(own))
        notes.append(noting)
    short = weaving(30.0)
    alike = replace(short, learnt=Learnt.pooled(notes))
    assert velocity_delay(alike, residual(alike)[0], every(alike)) == pytest.approx(0.12, abs=0.006)


def formed(track: Track) -> SecondOpinion:
    def decide(chain: Chain, _: object) -> Posterior:
        return infer(chain.steps, chain.variances, np.full(len(chain.stretches), 0.01), right_sigma_m=RIGHT_SIGMA_M)

    none = np.zeros(len(track), bool)
    return form(track, fresh=every(track), breaks=none, rough=np.ones(len(track)), slews=none_found(len(track)), prior_wrong=None,  # type: ignore[arg-type]
                decide=decide)


def test_the_second_opinion_moves_it_and_says_so() -> None:
    """Swings are not seen where only the velocity was late."""
    track = driven(0.12)
    opinion = formed(track)
    assert opinion.delay_s == pytest.approx(0.12, abs=0.006)
    assert not len(opinion.waves.spans) and opinion.waves.size.max() < 0.03
    said = {f.code: f for f in words_of(opinion, None, none_found(len(track)), None)}
    assert "ms later than the positions" in said["velocity_late"].text


def motorway(delay_s: float, ahead_m: float, *, seed: int = 1) -> Track:
    """Return a drive that speeds up once to 30 m/s and keeps it through bends, with late velocity and an antenna offset ahead."""
    rng = np.random.default_rng(seed)
    t = np.arange(40_000) / 100
    speed = np.interp(t, [0, 20, 40, 300, 306, 400], [12.0, 12.0, 30.0, 30.0, 24.0, 24.0])
    course = 0.5 * np.sin(t / 15)
    velocity = speed[:, None] * np.column_stack([np.cos(course), np.sin(course)])
    path = np.vstack([np.zeros(2), np.cumsum((velocity[1:] + velocity[:-1]) / 200, axis=0)]) + ahead_m * np.column_stack([np.cos(course), np.sin(course)])
    grid = weaving(400.0, 10.0)
    places = np.column_stack([*(np.interp(grid.t, t, path[:, k]) for k in (0, 1)), grid.places[:, 2]])
    places[:, :2] += 0.003 * rng.normal(size=(len(grid), 2))
    late = np.column_stack([np.interp(grid.t - delay_s, t, velocity[:, k]) for k in (0, 1)])
    return replace(grid, places=places, velocity=late + 0.02 * rng.normal(size=late.shape), standing=np.zeros(len(grid), bool))


@pytest.mark.parametrize(("delay_s", "ahead_m"), [(0.04, 0.0), (-0.03, 0.0), (0.0, 1.0), (0.04, 1.0)])
def test_where_hardly_any_speed_changes_bends_and_one_acceleration_tell(delay_s: float, ahead_m: float) -> None:
    """In bends at one speed late velocity and an antenna ahead look alike; neither is taken for the other."""
    track = motorway(delay_s, ahead_m)
    assert velocity_delay(track, residual(track)[0], every(track)) == pytest.approx(delay_s, abs=0.008)


def test_a_few_windows_that_scatter_make_no_delay() -> None:
    """Nine windows of a motorway, seven of them to one side, against five of a velocity that is late indeed."""
    scattered = np.array([-12.8, -8.0, -7.1, -6.4, -5.4, -3.6, -2.3, 1.8, 3.4]) / 1000
    middle, unsure = _middle(np.column_stack([scattered, np.ones(9)]))
    assert unsure > abs(middle) == pytest.approx(0.0054, abs=1e-6)
    late = np.array([96.0, 98.0, 101.0, 103.0, 105.0]) / 1000
    middle, unsure = _middle(np.column_stack([late, np.ones(5)]))
    assert unsure < middle == pytest.approx(0.101, abs=1e-6)
