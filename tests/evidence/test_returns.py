"""What positions do when corrections come back, and what a stretch is held for before its steps are looked at."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analyzer.evidence.ageing import Ageing, age_excess
from analyzer.evidence.prior import PriorOf
from analyzer.evidence.returns import watch, without_returns
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


@pytest.mark.parametrize("speed", [True, False])
def test_a_return_that_moves_nothing_is_quiet_and_a_frame_shift_is_not(speed: bool) -> None:
    assert watch(*_with_outage(speed=speed)).quiet_between(99.0, 151.0)
    assert not watch(*_with_outage(step_m=1.0, speed=speed)).quiet_between(99.0, 151.0)


def test_what_nobody_watched_is_not_quiet() -> None:
    track, ageing = _with_outage()
    gone = (track.t > 149.5) & (track.t < 150.5)
    track.places[gone] = np.nan
    assert not watch(track, ageing).quiet_between(99.0, 151.0)
    assert not watch(*_with_outage()).quiet_between(10.0, 50.0)


def _prior(track: Track, ageing: Ageing, **options: bool) -> float:
    first = int(np.searchsorted(track.t, OUT_S[0])) + 1
    second = int(np.searchsorted(track.t, OUT_S[1]))
    ids = np.full(len(track), -1)
    ids[:first], ids[second:] = 0, 1
    stretches = Stretches(np.array([[0, first], [second, len(track)]]), np.zeros(2, dtype=bool), ids)
    return float(PriorOf(track, ageing, np.zeros(len(track), dtype=bool), watch(track, ageing), **options)(stretches, np.zeros(2, dtype=np.int64))[1])


def test_a_quiet_return_lowers_the_doubt_about_the_base_of_a_fused_solution() -> None:
    limits = thresholds("analyzer.evidence")
    quiet, moved = _prior(*_with_outage(), fused=True), _prior(*_with_outage(step_m=1.0), fused=True)
    assert moved - quiet == pytest.approx(limits["wrong.frame_unbridged"] - limits["wrong.frame_quiet"])


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
    return Slews(np.array([[at_s, at_s + 4.0]]), np.array([[step_m, 0.0, 0.0]]), np.full((1, 2), 1e-3), none[:1], none, none, {})


def test_a_fused_solution_may_shed_what_ageing_built_up_but_no_more() -> None:
    track, ageing = _with_outage()
    assert not len(without_returns(_slews(151.0, 0.1, len(track)), track, ageing).spans)
    assert len(without_returns(_slews(151.0, 0.8, len(track)), track, ageing).spans) == 1
    assert len(without_returns(_slews(200.0, 0.1, len(track)), track, ageing).spans) == 1
