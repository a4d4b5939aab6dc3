"""Moves at rest, an offset that turns with the car, and the kind of solution."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from analyzer.evidence import noise as noise_of
from analyzer.evidence.chain import Posterior
from analyzer.evidence.claimed_sigma import _middle
from analyzer.evidence.claims import claim_findings, claims_table, effective_size, innovation_table
from analyzer.evidence.displacement import residual
from analyzer.evidence.evidence_words import _turning_words
from analyzer.evidence.fused import heading_off
from analyzer.evidence.knots import at_instants, make_knots
from analyzer.evidence.rest import moves_at_rest
from analyzer.evidence.slews import Slews, none_found
from analyzer.evidence.slow_ends import _agreed, into_slews
from analyzer.evidence.stretches import Stretches
from analyzer.evidence.track import Track
from analyzer.evidence.turning import turning_offset
from tests.evidence.tracks import weaving


def test_a_move_at_rest_is_measured() -> None:
    track = weaving()
    share = 0.5 - 0.5 * np.cos(np.pi * np.clip((track.t - 12) / 5, 0, 1))
    moved = replace(track, places=track.places + share[:, None] * [0.2, -0.1, 0.4])
    spans, steps, _, _ = moves_at_rest(moved, track.standing)
    assert len(spans) == 1
    assert steps[0] == pytest.approx([0.2, -0.1, 0.4], abs=0.03)
    assert len(moves_at_rest(track, track.standing)[0]) == 0


def test_a_move_that_is_under_way_where_a_stand_begins_is_seen_in_part() -> None:
    """The filter takes a wrong fix from 3 s before the stand at the end on, over 8 s: the stand shows the rest of it, and says so."""
    track = weaving()
    begins = float(track.t[track.standing & (track.t > 200)][0])
    share = np.clip((track.t - begins + 3.0) / 8.0, 0, 1)
    moved = replace(track, places=track.places + share[:, None] * [0.3, -0.2, 0.5])
    (span,), (step,), (var,), (unseen,) = moves_at_rest(moved, track.standing)
    assert span[0] >= begins and min(var[0], var[3]) > 0.05**2
    assert (np.abs(step - [0.3, -0.2, 0.5]) < np.sqrt(var[[0, 1, 3]])).all()
    assert 0.1 < np.linalg.norm(unseen) < 0.3 and unseen @ [0.3, -0.2, 0.5] > 0.99 * np.linalg.norm(unseen) * np.linalg.norm([0.3, -0.2, 0.5])
    whole = replace(track, places=track.places + np.clip((track.t - begins - 4.0) / 5.0, 0, 1)[:, None] * [0.3, -0.2, 0.5])
    (span,), _, (var,), (unseen,) = moves_at_rest(whole, track.standing)
    assert var[0] < 0.05**2 and span[0] >= begins and not unseen.any()


@pytest.mark.parametrize(("seen_mps", "agreed_m"), [(0.0, 0.0), (0.1, 0.2)])
def test_a_move_at_rest_stands_in_the_residual_but_for_what_velocity_shows(seen_mps: float, agreed_m: float) -> None:
    """Counted once: at a stand velocity counts as none, but for a burst of 2 s that agrees with a part of the move."""
    track = weaving(doppler_mps=0.0)
    velocity = track.velocity.copy()
    velocity[(track.t >= 12) & (track.t < 14), 0] = seen_mps
    one = _one_step(12.0, 18.0, (0.4, 0.0, 0.3), len(track))
    assert _agreed(replace(track, velocity=velocity), one, 0) == pytest.approx([agreed_m, 0.0], abs=0.011)
    in_part = replace(one, unseen=np.array([[0.15, -0.1, 0.2]]))
    assert _agreed(replace(track, velocity=velocity), in_part, 0) == pytest.approx([agreed_m + 0.15, -0.1], abs=0.011)


def test_between_two_stands_of_which_one_swings_the_other_tells_what_claims_are_worth() -> None:
    assert _middle(np.array([0.01, 0.3])) == 0.01 and _middle(np.array([0.3, 0.01])) == 0.01
    assert _middle(np.array([0.01, 0.03])) == pytest.approx(0.02), "as much as stands of one drive differ"
    assert _middle(np.array([0.01, 0.02, 0.3])) == 0.02 and np.isnan(_middle(np.zeros(0)))


def test_in_motion_velocity_agrees_with_all_of_a_slow_step() -> None:
    track = weaving()
    for first_s in (120.0, 31.0, 262.0):  # in motion, on driving off, before the stand at the end
        assert _agreed(track, _one_step(first_s, first_s + 8.0, (0.4, -0.1, 0.3), len(track)), 0) == pytest.approx([0.4, -0.1])


def _one_step(first_s: float, last_s: float, step: tuple[float, float, float], count: int) -> Slews:
    nothing = none_found(count)
    return replace(nothing, spans=np.array([[first_s, last_s]]), step=np.array([step]), var=np.full((1, 4), 1e-4))


def test_an_offset_that_turns_with_the_car_is_found_and_others_are_not() -> None:
    track = weaving(600.0)
    speed = np.maximum(np.hypot(*track.velocity.T), 0.1)
    ahead = track.velocity / speed[:, None]
    wrong = 0.3 * ahead + 0.1 * np.column_stack([-ahead[:, 1], ahead[:, 0]])
    places = track.places.copy()
    places[:, :2] += wrong
    found = turning_offset(track, residual(replace(track, places=places))[0], track.fixed)
    assert found is not None
    assert found.forward_m == pytest.approx(0.3, abs=4 * found.sigma_m + 0.02)
    assert found.left_m == pytest.approx(0.1, abs=4 * found.sigma_m + 0.02)
    assert turning_offset(track, residual(track)[0], track.fixed) is None


def _straight(rate_hz: float, speed: float, seed: int) -> Track:
    """Return a drive due east along a parallel, whose direction turns with the meridians alone, with a speed that is 0.2 % too small."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(600 * rate_hz)) / rate_hz
    still, moving = np.zeros(len(t), bool), np.ones(len(t), bool)
    angle = speed * t * np.tan(np.radians(48.0)) / 6.37e6
    velocity = speed * np.column_stack([np.cos(angle), np.sin(angle)])
    way = np.vstack([np.zeros(2), np.cumsum((velocity[1:] + velocity[:-1]) / 2 / rate_hz, axis=0)])
    places = np.column_stack([way, np.zeros(len(t))]) + 0.003 * rng.normal(size=(len(t), 3))
    return Track(t=t, places=places, velocity=0.998 * velocity + 1e-4 * rng.normal(size=velocity.shape), fixed=moving, placed=moving, standing=still,
                 age=np.full(len(t), 1.0), nominal_s=1 / rate_hz)


@pytest.mark.parametrize("rate_hz", [1.0, 10.0])
@pytest.mark.parametrize("speed", [5.0, 15.0, 30.0])
def test_a_car_that_does_not_turn_shows_no_offset_that_turns_with_it(rate_hz: float, speed: float) -> None:
    for seed in range(3):
        track = _straight(rate_hz, speed, seed)
        assert turning_offset(track, residual(track)[0], track.fixed) is None


def test_what_is_longer_than_any_antenna_offset_is_said_to_be_something_else() -> None:
    """Positions a second late: at 15 m/s they turn with the car by 15 m, which no antenna offset is wrong by."""
    track = weaving(600.0)
    late = replace(track, places=np.vstack([np.repeat(track.places[:1], 10, axis=0), track.places[:-10]]))
    found = turning_offset(late, residual(late)[0], late.fixed)
    assert found is not None and found.forward_m < -10 and not found.is_offset
    assert (found.part == 0).all(), "nothing is taken out"
    words = [f.text for f in _turning_words(SimpleNamespace(turning=found))]  # type: ignore[arg-type]
    assert len(words) == 1 and "different moments" in words[0] and "entered" not in words[0]


def test_heading_that_disagrees_with_course_is_not_aligned() -> None:
    track = weaving(doppler_mps=0.01)
    heading = np.degrees(np.arctan2(track.velocity[:, 0], track.velocity[:, 1])) + 1.0
    assert heading_off(heading, track).max() == 0.0
    turned = np.where(track.t < 100, heading + 40, heading)
    off = heading_off(turned, track)
    assert off[500] == pytest.approx(40, abs=2)
    assert off[0] == pytest.approx(40, abs=2)
    assert (off[track.t > 106] == 0).all()


def test_claims_are_held_against_what_stands_show() -> None:
    track = weaving(600.0, white_m=0.01)
    states = np.array(["fixed"] * len(track), dtype=object)
    nothing = np.full((len(track), 2), np.nan)
    right = np.ones(len(track), bool)
    table = claims_table(states, track, np.full(len(track), 0.003), deviation=nothing, sigma=nothing[:, 0], right=right)
    # white noise of 10 mm hides nothing in the mean of a stand: at least is exactly
    assert table["ratio_low"].iloc[0] < 10 / 3 < table["ratio_high"].iloc[0]
    (said,) = claim_findings(table)
    assert "claims 3 mm and shows at least 10 mm" in said.text and said.level == "warning"
    honest = claims_table(states, track, np.full(len(track), 0.03), deviation=nothing, sigma=nothing[:, 0], right=right)
    (said,) = claim_findings(honest)
    assert said.level == "note" and "0.3 times the claim" in said.text and "nothing against the claim, but errors slower" in said.text


def test_effective_size_of_a_correlated_series() -> None:
    """First-order process with r = 0.9: n (1 - r)/(1 + r) (Bayley and Hammersley 1946, from memory)."""
    rng = np.random.default_rng(4)
    series = np.zeros(20_000)
    for k in range(1, len(series)):
        series[k] = 0.9 * series[k - 1] + rng.normal()
    assert effective_size(series) == pytest.approx(20_000 * 0.1 / 1.9, rel=0.15)
    assert effective_size(rng.normal(size=5000)) > 4500


@pytest.mark.parametrize(("white_m", "rate_hz"), [(0.002, 10.0), (0.003, 10.0), (0.01, 10.0), (0.003, 50.0), (0.01, 5.0)])
def test_innovations_of_honest_noise_lie_within_chi_square_bounds(white_m: float, rate_hz: float) -> None:
    """Gaussian noise of position and velocity, known beforehand: the expected value of the mean is 2, bounds from chi-square.

    Eight drives: beside the bounds of each stands the error of what was learnt, some per cent of the noise.
    """
    means, inside = [], 0
    for seed in range(8):
        row = _innovations(weaving(900.0, rate_hz, seed=seed, white_m=white_m))
        means.append(row["mean"])
        inside += row["low"] * 0.9 <= row["mean"] <= row["high"] * 1.1
    assert np.mean(means) == pytest.approx(2.0, rel=0.12) and inside >= 6


def test_innovations_show_noise_that_is_not_as_learnt() -> None:
    """A position that swings by three centimetres within seconds scatters more than white noise and a walk."""
    track = weaving(900.0)
    swing = 0.03 * np.sin(2 * np.pi * track.t / 4.0)[:, None] * (track.t[:, None] % 120 < 20)
    assert _innovations(replace(track, places=track.places + np.column_stack([swing, swing, 0 * swing])))["mean"] > 2.5


def _innovations(track: Track) -> pd.Series:
    left, extra, truncated = residual(track)
    noise = noise_of.learn_moving(left, track.fixed, track)
    one = np.ones(len(track))
    knots = make_knots(track, left, extra, truncated, noise=noise, rough=one, coarse=one, usable=track.fixed, edges=np.zeros(len(track), bool))
    points = at_instants(knots, track, left, noise=noise, rough=one, extra_var=extra, truncated=truncated, usable=track.fixed)
    row = innovation_table(points, noise).iloc[0]
    assert row["low"] < 2.0 < row["high"]
    return row


def test_beside_a_move_that_a_stand_shows_in_part_epochs_are_doubted_for_as_long_as_a_filter_settles() -> None:
    track = weaving()
    at = int(np.searchsorted(track.t, 60.0))
    behind = at + int(np.searchsorted(track.t[at:], 66.0))
    ids = np.full(len(track), -1)
    ids[:at], ids[behind:] = 0, 1
    found = Stretches(np.array([[0, at], [behind, len(track)]]), np.zeros(2, dtype=bool), ids)
    posterior = Posterior(np.array([0.01, 0.9]), np.zeros((2, 3)), np.ones((2, 2)), np.zeros(2))
    one = _one_step(60.0, 66.0, (0.2, 0.0, 0.3), len(track))
    for slews, soft_s in ((one, 1.5), (replace(one, unseen=np.array([[0.1, 0.0, 0.1]])), 5.0)):
        ids = into_slews(found, posterior, slews, track)
        assert track.t[ids == 1][0] == pytest.approx(60.0 - soft_s, abs=0.2)
