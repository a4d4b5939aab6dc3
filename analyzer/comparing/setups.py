"""Set-ups of the base over many runs: which runs share one, what was entered for it, what evidence tells of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import geodesy
from analyzer.comparing.adjustment import Adjustment
from analyzer.comparing.runs import Place, Run
from analyzer.metrics.base_site_shift import Shift
from analyzer.settings import thresholds

Array = NDArray[np.float64]
#: Coordinates entered anew at one site by averaging differ by metres; further apart it is another site.
SAME_SITE_M = 30.0


@dataclass(frozen=True)
class LogMean:
    """Mean of a static log at the base: its place, 1-sigma (horizontal axis, height) from day to day, its grade, its first and last epoch."""

    place: Place
    sigma_m: tuple[float, float]
    grade: str
    day: str
    settled: bool | None = None
    span_utc: tuple[pd.Timestamp, pd.Timestamp] | None = None


@dataclass(frozen=True)
class Lever:
    """What is fixed to the car and changed against the reference (forward, left) [m]."""

    vector_m: tuple[float, float]
    half_width_m: tuple[float, float]
    p_value: float
    found: bool
    detectable_m: float


@dataclass(frozen=True)
class Setup:
    """One set-up of the base: runs of one day with the same entered coordinates and station between which marks show no
    shift; a run that marks link to no other is one by itself.

    Shifts are those of all positions against the reference set-up. `entered_m` is the difference of the entered base
    coordinates; None where unknown. `marks`, `parking`, `log` are the shifts seen by each kind of evidence, `absolute`
    the shift against the marks' own coordinates, `lever` what is fixed to the car; each None without evidence.
    """

    index: int
    runs: tuple[int, ...]
    day: str
    place: Place | None
    station_id: int | None
    entered_m: Array | None
    marks: Shift | None = None
    parking: Shift | None = None
    log: Shift | None = None
    log_grade: str = ""
    log_settled: bool | None = None
    absolute: Shift | None = None
    lever: Lever | None = None
    both_ways: bool = False


@dataclass(frozen=True)
class Frames:
    """All set-ups, and what their comparison rests on.

    `within` are shifts that marks show between runs of one day, station and entry, by which that set-up was parted;
    `apart` runs whose stands are of another point of the car and are not compared; `unseen_m` by set-up of several recordings
    the smallest shift between them that marks would have shown.
    """

    setups: tuple[Setup, ...]
    reference: int
    origin: Place
    group: NDArray[np.int64]
    mark_fit: Adjustment | None = None
    within: tuple[tuple[int, int, Shift], ...] = field(default=())
    apart: frozenset[int] = frozenset()
    unseen_m: Mapping[int, float] = field(default_factory=dict)

    def day_parted(self, setup: Setup) -> bool:
        """Whether the day of a set-up has several of one entry, so that its date alone does not name it."""
        own = (setup.day, setup.place, setup.station_id)
        return any((s.day, s.place, s.station_id) == own for s in self.setups if s.index != setup.index)

    def offset_differs_m(self) -> float:
        """Return by how much the antenna offset on the car differs from the reference at most [m]; 0 where none was found to."""
        return max((float(np.hypot(*s.lever.vector_m)) for s in self.setups if s.lever and s.lever.found), default=0.0)

    def offset_looked_for(self) -> bool:
        """Whether stands could have shown another antenna offset on the car at all."""
        return any(s.lever is not None for s in self.setups)

    def not_linked(self, setup: Setup) -> str:
        """Say why no mark tells of the shift of a set-up."""
        if self.apart & {*setup.runs, *self.setups[self.reference].runs}:
            return "the stands on marks are of different points of the car"
        return "no common mark was visited"


def group_runs(runs: Sequence[Run]) -> NDArray[np.int64]:
    """Return the set-up number of each run: one day, one station, one entry of coordinates."""
    keys: list[tuple[object, ...]] = []
    out = np.zeros(len(runs), dtype=np.int64)
    for i, run in enumerate(runs):
        place = None if run.base.place is None else _rounded(run.base.place)
        key = (run.day, run.base.station_id, place)
        if key not in keys:
            keys.append(key)
        out[i] = keys.index(key)
    return out


def _rounded(place: Place) -> tuple[int, ...]:
    """Return a place to about three millimetres, so that roundings of one entry stay one entry."""
    step = thresholds("analyzer.comparing")["base.same_m"]
    return tuple(int(np.floor(float(v) / step + 0.5)) for v in geodesy.to_ecef(*place))


def local_place(place: Place, origin: Place) -> Array:
    """Return east, north, up [m] of a place about `origin`."""
    return np.array([float(v) for v in geodesy.to_enu(*place, origin=origin)])


def entered_shift(run: Run, reference: Run, origin: Place) -> Array | None:
    """Return the entered base coordinates of `run` minus those of `reference`, east north up [m]; None if unknown."""
    if run.base.place is None or reference.base.place is None:
        return None
    here, there = (local_place(p, origin) for p in (run.base.place, reference.base.place))
    return np.asarray(here - there)
