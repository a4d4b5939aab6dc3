"""The way across seconds without velocity: under a bridge nothing is logged, and the car drives on much as before.

Speed and course at both ends are joined by straight lines; where a yaw gyro, forward force or wheels were recorded, their changes
follow between and the lines take up only what does not meet at the far end. How good that is the drive itself tells: the same is done
over windows of the same length elsewhere, where velocity is known, and what it misses there, at like speed and with like changes
of velocity at the ends, is what it may miss here. A gyro that is late, or of another car, shows in this as well.

Source: planar kinematics; nearest neighbours in place of a model of drivers.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analyzer.evidence.sensor_series import wheel_speed
from analyzer.evidence.track import Floats, Track
from analyzer.evidence.witness import heard_of
from analyzer.recording import Recording
from analyzer.settings import thresholds

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Sensors:
    """What was recorded beside the positions, at their epochs: `turned` [rad] to the left and `gained` [m/s], both grown since anywhere; None without."""

    turned: Floats | None = None
    gained: Floats | None = None


def carried_across(recording: Recording, track: Track) -> Track:
    """Return the track with its short holes of velocity carried across, by what `recording` holds of sensors that move with it."""
    return carry(track, _sensors_of(recording, track)) if len(holes_in(track)) and not track.from_places else track


def _sensors_of(recording: Recording, track: Track) -> Sensors:
    if not len(recording.inertial) and wheel_speed(recording) is None:
        return Sensors()
    speed = np.hypot(*track.velocity.T)
    moving = np.nan_to_num(speed) > thresholds("analyzer.evidence")["independent.least_speed"]
    heard = heard_of(recording, track, np.arctan2(track.velocity[:, 1], track.velocity[:, 0]), speed, moving=moving)
    gained = heard.wheel if heard.wheel is not None else heard.gained if heard.force else None
    return Sensors(heard.rates["yaw"] if heard.yaw and heard.rates is not None else None, gained)


def holes_in(track: Track) -> Ints:
    """Return the last epoch with velocity before, and the first behind, each hole that may be carried across, (k, 2)."""
    limits = thresholds("analyzer.evidence")
    known = np.flatnonzero(np.isfinite(track.velocity).all(axis=1))
    apart = np.diff(track.t[known])
    at = np.flatnonzero((apart > limits["bridge.longest_hole"]) & (apart <= limits["carried.longest"]))
    return np.column_stack([known[at], known[at + 1]])


def carry(track: Track, sensors: Sensors) -> Track:
    """Return the track with velocity put into its short holes, and the variance of the way across them."""
    velocity, var = np.full((len(track), 2), np.nan), np.full(max(len(track) - 1, 0), np.nan)
    holes, limits = holes_in(track), thresholds("analyzer.evidence")
    if not len(holes):
        return track
    pulled = _pulled(track)
    for first, last in holes:
        seconds = track.t[last] - track.t[first]
        # where epochs are missing too nobody is there to whom sensors could tell
        known = sensors if (last - first) * track.nominal_s > 0.8 * seconds else Sensors()
        if known.gained is None and seconds > limits["carried.blind"]:
            continue
        missed = _misses(track, known, pulled, first=int(first), last=int(last))
        if not np.isfinite(missed):
            continue
        velocity[first + 1:last] = _between(track, known, np.array([first]), int(last - first))[0, 1:-1]
        step = np.diff(track.t[first:last + 1])
        var[first:last] = missed * step / step.sum()
    return replace(track, carried=velocity, carried_var=var)


def _pulled(track: Track) -> Floats:
    """Return the size of the change of velocity (n,) [m/s²] over the second before and the second behind each epoch, the larger of both."""
    known = np.flatnonzero(np.isfinite(track.velocity).all(axis=1))
    t, out = track.t[known], np.zeros(len(track))
    reach = max(1.0, 2 * track.nominal_s)
    for low, high in ((t - reach, t), (t, t + reach)):
        a, b = (np.clip(np.searchsorted(t, x - 1e-6), 0, len(t) - 1) for x in (low, high))
        near = (t[b] - t[a] > 0.5 * reach) & (t[b] - t[a] < 1.5 * reach)
        change = np.hypot(*(track.velocity[known[b]] - track.velocity[known[a]]).T) / reach
        out[known] = np.maximum(out[known], np.where(near, change, 0.0))
    return out


def _misses(track: Track, sensors: Sensors, pulled: Floats, *, first: int, last: int) -> float:
    """Return the mean square [m²] of what windows like the hole miss; NaN where the drive has too few of them."""
    limits = thresholds("analyzer.evidence")
    count = max(2, round((track.t[last] - track.t[first]) / track.nominal_s))
    every = max(1, count // 4, len(track) // int(limits["carried.windows"]))
    begins = np.arange(0, len(track) - count, every)
    held = np.r_[0, np.cumsum(np.isfinite(track.velocity).all(axis=1) & ~_unheard(sensors, len(track)))]
    whole = held[begins + count + 1] - held[begins] == count + 1
    whole &= track.t[begins + count] - track.t[begins] < (count + 1) * track.nominal_s
    begins = begins[whole]
    if len(begins) < limits["carried.least"]:
        return float("nan")
    ends = begins + count
    like = _unlike(track, pulled, begins, ends) - _unlike(track, pulled, np.array([first]), np.array([last]))
    nearest = np.argsort(np.abs(like).sum(axis=1))[:max(int(limits["carried.least"]) // 2, len(begins) // 10)]
    begins = begins[nearest]
    index = begins[:, None] + np.arange(count + 1)
    step = np.diff(track.t[index], axis=1)[:, :, None]
    off = track.velocity[index] - _between(track, sensors, begins, count)
    missed = ((off[:, 1:] + off[:, :-1]) / 2 * step).sum(axis=1)
    widened = limits["carried.widened"] if sensors.gained is None else 1.0
    return float(widened**2 * (missed**2).sum(axis=1).mean() + limits["carried.floor"] ** 2)


def _unlike(track: Track, pulled: Floats, begins: Ints, ends: Ints) -> Floats:
    """Return what windows must have in common (w, 2): how velocity changes across and at their ends, and speed, on scales of factors."""
    seconds = track.t[ends] - track.t[begins]
    across = np.hypot(*(track.velocity[ends] - track.velocity[begins]).T) / seconds
    fast = np.maximum(np.hypot(*track.velocity[begins].T), np.hypot(*track.velocity[ends].T))
    return np.column_stack([np.log(0.1 + across + pulled[begins] + pulled[ends]), 0.5 * np.log(1.0 + fast)])


def _unheard(sensors: Sensors, count: int) -> NDArray[np.bool_]:
    """Return the epochs (n,) of which a sensor that is used knows nothing."""
    out = np.zeros(count, dtype=bool)
    for series in (sensors.turned, sensors.gained):
        if series is not None:
            out |= ~np.isfinite(series)
    return out


def _between(track: Track, sensors: Sensors, begins: Ints, count: int) -> Floats:
    """Return velocities (w, count + 1, 2) from both ends of windows of `count` steps and what sensors tell between."""
    index = begins[:, None] + np.arange(count + 1)
    t = track.t[index]
    share = (t - t[:, :1]) / (t[:, -1:] - t[:, :1])
    one, other = track.velocity[index[:, 0]], track.velocity[index[:, -1]]
    straight = one[:, None] + share[:, :, None] * (other - one)[:, None]
    gained, turned = _moved(sensors.gained, index), _moved(sensors.turned, index)
    speed = np.hypot(*one.T)
    speed = speed[:, None] + gained + share * (np.hypot(*other.T) - speed - gained[:, -1])[:, None]
    course = np.arctan2(one[:, 1], one[:, 0])
    missing = np.angle(np.exp(1j * (np.arctan2(other[:, 1], other[:, 0]) - course - turned[:, -1])))
    course = course[:, None] + turned + share * missing[:, None]
    bent = speed[:, :, None] * np.stack([np.cos(course), np.sin(course)], axis=2)
    moving = np.minimum(np.hypot(*one.T), np.hypot(*other.T)) > thresholds("analyzer.evidence")["independent.least_speed"]
    return np.asarray(np.where((moving & np.isfinite(bent).all(axis=(1, 2)))[:, None, None], bent, straight))


def _moved(series: Floats | None, index: Ints) -> Floats:
    """Return by how much `series` changed since the beginning of each window (w, m); none where nothing was recorded."""
    return np.zeros(index.shape) if series is None else np.asarray(series[index] - series[index[:, :1]])
