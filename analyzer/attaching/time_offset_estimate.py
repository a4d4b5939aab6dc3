"""What one signal says of the clock, and which signals of a measurement cannot have one clock in common."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np

from analyzer.attaching.signals import LIMITS, Pair
from analyzer.attaching.time_offset_fit import Line, fit
from analyzer.attaching.time_offset_rest import proven
from analyzer.attaching.time_offset_rivals import search
from analyzer.attaching.time_offset_search import Coarse
from analyzer.attaching.time_offset_step import Watch, halves, sides, watch
from analyzer.settings import thresholds

NAMES = {"speed": "speed", "acceleration": "longitudinal acceleration", "yaw_rate": "yaw rate"}
#: Kind of signal by the name of its quantity.
KINDS = {"speed_mps": "speed", "acceleration_x_mps2": "acceleration", "yaw_rate_radps": "yaw_rate"}


@dataclass(frozen=True)
class Estimate:
    """What one signal says: the line of its apparent delay, or why there is none, and where its windows watched for steps."""

    kind: str
    line: Line | None
    coarse: Coarse | None
    reason: str | None = None
    watched: Watch | None = None

    @property
    def interval_s(self) -> tuple[float, float] | None:
        """95 % interval of the offset at the centre of the run [s]."""
        if self.line is None:
            return None
        return self.line.offset_s - self.line.half_width_s, self.line.offset_s + self.line.half_width_s


@dataclass(frozen=True)
class Apart:
    """A signal that stamps `late_s` later than the one the clock was told by, more than the delay of a sensor can be."""

    kind: str
    late_s: float
    half_width_s: float


def estimate_of(pair: Pair, *, anywhere: bool) -> Estimate:
    """Return what a pair of signals says."""
    coarse = search(pair, anywhere=anywhere)
    if coarse.reason is not None:
        return Estimate(pair.kind, None, coarse, coarse.reason)
    line = fit(pair, coarse.offset_s)
    if line.reason is None:
        line = proven(pair, line, strict=coarse.strict)
    if line.reason is not None:
        return Estimate(pair.kind, None, coarse, line.reason)
    watched = watch(line.blocks)
    if watched is not None and watched.step is not None:
        step = sides(pair, watched.step)
        watched = replace(watched, step=step)
        if not step.clear:
            # each side lies within the size of the step of any line between them
            line = replace(line, half_width_s=line.half_width_s + abs(step.size_s))
    watched = halves(pair, line, watched)
    return Estimate(pair.kind, line, coarse, None, watched)


def apart_from(leading: Estimate, made: Collection[Estimate]) -> tuple[Apart, ...]:
    """Return the signals that differ from `leading` by more than a sensor's own delay: their stamps come from other clocks.

    Inertial signals have next to no delay; what speed shows beyond theirs would be its own, and lies within a known band.
    """
    limits = thresholds(LIMITS)
    out = []
    for other in made:
        if other is leading or other.line is None or leading.line is None:
            continue
        late = float(other.line.at(leading.line.centre_s)) - leading.line.offset_s
        half = float(np.hypot(other.line.half_width_s, leading.line.half_width_s))
        lowest, highest = -limits["band.latest_s"], -limits["band.earliest_s"]
        if leading.kind != "speed":
            lowest, highest = limits["band.earliest_s"], limits["band.latest_s"]
            if other.kind != "speed":
                lowest = -highest
        # a signal that tells little is not blamed for it
        doubt = half if max(other.line.half_width_s, leading.line.half_width_s) > limits["share.inertial_s"] else 0.0
        clear = max(limits["share.least_s"], 1.5 * half)
        if abs(late) > clear and not lowest - doubt <= late <= highest + doubt:
            out.append(Apart(other.kind, late, half))
    return tuple(out)
