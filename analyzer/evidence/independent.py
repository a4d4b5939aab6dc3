"""How the solution moves against what did not come from its own filter: gyros, heading, accelerometer, wheels.

In a fused solution position and velocity share one filter, so their agreement proves nothing. Raw inertial data know how
the car turned, pitched and sped up; a wheel speed knows how fast it went. Three differences of velocity are formed::

    across = v (course - turned)           turned: integral of the yaw rate, or the heading
    up     = v (slope of the height - pitched)   pitched: integral of the pitch rate
    along  = (v²/2 + g h' - work)/v        work: integral of forward specific force times v; h' without `up`
             or v - wheel speed

`course - turned` and the like are taken against their own running median over ``independent.window``: biases, mounting and
scale go, a wrong fix that slews in within seconds stays. What still follows yaw rate (antenna ahead of the axle), lateral
acceleration (clocks), pitch rate and acceleration (springs) is fitted robustly and taken out. Nothing is assumed of how
good the sensors are: whoever uses the differences learns their noise from the drive.

Source: planar rigid-body kinematics and the work-energy theorem.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.ndimage import median_filter

from analyzer import intervals
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.recording import Recording
from analyzer.settings import thresholds

GRAVITY_MPS2 = 9.81


@dataclass(frozen=True)
class Independent:
    """Velocity of the solution minus independent velocity, per epoch [m/s]; NaN where nothing independent speaks.

    `across` positive to the left, `along` forward, `up` upward; `east`, `north` the unit vector of travel (n, 2);
    `sources` what the axes rest on, in words, by axis.
    """

    across: Floats
    along: Floats
    up: Floats
    direction: Floats
    sources: dict[str, str]


def independent_motion(recording: Recording, track: Track) -> Independent:
    """Return the differences at the epochs of ``recording.fixes``."""
    limits = thresholds("analyzer.evidence")
    speed = np.hypot(*track.velocity.T)
    course = np.arctan2(track.velocity[:, 1], track.velocity[:, 0])
    moving = track.fixed & (np.nan_to_num(speed) > limits["independent.least_speed"])
    half = max(2, round(limits["independent.window"] / track.nominal_s))
    rates = _rates(recording, track.t)
    nothing = np.full(len(track), np.nan)
    across, up, along, sources = nothing, nothing, nothing, {}
    turned, word = _turned(recording, track.t, rates)
    if turned is not None:
        difference = _unwrapped(course - turned, moving)
        turn_rate = np.gradient(turned, track.t)
        across = _left(speed * (difference - running_median(difference, half)), [turn_rate, speed * turn_rate], moving, half)
        sources["across"] = word
    if rates is not None:
        pitched = rates["pitch"]
        slope = np.where(moving, np.arctan2(_slope_of(track), speed), np.nan) - pitched
        pulled = np.gradient(np.nan_to_num(speed), track.t)
        up = _left(speed * (slope - running_median(slope, half)), [np.gradient(pitched, track.t), speed * pulled], moving, half)
        sources["up"] = "the pitch rate of the inertial data"
    wheel = _wheel(recording, track.t)
    if wheel is not None:
        ratio = np.where(moving & (wheel > limits["independent.least_speed"]), speed / np.maximum(wheel, 0.1), np.nan)
        along = _left(speed - wheel * running_median(ratio, half), [np.gradient(np.nan_to_num(speed), track.t)], moving, half)
        sources["along"] = "the wheel speed"
    elif rates is not None:
        along = _along_by_work(track, speed, rates["force"], up, moving, half=half)
        sources["along"] = "the forward acceleration of the inertial data"
    return Independent(across, along, up, np.column_stack([np.cos(course), np.sin(course)]), sources)


def _along_by_work(track: Track, speed: Floats, force: Floats, up: Floats, moving: Flags, *, half: int) -> Floats:
    """Return the along difference from specific force; gravity counts where that explains the drive better than none."""
    step = np.diff(track.t)
    drive = force * np.nan_to_num(speed)
    work = np.r_[0.0, np.cumsum((drive[1:] + drive[:-1]) / 2 * step)]
    way_up = np.nan_to_num(up)
    height = track.places[:, 2] - np.r_[0.0, np.cumsum((way_up[1:] + way_up[:-1]) / 2 * step)]
    best = np.full(len(track), np.nan)
    for gravity in (GRAVITY_MPS2, 0.0):
        energy = np.where(moving, speed**2 / 2 + gravity * height - work, np.nan)
        along = (energy - running_median(energy, half)) / np.maximum(speed, 1.0)
        along = _left(along, [np.gradient(np.nan_to_num(speed), track.t)], moving, half)
        if not np.isfinite(best).any() or np.nanmedian(np.abs(along)) < np.nanmedian(np.abs(best)):
            best = along
    return best


def _rates(recording: Recording, t: Floats) -> dict[str, Floats] | None:
    """Return integrated yaw and pitch [rad] and forward force [m/s²] at `t`, NaN outside the inertial data; None without."""
    inertial = recording.inertial
    if len(inertial) < 100:
        return None
    inertial = inertial[inertial["source_id"] == inertial["source_id"].iloc[0]]
    at = intervals.seconds(pd.DatetimeIndex(inertial.index), recording.fixes.index[0])
    step = np.clip(np.diff(at), 0.0, 0.5)

    def grown(column: str, sign: float) -> Floats:
        values = sign * np.nan_to_num(inertial[column].to_numpy(np.float64))
        return at_epochs(t, at, np.r_[0.0, np.cumsum((values[1:] + values[:-1]) / 2 * step)])

    # forward force is averaged between epochs: its change of integral over the interval
    speed_gain = grown("acceleration_x_mps2", 1.0)
    return {"yaw": grown("rate_z_radps", 1.0), "pitch": grown("rate_y_radps", -1.0), "force": np.gradient(speed_gain, t)}


def _turned(recording: Recording, t: Floats, rates: dict[str, Floats] | None) -> tuple[Floats | None, str]:
    """Return how far the car turned [rad], to the left, up to a slow offset, and what it rests on."""
    if rates is not None:
        return rates["yaw"], "the yaw rate of the inertial data"
    heading = recording.fixes["heading_deg"].to_numpy(np.float64)
    known = np.isfinite(heading)
    if known.sum() > len(t) / 2:
        return at_epochs(t, t[known], -np.unwrap(np.radians(heading[known]))), "the heading, which follows the gyros"
    return None, ""


def _wheel(recording: Recording, t: Floats) -> Floats | None:
    """Return the recorded wheel speed [m/s] at `t`; None without."""
    if not len(recording.measurement) or "speed_mps" not in recording.measurement:
        return None
    wheel = recording.measurement["speed_mps"].dropna()
    wheel = wheel[pd.DatetimeIndex(wheel.index).notna()]
    if len(wheel) < 100:
        return None
    at = intervals.seconds(pd.DatetimeIndex(wheel.index), recording.fixes.index[0])
    found = at_epochs(t, at, wheel.to_numpy(np.float64))
    return found if np.isfinite(found).sum() > len(t) / 2 else None


def at_epochs(t: Floats, at: Floats, values: Floats) -> Floats:
    """Return `values` interpolated to `t`; NaN outside and across pauses longer than half a second."""
    order = np.argsort(at, kind="stable")
    at, values = at[order], values[order]
    out = np.interp(t, at, values, left=np.nan, right=np.nan)
    usual = float(np.median(np.diff(at))) if len(at) > 1 else 0.0
    after = np.clip(np.searchsorted(at, t), 1, len(at) - 1)
    out[(at[after] - at[after - 1] > max(0.5, 1.5 * usual)) & (t != at[after])] = np.nan
    return np.asarray(out)


def _slope_of(track: Track) -> Floats:
    """Return the rate of climb of the logged height [m/s]."""
    return np.asarray(np.gradient(track.places[:, 2], track.t))


def _unwrapped(angle: Floats, known: Flags) -> Floats:
    """Return a slowly varying angle [rad] unwrapped where known, NaN elsewhere."""
    at = np.flatnonzero(known & np.isfinite(angle))
    out = np.full(len(angle), np.nan)
    out[at] = np.unwrap(angle[at])
    return out


def running_median(values: Floats, half: int) -> Floats:
    """Return the running median over ±`half` epochs; holes are filled by interpolation first; linear in time."""
    known = np.flatnonzero(np.isfinite(values))
    if len(known) < 3:
        return np.full(len(values), np.nan)
    every = np.arange(len(values))
    filled = np.interp(every, known, values[known])
    stride = max(1, half // 30)
    thin = median_filter(filled[::stride], size=2 * (half // stride) + 1, mode="nearest")
    return np.asarray(np.interp(every, every[::stride], thin))


def _left(values: Floats, followed: list[Floats], moving: Flags, half: int) -> Floats:
    """Return what is left of `values` when what follows the series `followed` is taken out; NaN where not moving.

    Least squares on what is within three robust sigmas, three times over.
    """
    use = moving & np.isfinite(values) & np.all([np.isfinite(x) for x in followed], axis=0)
    out = np.where(use, values, np.nan)
    if use.sum() < 100:
        return out
    design = np.column_stack([x - running_median(np.where(use, x, np.nan), half) for x in followed])
    inside = use
    for _ in range(3):
        share, *_ = np.linalg.lstsq(design[inside], values[inside], rcond=None)
        rest = values - design @ share
        usual = 1.4826 * float(np.median(np.abs(rest[use])))
        inside = use & (np.abs(np.nan_to_num(rest, nan=np.inf)) <= 3 * usual + 1e-9)
        if inside.sum() < 50:
            return out
    return np.where(use, rest, np.nan)
