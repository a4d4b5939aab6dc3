"""Which stretches of a drive are wrong, decided on all of them though they were measured block by block.

A stretch that crosses a border is one stretch: whether a new one begins at an epoch is said by the block whose core holds the
epoch, and so is the step to it from the stretch before.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from analyzer import intervals
from analyzer.evidence.ageing import Ageing
from analyzer.evidence.chain import Posterior
from analyzer.evidence.consensus import Chain, Decide, consensus
from analyzer.evidence.height_steps import UNMEASURED
from analyzer.evidence.learnt import Learnt
from analyzer.evidence.prior import PriorOf
from analyzer.evidence.returns import Returns
from analyzer.evidence.road import NOTHING, road_of
from analyzer.evidence.stations import told_places
from analyzer.evidence.stretches import Ints, Stretches
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.metrics.result import Metrics
from analyzer.recording import Recording
from analyzer.scratch import Scratch


@dataclass
class Joined:
    """Stretches of the whole drive in the making, one entry each; `step` and `var` lead to it from the one before."""

    spans: list[list[int]] = field(default_factory=list)
    by_jump: list[bool] = field(default_factory=list)
    by_slew: list[bool] = field(default_factory=list)
    unwatched: list[bool] = field(default_factory=list)
    step: list[Floats] = field(default_factory=list)
    var: list[Floats] = field(default_factory=list)

    def add(self, low: int, core: tuple[int, int], chain: Chain) -> None:
        """Add the stretches of the next block, whose first epoch is `low`."""
        first, last = core
        for k, (start, end) in enumerate(chain.stretches.spans + low):
            if end <= first or start >= last:
                continue
            stop = min(int(end), last)
            if start < first and self.spans and self.spans[-1][1] == first:
                self.spans[-1][1] = stop
                continue
            own = start >= first
            measured = own and k > 0
            self.spans.append([max(int(start), first), stop])
            self.by_jump.append(bool(own and chain.stretches.by_jump[k]))
            self.by_slew.append(own and bool(chain.by_slew[k]))
            self.unwatched.append(own and bool(chain.unwatched[k]))
            self.step.append(chain.steps[k - 1] if measured else np.zeros(3))
            self.var.append(chain.variances[k - 1] if measured else np.array([UNMEASURED, UNMEASURED, 0.0, UNMEASURED]))

    def chain(self) -> Chain:
        """Return the chain of the whole drive."""
        spans = np.asarray(self.spans, dtype=np.int64).reshape(-1, 2)
        stretches = Stretches(spans, np.asarray(self.by_jump, dtype=bool), np.zeros(0, dtype=np.int64))
        return Chain(stretches, np.asarray(self.step[1:]).reshape(-1, 3), np.asarray(self.var[1:]).reshape(-1, 4),
                     np.asarray(self.by_slew, dtype=bool), np.asarray(self.unwatched, dtype=bool))


class Collector:
    """Gathers the stretches of all blocks, and what the prior of a stretch looks at, per epoch of the whole drive."""

    def __init__(self, count: int, scratch: Scratch) -> None:
        self.joined = Joined()
        self.fixed, self.placed, self.foreign, self.unaligned = (scratch.empty(count, bool) for _ in range(4))
        self.excess_s = scratch.empty(count, np.float32)
        self.at: list[int] = []
        self.step: list[list[float]] = []
        self.log_odds: list[float] = []
        self.fused = self.from_places = False
        self.nominal_s = 1.0

    def of(self, low: int, core: tuple[int, int]) -> Decide:
        """Return what takes the stretches of a block, and decides on them alone for the time being."""

        def take(chain: Chain, prior: PriorOf) -> Posterior:
            self.joined.add(low, core, chain)
            here, there = slice(*core), slice(core[0] - low, core[1] - low)
            self.fixed[here], self.placed[here] = prior.track.fixed[there], prior.track.placed[there]
            self.foreign[here], self.excess_s[here] = prior.foreign[there], prior.ageing.excess_s[there]
            self.unaligned[here] = prior.unaligned[there]
            self.fused, self.nominal_s, self.from_places = prior.fused, prior.track.nominal_s, prior.track.from_places
            self._add_returns(prior, there, low)
            return consensus(chain, prior)

        return take

    def _add_returns(self, prior: PriorOf, core: slice, low: int) -> None:
        """Add the returns of corrections in the core of a block, by their epochs in the whole drive."""
        at = np.searchsorted(prior.track.t, prior.returns.at_s)
        own = (at >= core.start) & (at < core.stop)
        self.at.extend((at[own] + low).tolist())
        self.step.extend(prior.returns.step[own].tolist())
        self.log_odds.extend(prior.returns.log_odds[own].tolist())


@dataclass(frozen=True)
class Agreement:
    """The chain of all stretches and what was decided on it."""

    chain: Chain
    posterior: Posterior

    def numbers(self, low: int, spans: Ints) -> Ints:
        """Return the number in the whole drive of each stretch [start, end) of a block that begins at epoch `low`."""
        whole = self.chain.stretches.spans
        if not len(whole) or not len(spans):
            return np.zeros(len(spans), dtype=np.int64)
        return np.array([_most_common(whole, start + low, end + low) for start, end in spans], dtype=np.int64)

    def decide(self, low: int) -> Decide:
        """Return what gives the stretches of a block what was decided on the whole drive."""

        def look_up(chain: Chain, prior: PriorOf) -> Posterior:
            if not len(self.chain.stretches):
                return consensus(chain, prior)
            at = self.numbers(low, chain.stretches.spans)
            return Posterior(self.posterior.wrong[at], self.posterior.offset[at], self.posterior.variance[at], self.posterior.frame[at])

        return look_up


def agree(collector: Collector, recording: Recording, metrics: Metrics, learnt: Learnt, *, without: Collection[str] = ()) -> Agreement:
    """Return what all stretches together say, with the rulers of the whole drive."""
    chain = collector.joined.chain()
    times = pd.DatetimeIndex(recording.fixes.index)
    nothing = np.zeros((0, 3))
    none: Flags = np.zeros(0, dtype=bool)
    track = Track(t=intervals.seconds(times), places=nothing, velocity=nothing[:, :2], fixed=collector.fixed, placed=collector.placed,
                  standing=none, age=np.zeros(0), nominal_s=collector.nominal_s, from_places=collector.from_places, learnt=learnt, begun_s=times[0].timestamp())
    ageing = Ageing(collector.excess_s, none, 0.0)
    returns = Returns(track.t[np.asarray(collector.at, dtype=np.int64)], np.asarray(collector.step).reshape(-1, 2), np.asarray(collector.log_odds))
    road = NOTHING if "road" in without else road_of(track, none, np.zeros(0))
    prior = PriorOf(track, ageing, collector.foreign, returns, road=road, fused=collector.fused, unaligned=collector.unaligned,
                    told=told_places(recording.corrections, recording.fixes, track))
    return Agreement(chain, consensus(chain, prior))


def _most_common(whole: Ints, start: int, end: int) -> int:
    """Return which of the sorted spans `whole` shares most epochs with [start, end)."""
    near = np.arange(max(int(np.searchsorted(whole[:, 1], start, side="right")), 0), int(np.searchsorted(whole[:, 0], end)))
    if not len(near):
        return int(np.clip(np.searchsorted(whole[:, 0], start) - 1, 0, len(whole) - 1))
    shared = np.minimum(whole[near, 1], end) - np.maximum(whole[near, 0], start)
    return int(near[np.argmax(shared)])
