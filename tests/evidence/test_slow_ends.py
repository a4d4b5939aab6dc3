"""Behind a slow step that was seen, what would not have been seen to end is no likelier right than what lies before the step."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analyzer import intervals
from analyzer.evidence.ageing import Ageing
from analyzer.evidence.chain import covariance
from analyzer.evidence.consensus import Chain, consensus
from analyzer.evidence.prior import PriorOf
from analyzer.evidence.returns import Returns
from analyzer.evidence.slow_ends import unwatched, without_passing
from analyzer.evidence.stretches import Stretches
from analyzer.settings import thresholds
from tests.evidence.tracks import weaving

#: A sharp slow step of 0.4 m at 160 s, and before it one at 130 s of which nobody knows how large it was.
SPANS = np.array([[0, 650], [650, 800], [800, 2000]])
BY_SLEW = np.array([False, True, True])


def chain(blind: np.ndarray) -> Chain:
    """Return the chain of a drive at 5 Hz; `blind` (n,) are the epochs where no slow step would have stood out."""
    variances = covariance(np.array([50.0**2, 0.01**2]), np.array([1.0, 0.01**2]))
    stretches = Stretches(SPANS, np.zeros(3, dtype=bool), np.zeros(0, dtype=np.int64))
    return Chain(stretches, np.array([[0.0, 0.8, 0.0], [0.4, -0.1, 0.5]]), variances, BY_SLEW, unwatched(stretches, BY_SLEW, variances, ~blind))


def wrong(blind: np.ndarray) -> np.ndarray:
    track = weaving(400.0, 5.0)
    assert len(intervals.runs(track.fixed)) == 1
    none = np.zeros(len(track), dtype=bool)
    prior = PriorOf(track, Ageing(np.zeros(len(track)), none, 0.0), none, Returns(np.zeros(0), np.zeros((0, 2)), np.zeros(0)), fused=True)
    return consensus(chain(blind), prior).wrong


def test_which_side_of_a_slow_step_is_wrong_is_open_where_its_end_would_not_have_shown() -> None:
    doubtful = thresholds("analyzer.evidence")["wrong.doubtful"]
    seen, unseen = wrong(np.zeros(2000, dtype=bool)), wrong(np.ones(2000, dtype=bool))
    assert seen[1] > 0.9 and seen[2] < doubtful, "watched: the short side was left by the step that was seen"
    assert unseen[1] > doubtful and unseen[2] > 2 * doubtful, "not watched: it may as well have been entered by it"


@pytest.mark.parametrize(("hidden_s", "told"), [((0.0, 160.0), False), ((160.0, 270.0), False), ((160.0, 300.0), True)])
def test_what_matters_is_the_stretch_behind_the_step(hidden_s: tuple[float, float], told: bool) -> None:
    t = np.arange(2000) / 5.0
    assert chain((t >= hidden_s[0]) & (t < hidden_s[1])).unwatched.tolist() == [False, False, told]


def test_a_step_of_nobody_knows_what_size_says_nothing() -> None:
    assert not chain(np.ones(2000, dtype=bool)).unwatched[1]


def test_a_wrong_fix_taken_behind_a_loss_is_likelier_than_one_that_a_right_fix_went_over_to() -> None:
    """The same step, not watched behind: behind a fix taken anew the side before it is doubted, the long one behind it is trusted."""
    doubtful = thresholds("analyzer.evidence")["wrong.doubtful"]
    spans, by_slew = np.array([[0, 500], [550, 800], [800, 2000]]), np.array([False, False, True])
    variances = covariance(np.array([50.0**2, 0.01**2]), np.array([4.0**2, 0.01**2]))
    track = weaving(400.0, 5.0)
    fixed = (track.t < 100.0) | (track.t >= 110.0)
    none = np.zeros(len(track), dtype=bool)
    stretches = Stretches(spans, np.zeros(3, dtype=bool), np.zeros(0, dtype=np.int64))
    prior = PriorOf(replace(track, fixed=fixed), Ageing(np.zeros(len(track)), none, 0.0), none, Returns(np.zeros(0), np.zeros((0, 2)), np.zeros(0)), fused=True)
    behind = unwatched(stretches, by_slew, variances, none)
    found = consensus(Chain(stretches, np.array([[0.0, 0.8, 0.0], [0.4, -0.1, 0.5]]), variances, by_slew, behind), prior).wrong
    assert behind.tolist() == [False, False, True] and found[1] > 0.8 and found[2] < doubtful


@pytest.mark.parametrize(("by_slew", "kept"), [
    ([False, True, True, False], [0, 2, 3]),
    ([False, False, True, False], [0, 1, 2, 3]),
    ([False, True, False, False], [0, 1, 2, 3]),
])
def test_a_short_stretch_that_ends_with_a_slow_step_is_on_the_way(by_slew: list[bool], kept: list[int]) -> None:
    spans = np.array([[0, 500], [550, 570], [590, 1200], [1300, 2000]])
    ids = np.full(2000, -1)
    for k, (start, end) in enumerate(spans):
        ids[start:end] = k
    steps, variances = np.arange(9.0).reshape(3, 3), np.arange(12.0).reshape(3, 4)
    t = np.arange(2000) / 5.0
    left, step, var, begun = without_passing(Stretches(spans, np.zeros(4, dtype=bool), ids), steps, variances, by_slew=np.array(by_slew), t=t)
    assert left.spans.tolist() == spans[kept].tolist()
    assert step.sum(axis=0).tolist() == steps.sum(axis=0).tolist() and var.sum(axis=0).tolist() == variances.sum(axis=0).tolist()
    if len(kept) == 3:
        assert step[0].tolist() == (steps[0] + steps[1]).tolist() and step[1].tolist() == steps[2].tolist()
        assert begun.tolist() == [False, by_slew[1], False], "as the short one was begun"
        assert (left.id[550:570] == -1).all() and left.id[600] == 1 and left.id[1500] == 2 and left.ramps.tolist() == [[110.0, 113.8]]


def test_a_first_fix_that_is_drawn_over_at_once_goes_with_what_follows() -> None:
    spans = np.array([[10, 13], [40, 2000]])
    ids = np.full(2000, -1)
    ids[10:13], ids[40:] = 0, 1
    left, step, _, begun = without_passing(Stretches(spans, np.zeros(2, dtype=bool), ids), np.ones((1, 3)), np.ones((1, 4)),
                                           by_slew=np.array([False, True]), t=np.arange(2000) / 5.0)
    assert left.spans.tolist() == [[40, 2000]] and not len(step) and begun.tolist() == [False]
