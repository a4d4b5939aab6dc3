"""Velocity in other axes or of another scale than the positions, against what was put in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyproj
import pytest

from analyzer.evidence.askew_velocity import askew_velocity
from analyzer.evidence.chain import Posterior, infer
from analyzer.evidence.consensus import RIGHT_SIGMA_M, Chain
from analyzer.evidence.displacement import residual
from analyzer.evidence.evidence_words import words_of
from analyzer.evidence.learnt import Learnt
from analyzer.evidence.second_opinion import SecondOpinion, form
from analyzer.evidence.slews import none_found
from analyzer.evidence.track import Track

SECONDS, RATE_HZ = 600.0, 10.0


def driven(*, seed: int = 1) -> Track:
    """Return a drive at about 15 m/s over some square kilometres, whose velocity is honest."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
    course, speed = 2.5 * np.sin(t / 60) + t / 200, 15.0 + 5.0 * np.sin(t / 23)
    velocity = speed[:, None] * np.column_stack([np.sin(course), np.cos(course)])
    places = np.vstack([np.zeros(2), np.cumsum((velocity[1:] + velocity[:-1]) / 2 / RATE_HZ, axis=0)])
    every = np.ones(len(t), bool)
    return Track(
        t=t, places=np.column_stack([places + 0.003 * rng.normal(size=places.shape), 0.005 * rng.normal(size=len(t))]),
        velocity=velocity + 0.02 * rng.normal(size=velocity.shape), fixed=every, placed=every, standing=~every, age=np.full(len(t), 1.0),
        nominal_s=1 / RATE_HZ,
    )


def turned(track: Track, matrix: np.ndarray) -> Track:
    """Return the drive with its velocities times `matrix`."""
    return replace(track, velocity=track.velocity @ matrix.T)


def left_over(track: Track) -> tuple[float, float]:
    """Return by how much positions wander against velocity in a minute, before and after [m]."""
    rest = residual(track)[0]
    found = askew_velocity(track, rest, np.ones(len(track), bool))
    assert found.share > 0
    lag = round(60 * RATE_HZ)
    return tuple(float(np.sqrt(((x[lag:] - x[:-lag]) ** 2).sum(axis=1).mean())) for x in (rest, rest - found.part))  # type: ignore[return-value]


@pytest.mark.parametrize("matrix", [
    np.eye(2) * 1.002,
    np.array([[1.0, 0.003], [-0.003, 1.0]]),
    np.diag([1.001, 1.0]),
], ids=["scale", "direction", "one axis"])
def test_a_scale_and_a_direction_are_taken_out(matrix: np.ndarray) -> None:
    before, after = left_over(turned(driven(), matrix))
    assert before > 0.5 and after < 0.12


def test_the_velocity_of_a_map_grid_is_taken_out() -> None:
    """Scale factor and convergence of transverse Mercator 60 km beside its meridian, as a projection library gives them."""
    track = driven()
    grid = pyproj.Proj("+proj=tmerc +lat_0=0 +lon_0=9 +k=0.9996 +ellps=GRS80")
    latitude, longitude = 48.0 + track.places[:, 1] / 111_200.0, 9.8 + track.places[:, 0] / 74_500.0
    there = grid.get_factors(longitude, latitude)
    scale, angle = np.asarray(there.meridional_scale), np.radians(np.asarray(there.meridian_convergence))
    assert 0.005 < abs(angle).max() < 0.02
    east, north = track.velocity.T
    mapped = scale[:, None] * np.column_stack([east * np.cos(angle) - north * np.sin(angle), east * np.sin(angle) + north * np.cos(angle)])
    before, after = left_over(replace(track, velocity=mapped))
    assert before > 3.0 and after < 0.12


def test_one_length_of_a_degree_for_all_is_taken_out() -> None:
    """Places from a plane: the east axis shrinks by tan(latitude)/R for each metre further north."""
    track = driven()
    places = track.places.copy()
    places[:, 0] *= 1 - np.tan(np.radians(60.0)) / 6.378e6 * (places[:, 1] + 8000.0)
    before, after = left_over(replace(track, places=places))
    assert before > 0.5 and after < 0.12


@pytest.mark.parametrize("seed", range(12))
def test_an_honest_velocity_is_left_alone(seed: int) -> None:
    track = driven(seed=seed)
    found = askew_velocity(track, residual(track)[0], np.ones(len(track), bool))
    assert np.abs(np.diff(found.part[:: round(60 * RATE_HZ)], axis=0)).max() < 0.05


def test_wrong_fixes_and_swings_do_not_pass_for_one() -> None:
    track = driven()
    places = track.places.copy()
    places[1000:1500, 0] += 0.8
    places[3000:3900, 1] += 0.3 * np.sin(np.pi * np.arange(900) / 900)
    spoiled = replace(track, places=places)
    found = askew_velocity(spoiled, residual(spoiled)[0], np.ones(len(track), bool))
    assert found.share < 3e-4


def test_nothing_is_told_of_a_short_drive_or_a_stand() -> None:
    track = turned(driven(), np.eye(2) * 1.01)
    few = np.arange(len(track)) < 1500
    assert askew_velocity(track, residual(track)[0], few).share == 0.0
    still = replace(track, velocity=np.zeros_like(track.velocity), places=np.zeros_like(track.places), standing=np.ones(len(track), bool))
    assert not askew_velocity(still, residual(still)[0], still.fixed).part.any()
    blind = askew_velocity(replace(track, velocity=np.full_like(track.velocity, np.nan)), np.zeros((len(track), 2)), ~still.fixed)
    assert not blind.part.any() and not blind.unsure_var.any()


@pytest.mark.parametrize("share", [0.0, 2e-4])
def test_the_way_across_a_gap_is_as_unsure_as_what_was_learnt_of_the_shares(share: float) -> None:
    """Two hundred seconds without fresh positions: the way across them misses the true one by at most three of its sigmas, and a long drive knows more."""
    sigmas = []
    for seconds in (150.0, 400.0):
        track = turned(driven(seed=4), np.eye(2) * (1 + share))
        fresh = (track.t < seconds) | (track.t > 597.0)
        found = askew_velocity(track, residual(track)[0], fresh)
        gap = np.flatnonzero(~(fresh[1:] & fresh[:-1]))
        sigma = float(np.sqrt(found.unsure_var[gap].sum()))
        missed = np.diff((found.part + share * (track.places[:, :2] - track.places[0, :2]))[[gap[0], gap[-1] + 1]], axis=0)
        assert np.abs(missed).max() < 3 * sigma
        assert not np.delete(found.unsure_var, gap).any()
        way = track.places[gap[-1] + 1, :2] - track.places[gap[0], :2]
        sigmas.append(sigma / np.hypot(*way))
    assert sigmas[1] < 0.8 * sigmas[0] <= 2e-4

def test_blocks_of_a_drive_share_one_scale() -> None:
    track = turned(driven(), np.eye(2) * 1.004)
    notes, half = [], len(track) // 2
    for part in (slice(0, half), slice(half, None)):
        noting = Learnt(noting=True)
        own = replace(track, **{k: getattr(track, k)[part] for k in ("t", "places", "velocity", "fixed", "placed", "standing", "age")}, learnt=noting)
        askew_velocity(own, residual(own)[0], own.fixed)
        notes.append(noting)
    short = slice(0, 300)
    alike = replace(track, **{k: getattr(track, k)[short] for k in ("t", "places", "velocity", "fixed", "placed", "standing", "age")}, learnt=Learnt.pooled(notes))
    found = askew_velocity(alike, residual(alike)[0], alike.fixed)
    assert found.share == pytest.approx(0.004, rel=0.05)


def formed(track: Track) -> SecondOpinion:
    def decide(chain: Chain, _: object) -> Posterior:
        return infer(chain.steps, chain.variances, np.full(len(chain.stretches), 0.01), right_sigma_m=RIGHT_SIGMA_M)

    return form(track, fresh=track.fixed, breaks=~track.fixed, rough=np.ones(len(track)), slews=none_found(len(track)), prior_wrong=None,  # type: ignore[arg-type]
                decide=decide)


def test_the_second_opinion_takes_it_out_and_says_so() -> None:
    """A swing that a scale of two per mille had hidden is seen."""
    track = driven()
    places = track.places.copy()
    places[3000:3600, 0] += 0.3 * np.sin(np.pi * np.arange(600) / 600)
    opinion = formed(turned(replace(track, places=places), np.eye(2) * 1.002))
    assert opinion.askew == pytest.approx(0.002, rel=0.1)
    assert any(s < 330 < e for s, e in opinion.waves.spans)
    said = {f.code: f for f in words_of(opinion, None, none_found(len(track)), None)}
    assert "m per km of the way driven" in said["velocity_askew"].text
    quiet = formed(turned(track, np.eye(2) * 1.002))
    assert not len(quiet.waves.spans) and quiet.waves.size.max() < 0.05


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_straight_road_lends_no_share_to_the_way_beyond(seed: int) -> None:
    """Out and back on one straight: the ways east and north hardly differ there, and the far end was not seen."""
    track, truth = _out_and_back(seed)
    usable = ~((track.t > 210) & (track.t < 270))
    found = askew_velocity(track, residual(track)[0], usable)
    gap = np.flatnonzero(~usable)
    missed = (found.part - truth)[gap[-1] + 1] - (found.part - truth)[gap[0] - 1]
    sigma = np.sqrt(found.unsure_var[gap[0] - 1:gap[-1] + 1].sum())
    assert np.hypot(*missed) < 0.1 + 3 * sigma < 1.5


def _out_and_back(seed: int) -> tuple[Track, np.ndarray]:
    """Return a drive 2.9 km out on one course and back after a wide turn, in axes that turn with the place as meridians do, and what they make (n, 2) [m]."""
    rng = np.random.default_rng(seed)
    t = np.arange(480 * 5) / 5.0
    speed = 16.0 * np.clip(np.minimum((t - 25) / 8, np.minimum(np.abs(t - 234) / 5 - 1.2, (455 - t) / 8)), 0, 1)
    course = 1.42 - np.pi * np.clip((t - 242) / 12, 0, 1)
    velocity = speed[:, None] * np.column_stack([np.sin(course), np.cos(course)])
    places = np.vstack([np.zeros(2), np.cumsum((velocity[1:] + velocity[:-1]) / 10, axis=0)])
    turn = 1.8e-4 * places[:, 0] / 1000.0  # tan 48° / 6371 km
    turned = np.column_stack([velocity[:, 0] + turn * velocity[:, 1], velocity[:, 1] - turn * velocity[:, 0]])
    truth = np.vstack([np.zeros(2), np.cumsum((velocity - turned)[1:] / 5, axis=0)])
    every = np.ones(len(t), bool)
    track = Track(t=t, places=np.column_stack([places + 0.006 * rng.normal(size=places.shape), 0.01 * rng.normal(size=len(t))]),
                  velocity=turned + 0.02 * rng.normal(size=velocity.shape), fixed=every, placed=every, standing=speed < 0.05,
                  age=np.full(len(t), 1.0), nominal_s=0.2)
    return track, truth
