"""Which side of a jump is the wrong one, before anything is measured."""

from __future__ import annotations

import numpy as np
import pytest

from analyzer import intervals
from analyzer.evidence.ageing import Ageing
from analyzer.evidence.prior import PriorOf
from analyzer.evidence.returns import Returns
from analyzer.evidence.stretches import Stretches
from analyzer.settings import thresholds
from tests.evidence.tracks import weaving


def priors(jump_s: float, seconds: float, *, lost_s: tuple[float, float] | None = None) -> np.ndarray:
    """Return the priors of the stretches of a drive of `seconds` with a jump inside fixed, and before it perhaps a loss of the fix."""
    track = weaving(seconds, 5.0)
    if lost_s is not None:
        track.fixed[(track.t > lost_s[0]) & (track.t < lost_s[1])] = False
    at = int(np.searchsorted(track.t, jump_s))
    runs = intervals.runs(track.fixed)
    last = runs[-1]
    spans = np.array([*runs[:-1], (last[0], at), (at, last[1])])
    jumps = np.zeros(len(spans), dtype=bool)
    jumps[-1] = True
    none = np.zeros(len(track), dtype=bool)
    ageing, returns = Ageing(np.zeros(len(track)), none, 0.0), Returns(np.zeros(0), np.zeros((0, 2)), np.zeros(0))
    return PriorOf(track, ageing, none, returns)(Stretches(spans, jumps, np.zeros(0, dtype=np.int64)), np.zeros(len(spans), dtype=bool))


def test_twenty_minutes_from_the_start_are_right_and_the_last_minute_behind_a_jump_is_not() -> None:
    """An antenna of the base that was knocked, or a fix gone wrong without a loss: receivers keep no wrong fix for so long."""
    before, behind = priors(1300.0, 1380.0)
    assert behind > 10 * before


def test_a_short_stretch_behind_a_loss_was_wrong_and_the_jump_mends_it() -> None:
    first, before, behind = priors(260.0, 900.0, lost_s=(200.0, 220.0))
    assert before > 10 * behind and first < 0.01


@pytest.mark.parametrize("jump_s", [20.0, 40.0, 60.0])
def test_a_jump_makes_the_side_before_it_likelier_up_to_its_limit(jump_s: float) -> None:
    limits = thresholds("analyzer.evidence")
    before, behind = priors(jump_s, 900.0)
    assert behind < before <= limits["wrong.before_jump"]
    assert before > limits["wrong.first"]


def test_a_jump_that_both_sides_outlive_is_the_frame_of_the_base_behind_it() -> None:
    """A base knocked over, or one whose survey ended, while corrections go on: no receiver keeps a wrong fix for so long."""
    limits = thresholds("analyzer.evidence")
    before, behind = priors(600.0, 1300.0)
    assert behind == pytest.approx(limits["wrong.frame_held"], rel=0.15) and before < 0.1 * behind
    assert priors(600.0, 630.0)[1] < 0.5 * limits["wrong.frame_held"] + limits["wrong.after_jump"]
    assert priors(600.0, 615.0)[1] == pytest.approx(limits["wrong.after_jump"], rel=0.25), "a few seconds are a wrong fix"


@pytest.mark.parametrize("outages", [1, 2, 5])
def test_a_base_is_set_up_anew_once_however_often_radio_is_lost(outages: int) -> None:
    track = weaving(1500.0, 1.0)
    lost = np.zeros(len(track), dtype=bool)
    for k in range(outages):
        lost[200 + 200 * k:240 + 200 * k] = True
    track.fixed[lost] = False
    spans = np.asarray(intervals.runs(track.fixed))
    none = np.zeros(len(track), dtype=bool)
    returns = Returns(np.zeros(0), np.zeros((0, 2)), np.zeros(0))
    prior = PriorOf(track, Ageing(np.where(lost, 30.0, 0.0), none, 0.0), none, returns)
    _, frames = prior.parts(Stretches(spans, np.zeros(len(spans), dtype=bool), np.zeros(0, dtype=np.int64)), np.zeros(len(spans), dtype=bool))
    assert frames.begun.sum() == pytest.approx(thresholds("analyzer.evidence")["wrong.frame_long"], rel=0.01)
