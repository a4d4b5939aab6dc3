"""Which stretches are wrong, decided on all of them together: the chain of stretches, and who decides on it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analyzer.evidence.chain import Posterior, infer, worst_in_plan
from analyzer.evidence.stretches import Stretches
from analyzer.evidence.track import Flags, Floats
from analyzer.settings import thresholds

if TYPE_CHECKING:
    from analyzer.evidence.prior import PriorOf

#: Sigma of a right fix about the truth, per horizontal axis and in height [m].
RIGHT_SIGMA_M = (0.012, 0.02)
#: Share of the variance of a right fix's error that is another one after one epoch: its errors last for tens of seconds and more.
SAME_ERROR = 0.1
#: How often stretches are decided anew that are compared across the drive by the height of the road.
ROUNDS = 3
#: Variance of an offset that nothing measured [m²].
UNKNOWN_VAR = 1.0


@dataclass(frozen=True)
class Chain:
    """Stretches, the steps (k-1, 3) [m] from each to the next, their variances (k-1, 4), see `chain`, and which began with a slow step.

    `unwatched` (k,) are those behind a well-known slow step whose own end would not have shown.
    """

    stretches: Stretches
    steps: Floats
    variances: Floats
    by_slew: Flags
    unwatched: Flags


def consensus(chain: Chain, prior_wrong: PriorOf) -> Posterior:
    """Return which stretches are wrong by the steps between all of them."""
    if not len(chain.stretches):
        return Posterior(np.zeros(0), np.zeros((0, 3)), np.ones((0, 2)), np.zeros(0))
    prior, frames = prior_wrong.parts(chain.stretches, chain.by_slew, unwatched=chain.unwatched)
    changed = np.where(chain.stretches.at_once, SAME_ERROR, 1.0)
    found = infer(chain.steps, chain.variances, prior, right_sigma_m=RIGHT_SIGMA_M, frames=frames, changed=changed)
    for _ in range(ROUNDS if prior_wrong.road.telling else 0):
        # again without blaming stretches for not fitting those that turned out wrong
        prior, frames = prior_wrong.parts(chain.stretches, chain.by_slew, found.wrong, unwatched=chain.unwatched)
        found = infer(chain.steps, chain.variances, prior, right_sigma_m=RIGHT_SIGMA_M, frames=frames, changed=changed)
    foreign = prior_wrong.foreign[chain.stretches.spans[:, 0]]
    return _by_frame(found, prior, chain, foreign) if foreign.any() else found


def _by_frame(alone: Posterior, prior: Floats, chain: Chain, foreign: Flags) -> Posterior:
    """Return the posterior with neighbours under a foreign station taken for one stretch: they stand in one frame.

    That they fit each other says nothing for it. Where no measured step leads from it to the own base it is wrong by its prior,
    by nobody knows how much; where it is right, each of them may still be wrong alone.
    """
    begins = np.r_[True, ~(foreign[1:] & foreign[:-1])]
    group, last = np.cumsum(begins) - 1, np.flatnonzero(np.r_[begins[1:], True])
    largest = np.maximum.reduceat(prior, np.flatnonzero(begins))
    steps, variances = chain.steps[last[:-1]], chain.variances[last[:-1]]
    whole = infer(steps, variances, largest, right_sigma_m=RIGHT_SIGMA_M)
    known = np.r_[False, worst_in_plan(variances) < thresholds("analyzer.evidence")["wrong.measured"] ** 2, False]
    adrift = foreign[last] & ~known[:-1] & ~known[1:]
    wrong, variance = np.where(adrift, np.maximum(whole.wrong, largest), whole.wrong), whole.variance.copy()
    variance[adrift] = np.maximum(variance[adrift], UNKNOWN_VAR)
    single = foreign & (wrong[group] < 0.5) & (alone.wrong > wrong[group])
    return Posterior(np.where(single, alone.wrong, wrong[group]), np.where(single[:, None], alone.offset, whole.offset[group]),
                     np.where(single[:, None], alone.variance, variance[group]), np.where(foreign & ~single, 1.0, alone.frame))


#: Says which stretches of a chain are wrong, given their prior.
Decide = Callable[[Chain, "PriorOf"], Posterior]
