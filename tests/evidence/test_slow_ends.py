"""Behind a slow step that was seen, what would not have been seen to end is no likelier right than what lies before the step."""

from __future__ import annotations

import numpy as np
import pytest

from analyzer import intervals
from analyzer.evidence.ageing import Ageing
from analyzer.evidence.chain import covariance
from analyzer.evidence.consensus import Chain, consensus
from analyzer.evidence.prior import PriorOf
from analyzer.evidence.returns import Returns
from analyzer.evidence.slow_ends import unwatched
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
