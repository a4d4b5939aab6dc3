"""What positions do when corrections come back, and what a stretch is held for before its steps are looked at."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import expit, logit

from analyzer.evidence.ageing import Ageing, age_excess
from analyzer.evidence.chain import covariance
from analyzer.evidence.claim import RADIUS_95
from analyzer.evidence.prior import PriorOf
from analyzer.evidence.returns import Returns, _log_odds, moved_words, watch, without_returns
from analyzer.evidence.slews import Slews
from analyzer.evidence.stretches import Stretches
from analyzer.evidence.track import Track
from analyzer.settings import thresholds
from tests.evidence.tracks import weaving

OUT_S = (100.0, 150.0)


def _with_outage(*, step_m: float = 0.0, speed: bool = True) -> tuple[Track, Ageing]:
    """Return a drive whose corrections are away from 100 to 150 s, and whose positions move by `step_m` when they are back."""
    track = weaving()
    away = (track.t > OUT_S[0]) & (track.t < OUT_S[1])
    places = track.places + np.outer(np.where(track.t >= OUT_S[1], step_m, 0.0), [0.6, 0.8, 0.0])
    age = np.where(away, 1.0 + track.t - OUT_S[0], 1.0)
    own = track.velocity if speed else np.full_like(track.velocity, np.nan)
    track = replace(track, places=places, age=age, own_velocity=own, fixed=~away, from_places=not speed)
    return track, age_excess(track)


def _state(track: Track) -> pd.Series[str]:
    """Return states: float while corrections were away and for three seconds more."""
    return pd.Series(np.where(track.fixed & ~((track.t > OUT_S[0]) & (track.t < OUT_S[1] + 3.0)), "fixed", "float"))


def _watched(track: Track, ageing: Ageing) -> Returns:
    return watch(track, ageing, _state(track))


@pytest.mark.parametrize("speed", [True, False])
def test_a_return_that_moves_nothing_speaks_against_another_base_and_a_frame_shift_for_one(speed: bool) -> None:
    quiet, moved = _watched(*_with_outage(speed=speed)), _watched(*_with_outage(step_m=1.0, speed=speed))
    assert quiet.at_s == pytest.approx([150.0]) and moved.at_s == pytest.approx([150.0])
    assert moved.step[0] == pytest.approx([0.6, 0.8], abs=0.05) and np.hypot(*quiet.step[0]) < 0.05
    assert quiet.odds_between(99.0, 151.0) < -1.0 < 0.0 < moved.odds_between(99.0, 151.0)
    assert quiet.odds_between(10.0, 50.0) == 0.0


def test_a_clear_step_is_said_with_its_size_and_direction() -> None:
    times = pd.date_range("2026-05-02T10:00:00", periods=2, freq="s", tz="UTC")
    assert moved_words(_watched(*_with_outage()), times) == ()
    (found,) = moved_words(_watched(*_with_outage(step_m=2.0)), times)
    assert found.level == "problem" and "at 10:02:30 UTC the position stepped by 2.0" in found.text
    assert found.evidence["east_m"] == pytest.approx(1.2, abs=0.05) and found.evidence["north_m"] == pytest.approx(1.6, abs=0.05)


def test_blocks_that_overlap_say_the_same_of_one_return() -> None:
    """What is said twice is kept once: time since another first epoch must not make it another finding."""
    times = pd.date_range("2026-05-02T10:00:00", periods=2000, freq="100ms", tz="UTC")
    whole = Returns(np.array([150.0]), np.array([[1.2, 1.6]]), np.array([9.0]))
    block = Returns(np.array([150.0 - 43.7 + 2e-8]), np.array([[1.2 + 1e-9, 1.6 - 1e-9]]), np.array([9.0 + 1e-9]))
    assert moved_words(block, times[437:]) == moved_words(whole, times) != ()


def test_what_nobody_watched_says_nothing() -> None:
    track, ageing = _with_outage(step_m=1.0)
    gone = (track.t > 149.5) & (track.t < 150.5)
    track.places[gone], track.placed[gone] = np.nan, False
    found = _watched(track, ageing)
    assert found.log_odds.tolist() == [0.0] and np.isnan(found.step).all()


def test_epochs_that_name_no_age_end_no_outage() -> None:
    """While corrections are away a receiver falls back to autonomous now and then: it steps there, and nothing has come back."""
    track, _ = _with_outage()
    alone = (track.t > 120.0) & (track.t < 121.5)
    track.places[alone] += 3.0
    track.age[alone] = np.nan
    state = _state(track).mask(alone, "autonomous")
    found = watch(track, age_excess(track), state)
    assert found.at_s == pytest.approx([150.0]) and found.log_odds[0] < -1.0


def test_a_fix_that_comes_back_with_the_corrections_may_step_by_what_float_was_off() -> None:
    """A float position is off by decimetres (common practice); as a step between two fixed positions that would be a shift."""
    track, ageing = _with_outage(step_m=0.7)
    held = replace(track, fixed=np.ones(len(track), dtype=bool))
    at_once = watch(held, ageing, pd.Series(np.where(ageing.excess_s > 0, "float", "fixed")))
    both_fixed = watch(held, ageing, pd.Series("fixed", index=range(len(track))))
    assert at_once.log_odds[0] < 0 < both_fixed.log_odds[0]


@given(step=st.floats(0.0, 5.0), other=st.floats(0.0, 5.0))
def test_a_larger_step_never_speaks_less_for_another_base(step: float, other: float) -> None:
    low, high = sorted([step, other])
    odds = [_log_odds(np.array([s, 0.0]), 0.15) for s in (low, high)]
    assert odds[0] <= odds[1] + 1e-9


def _prior(track: Track, ageing: Ageing, **options: bool) -> float:
    first = int(np.searchsorted(track.t, OUT_S[0])) + 1
    second = int(np.searchsorted(track.t, OUT_S[1]))
    ids = np.full(len(track), -1)
    ids[:first], ids[second:] = 0, 1
    stretches = Stretches(np.array([[0, first], [second, len(track)]]), np.zeros(2, dtype=bool), ids)
    return float(PriorOf(track, ageing, np.zeros(len(track), dtype=bool), _watched(track, ageing), **options)(stretches, np.zeros(2, dtype=np.int64))[1])


def test_a_return_changes_the_doubt_about_the_base_by_its_odds() -> None:
    """Bayes: the log odds of the prior and those of the step add up."""
    base = thresholds("analyzer.evidence")["wrong.frame_unbridged"]
    still = _prior(*_with_outage(), fused=False)
    for step_m in (0.0, 0.7):
        track, ageing = _with_outage(step_m=step_m)
        odds = _watched(track, ageing).log_odds[0]
        long = thresholds("analyzer.evidence")["wrong.frame_long"]
        fused, own = _prior(track, ageing, fused=True), _prior(track, ageing)
        assert fused - own == pytest.approx(expit(logit(base) + odds) - expit(logit(long) + odds), abs=1e-6)
    assert own > still


def test_where_nothing_bridges_another_base_stays_another_base() -> None:
    """Behind a later loss of the fix positions are still in the frame of the base that came back elsewhere."""
    limits = thresholds("analyzer.evidence")
    for speed, expected in ((False, limits["wrong.frame_told"]), (True, None)):
        track, ageing = _with_outage(step_m=3.0, speed=speed)
        later = int(np.searchsorted(track.t, 170.0))
        spans = np.array([[0, 1000], [1500, later], [later + 40, len(track)]])
        prior = PriorOf(track, ageing, np.zeros(len(track), dtype=bool), _watched(track, ageing))
        found = prior(Stretches(spans, np.zeros(3, dtype=bool), np.zeros(0, dtype=np.int64)), np.zeros(3, dtype=np.int64))[2]
        assert found == expected if expected else found < limits["wrong.doubtful"]


def test_of_two_stretches_apart_the_one_that_is_not_aligned_is_doubted() -> None:
    limits = thresholds("analyzer.evidence")
    track, ageing = _with_outage()
    spans = Stretches(np.array([[0, 900], [900, len(track)]]), np.zeros(2, dtype=bool), np.zeros(0, dtype=np.int64))
    none, slow = np.zeros(len(track), dtype=bool), np.array([0, 1])
    found = PriorOf(track, ageing, none, _watched(track, ageing), fused=True, unaligned=track.t < 80.0)(spans, slow)
    aligned = PriorOf(track, ageing, none, _watched(track, ageing), fused=True)(spans, slow)
    assert found[0] == limits["wrong.unaligned"] > 5 * aligned[0] and found[1] == aligned[1]


def test_how_far_another_base_may_be_off() -> None:
    limits = thresholds("analyzer.evidence")
    track, ageing = _with_outage(step_m=3.0)
    foreign = (track.t > 20) & (track.t < 30)
    radius = PriorOf(track, ageing, foreign, _watched(track, ageing)).frame_radius(track.t < 190)
    assert (radius[foreign] == limits["frame.foreign"]).all() and not radius[(track.t < 20) | (track.t >= 190)].any()
    assert radius[(track.t > 150) & (track.t < 190)] == pytest.approx(3.0 + RADIUS_95 * limits["return.noise"], abs=0.1)


def test_without_any_speed_a_stretch_behind_a_loss_is_doubted_the_more_the_shorter_it_is() -> None:
    seen, unseen = _prior(*_with_outage()), _prior(*_with_outage(speed=False))
    assert unseen > 2 * seen
    short, _ = _with_outage(speed=False)
    keep = short.t < 190
    cut = Track(**{k: getattr(short, k)[keep] for k in ("t", "places", "velocity", "fixed", "placed", "standing", "age", "own_velocity")},
                nominal_s=short.nominal_s, from_places=True)
    assert _prior(cut, age_excess(cut)) > max(unseen, thresholds("analyzer.evidence")["wrong.doubtful"])


def _slews(at_s: float, step_m: float, count: int) -> Slews:
    none = np.zeros(count, dtype=bool)
    return Slews(np.array([[at_s, at_s + 4.0]]), np.array([[step_m, 0.0, 0.0]]), covariance(np.full(1, 1e-3), np.full(1, 1e-3)), none, none, {})


def test_a_fused_solution_may_shed_what_ageing_built_up_but_no_more() -> None:
    track, ageing = _with_outage()
    assert not len(without_returns(_slews(151.0, 0.1, len(track)), track, ageing).spans)
    assert len(without_returns(_slews(151.0, 0.8, len(track)), track, ageing).spans) == 1
    assert len(without_returns(_slews(200.0, 0.1, len(track)), track, ageing).spans) == 1
