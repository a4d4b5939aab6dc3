"""Which stretches are wrong, decided on all of them together: the chain of stretches, and who decides on it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analyzer.evidence.chain import Posterior, infer
from analyzer.evidence.stretches import Ints, Stretches
from analyzer.evidence.track import Floats

if TYPE_CHECKING:
    from analyzer.evidence.prior import PriorOf

#: Sigma of a right fix about the truth, per horizontal axis and in height [m].
RIGHT_SIGMA_M = (0.012, 0.02)


@dataclass(frozen=True)
class Chain:
    """Stretches, the steps (k-1, 3) [m] from each to the next, their variances (k-1, 2) and how each began, see `second_opinion`."""

    stretches: Stretches
    steps: Floats
    variances: Floats
    by_slew: Ints


def consensus(chain: Chain, prior_wrong: PriorOf) -> Posterior:
    """Return which stretches are wrong by the steps between all of them."""
    if not len(chain.stretches):
        return Posterior(np.zeros(0), np.zeros((0, 3)), np.ones((0, 2)))
    return infer(chain.steps, chain.variances, prior_wrong(chain.stretches, chain.by_slew), right_sigma_m=RIGHT_SIGMA_M)


#: Says which stretches of a chain are wrong, given their prior.
Decide = Callable[[Chain, "PriorOf"], Posterior]
