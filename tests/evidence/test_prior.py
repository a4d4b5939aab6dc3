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


def test_a_log_that_begins_fixed_does_not_show_how_that_fix_was_taken() -> None:
    """Behind a loss of 15 s either side may be the wrong one; a start-up in float, at rest and with time, speaks for the first."""
    track = weaving(500.0, 5.0)
    track.fixed[(track.t > 280.0) & (track.t < 295.0)] = False
    begun = weaving(500.0, 5.0)
    begun.fixed[(begun.t < 10.0) | ((begun.t > 280.0) & (begun.t < 295.0))] = False
    found = []
    for one in (track, begun):
        none = np.zeros(len(one), dtype=bool)
        ageing, returns = Ageing(np.zeros(len(one)), none, 0.0), Returns(np.zeros(0), np.zeros((0, 2)), np.zeros(0))
        stretches = Stretches(intervals.runs(one.fixed), np.zeros(2, dtype=bool), np.zeros(0, dtype=np.int64))
        found.append(PriorOf(one, ageing, none, returns)(stretches, np.zeros(2, dtype=bool)))
    (unseen, behind), (seen, _) = found
    assert behind < 8 * unseen, "one step between them decides for neither"
    assert behind > 10 * seen
