"""Whether a sensor was in this car on this drive: what never moves with the solution has not watched it.

A recording of another day, of another car, of zeros, in a wrong unit or with its axes exchanged may be given with the best of
intentions. Over a few seconds the course turns with the yaw, and the speed changes with the forward force or the wheels; a sensor
for which that is not so says nothing of where the car was, and counts as not given.

Source: planar rigid-body kinematics; Pearson's correlation and the slope of least squares.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analyzer.evidence.sensor_series import at_epochs, gained_of, rates_of, unwrapped, wheel_speed
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.recording import Recording
from analyzer.settings import thresholds


@dataclass(frozen=True)
class Following:
    """How changes of a sensor go with those of the solution.

    Attributes
    ----------
    correlation, scale : Pearson's correlation, and the sensor's change over that of the solution; NaN where the drive cannot tell.
    moved : RMS of the solution's changes.
    """

    correlation: float
    scale: float
    moved: float

    @property
    def told(self) -> bool:
        """Return whether there was driving enough to tell; a block in which the car is parked has no say."""
        return bool(np.isfinite(self.correlation))

    def by(self, least: float, *, widest: float = float("inf")) -> bool:
        """Return whether the sensor follows: a correlation of at least `least` and a scale within a factor of `widest`."""
        return self.correlation >= least and 1 / widest <= self.scale <= widest


def following(t: Floats, own: Floats, theirs: Floats, known: Flags) -> Following:
    """Return how `theirs` (n,) goes with `own` (n,) at the times `t` [s], by changes within `witness.step` of epochs that are all `known`."""
    limits = thresholds("analyzer.evidence")
    use = known & np.isfinite(own) & np.isfinite(theirs)
    last = np.searchsorted(t, t + limits["witness.step"])
    first = np.flatnonzero(last < len(t))
    held = np.r_[0, np.cumsum(use)]
    first = first[held[last[first] + 1] - held[first] == last[first] + 1 - first]
    if len(first) < 3 or t[last[first]].max() - t[first].min() < limits["witness.seconds"]:
        return Following(float("nan"), float("nan"), 0.0)
    mine, other = own[last[first]] - own[first], theirs[last[first]] - theirs[first]
    mine, other = mine - mine.mean(), other - other.mean()  # a bias is no motion
    square, size = float(mine @ mine), float(np.sqrt(mine @ mine * (other @ other)))
    if size == 0.0:
        return Following(0.0, 0.0, float(np.sqrt(square / len(mine))))
    return Following(float(mine @ other) / size, float(mine @ other) / square, float(np.sqrt(square / len(mine))))


def share_of(seen: Flags, among: Flags) -> float:
    """Return the share of the epochs `among` which are `seen`; 1 where there are none."""
    return float(seen[among].mean()) if among.any() else 1.0


@dataclass(frozen=True)
class Heard:
    """What was in this car on this drive: `rates` as `rates_of`, `gained` [m/s] and `wheel` [m/s] at the epochs; None where not.

    `yaw`, `force`, `pitch` : whether yaw rate, forward acceleration and pitch rate count; `refused` why something does not, in words.
    """

    rates: dict[str, Floats] | None
    gained: Floats
    wheel: Floats | None
    yaw: bool
    force: bool
    pitch: bool
    refused: tuple[str, ...]


def heard_of(recording: Recording, track: Track, course: Floats, speed: Floats, *, moving: Flags) -> Heard:
    """Return what of the sensors moves with the solution; what does not has not watched it."""
    limits, learnt, nothing, refused = thresholds("analyzer.evidence"), track.learnt, np.full(len(track), np.nan), []
    rates, wheel, gained = rates_of(recording, track.t), None, nothing
    turning = yaw = force = pitch = False
    if rates is not None:
        gained = gained_of(recording, track.t)
        turns, gains = following(track.t, unwrapped(course, moving), rates["yaw"], moving), following(track.t, speed, gained, moving)
        gaining = gains.moved >= limits["witness.gained"] and gains.by(limits["witness.gains"], widest=limits["witness.gains_scale"])
        follows = learnt.of("witness.gains", gaining or gains.moved < limits["witness.gained"] if gains.told else None, "most") is not False
        turning = gaining if turns.moved < limits["witness.turned"] else turns.by(limits["witness.turns"], widest=limits["witness.turns_scale"])
        turning = bool(learnt.of("witness.turns", turning if turns.told or gains.told else None, "most"))
        force = turning and follows and bool(np.isfinite(gained).any())
        pitch = turning and follows and bool(np.isfinite(rates["pitch"]).any())
        yaw = turning and bool(np.isfinite(rates["yaw"]).any())
        rates |= {} if yaw else {"yaw": np.zeros(len(track))}
        refused += [] if turning else [_not_with("yaw rate of the inertial data", "course", turns)]
        refused += [] if follows else [_not_with("forward acceleration of the inertial data", "speed", gains)]
    rolled = wheel_speed(recording)
    if rolled is not None:
        found = at_epochs(track.t, *rolled)
        rolls = following(track.t, speed, found, moving)
        with_it = bool(learnt.of("witness.wheel", rolls.by(limits["witness.wheel"]) if rolls.told else None, "most"))
        wheel = found if with_it and np.isfinite(found).any() else None
        refused += [] if with_it else [_not_with("wheel speed", "speed", rolls)]
    return Heard(rates if turning else None, gained, wheel, yaw, force, pitch, tuple(refused))


def _not_with(sensor: str, motion: str, found: Following) -> str:
    if not np.isfinite(found.correlation):
        return f"the {sensor} meets too little of the drive in motion to be held against the {motion}"
    if found.correlation >= thresholds("analyzer.evidence")["witness.gains"]:
        return f"the {sensor} changes {found.scale:.2g} times as much as the {motion}"
    return f"the {sensor} does not go with the {motion} (correlation {found.correlation:.2f})"
