"""How the solution moves against what did not come from its own filter: gyros, heading, accelerometer, wheels.

In a fused solution position and velocity share one filter, so their agreement proves nothing. Raw inertial data know how
the car turned, pitched and sped up; a wheel speed knows how fast it went. Three differences of velocity are formed::

    across = v (course - turned)           turned: integral of the yaw rate, or the heading
    up     = v (slope of the height - pitched)   pitched: integral of the pitch rate
    along  = (v²/2 + g h' - work)/v        work: integral of forward specific force times v; h' without `up`
             or v - wheel speed

Without inertial data `slope` is the slope of the height alone: a road does not leave and regain its slope within seconds by
just what a wrong fix goes up and comes down again, so it serves to find the other end of a slow step, and for nothing else.
`course - turned` and the like are taken against their own running median over ``independent.window``: biases, mounting and
scale go, a wrong fix that slews in within seconds stays. First what surely follows scale, mounting and body roll of the inertial
data goes (`sensor_errors`). What still follows yaw rate (antenna ahead of the axle), lateral
acceleration (clocks), pitch rate and acceleration (springs) is fitted robustly and taken out. Nothing is assumed of how
good the sensors are: whoever uses the differences learns their noise from the drive.

Source: planar rigid-body kinematics and the work-energy theorem.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.interpolate import Akima1DInterpolator
from scipy.ndimage import binary_erosion, median_filter, uniform_filter1d

from analyzer import intervals
from analyzer.evidence.sensor_errors import without
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.recording import Recording
from analyzer.settings import thresholds

GRAVITY_MPS2 = 9.81


@dataclass(frozen=True)
class Independent:
    """Velocity of the solution minus independent velocity, per epoch [m/s]; NaN where nothing independent speaks.

    `across` positive to the left, `along` forward, `up` upward; `direction` (n, 2) the unit vector of travel east and north;
    `pushed` [m/s] how much the forward force or the wheels changed the speed within a second; `sources` what the axes rest
    on, in words, by axis. `slope` as `up`, by the slope of the height alone; NaN where `up` is known.
    """

    across: Floats
    along: Floats
    up: Floats
    direction: Floats
    pushed: Floats
    slope: Floats
    sources: dict[str, str]


def independent_motion(recording: Recording, track: Track, *, usable: Flags | None = None) -> Independent:
    """Return the differences at the epochs of ``recording.fixes``; epochs that are not `usable` (frozen) say nothing."""
    limits = thresholds("analyzer.evidence")
    speed = np.hypot(*track.velocity.T)
    course = np.arctan2(track.velocity[:, 1], track.velocity[:, 0])
    whole = track.fixed if usable is None else track.fixed & usable
    moving = binary_erosion(whole, iterations=2) & (np.nan_to_num(speed) > limits["independent.least_speed"])
    half = max(2, round(limits["independent.window"] / track.nominal_s))
    rates = _rates(recording, track.t)
    nothing = np.full(len(track), np.nan)
    across, up, along, sources = nothing, nothing, nothing, {}
    turned, word = _turned(recording, track.t, rates)
    if turned is not None:
        difference = _unwrapped(course - turned, moving)
        turn_rate = np.gradient(turned, track.t)
        # scale of the gyro; an antenna ahead of the axle, and slip of the tyres, are the same angle again in every bend of a kind
        followed = [turned, turn_rate / np.maximum(np.nan_to_num(speed), 1.0), speed * turn_rate]
        difference = without(difference, followed, moving, track, drift=track.t)
        across = _left(speed * flattened(difference, half), [turn_rate, speed * turn_rate], moving, half)
        sources["across"] = word
    climbing = np.where(moving, np.arctan2(np.gradient(track.places[:, 2], track.t), speed), np.nan)
    road = nothing
    if rates is None:
        road = np.where(moving, speed * flattened(climbing, half), np.nan)
    else:
        # both sides are means over the same two steps, so that slow sampling does not part them
        pitched = np.gradient(rates["pitch_grown"], track.t)
        pulled = _pulled(track.t, np.nan_to_num(speed), track.nominal_s)
        leant = _grown(track.t, np.nan_to_num(np.gradient(rates["yaw"], track.t)) ** 2 * np.nan_to_num(speed))
        climbed = without(climbing - pitched, [rates["yaw"], leant, pulled], moving, track, drift=track.t)
        up = _left(speed * flattened(climbed, half), [np.gradient(rates["pitch"], track.t), speed * pulled], moving, half)
        sources["up"] = "the pitch rate of the inertial data"
    wheel = _wheel(recording, track.t)
    if wheel is not None:
        ratio = np.where(moving & (wheel > limits["independent.least_speed"]), speed / np.maximum(wheel, 0.1), np.nan)
        # an antenna, or a wheel, beside the middle of the car goes faster on the outside of a bend
        turning = np.gradient(np.unwrap(np.nan_to_num(course)) if turned is None else np.nan_to_num(turned), track.t)
        along = _left(speed - wheel * running_median(ratio, half), [np.gradient(np.nan_to_num(speed), track.t), turning], moving, half)
        sources["along"] = "the wheel speed"
    elif rates is not None:
        along = _along_by_work(track, speed, _work(recording, track.t, speed), up, moving, half=half)
        sources["along"] = "the forward acceleration of the inertial data"
    pushed = _pushed(recording, track, rates, wheel)
    return Independent(across, along, up, np.column_stack([np.cos(course), np.sin(course)]), pushed, road, sources)


def _pulled(t: Floats, speed: Floats, nominal_s: float) -> Floats:
    """Return the change of speed [m/s²] over half a second, as springs follow it; from one epoch to the next it would be noise at high rates."""
    reach = max(0.25, nominal_s)
    before, after = np.maximum(t - reach, t[0]), np.minimum(t + reach, t[-1])
    return np.asarray((np.interp(after, t, speed) - np.interp(before, t, speed)) / (after - before))


def _pushed(recording: Recording, track: Track, rates: dict[str, Floats] | None, wheel: Floats | None) -> Floats:
    """Return the change of speed within a second by wheels or forward force, gravity on the slope taken out."""
    if wheel is not None:
        return wheel
    if rates is None:
        return np.full(len(track), np.nan)
    at, force = _sensor(recording, "acceleration_x_mps2")
    gained = at_epochs(track.t, at, _grown(at, force))
    within = np.interp(track.t + 0.5, track.t, gained) - np.interp(track.t - 0.5, track.t, gained)
    half = max(1, round(10.0 / track.nominal_s))
    return np.asarray(within - running_median(within, half))


def _along_by_work(track: Track, speed: Floats, work: Floats, up: Floats, moving: Flags, *, half: int) -> Floats:
    """Return the along difference from the work done; gravity counts where that explains the drive better than none."""
    step = np.diff(track.t)
    turn_rate = np.gradient(np.unwrap(np.arctan2(*np.nan_to_num(track.velocity).T)), track.t)
    way_up = np.nan_to_num(up)
    raised = np.r_[0.0, np.cumsum((way_up[1:] + way_up[:-1]) / 2 * step)]
    sideways = _grown(track.t, np.nan_to_num(turn_rate * speed**2))
    pulled = np.gradient(np.nan_to_num(speed), track.t)
    best, least = np.full(len(track), np.nan), np.inf
    for potential in (GRAVITY_MPS2 * (track.places[:, 2] - raised), np.zeros(len(track))):
        energy = np.where(moving, speed**2 / 2 + potential - work, np.nan)
        energy = without(energy, [work, sideways, speed * pulled], moving, track, drift=_grown(track.t, np.nan_to_num(speed)))
        along = flattened(energy, half, np.nan_to_num(speed)) / np.maximum(speed, 1.0)
        along = _left(along, [pulled, turn_rate, turn_rate**2 / np.maximum(speed, 1.0)], moving, half)
        known = np.isfinite(along)
        spread = float(np.median(np.abs(uniform_filter1d(np.nan_to_num(along), max(1, half // 6))[known]))) if known.any() else np.inf
        if spread < least:
            best, least = along, spread
    return best


def sensor(recording: Recording, column: str) -> tuple[Floats, Floats]:
    """Return times [s] and values of one column of the first inertial source, NaN where missing."""
    inertial = recording.inertial
    inertial = inertial[inertial["source_id"] == inertial["source_id"].iloc[0]]
    at = intervals.seconds(pd.DatetimeIndex(inertial.index), pd.DatetimeIndex(recording.fixes.index)[0])
    return at, inertial[column].to_numpy(np.float64)


def _sensor(recording: Recording, column: str) -> tuple[Floats, Floats]:
    """Return what `sensor` does, zero where missing."""
    at, values = sensor(recording, column)
    return at, np.nan_to_num(values)


def _grown(at: Floats, values: Floats) -> Floats:
    """Return the integral by trapezoids; pauses count for half a second at most."""
    return np.asarray(np.r_[0.0, np.cumsum((values[1:] + values[:-1]) / 2 * np.clip(np.diff(at), 0.0, 0.5))])


def _rates(recording: Recording, t: Floats) -> dict[str, Floats] | None:
    """Return yaw and pitch [rad], integrated, and the integral of the pitch at `t`, NaN outside the data; None without."""
    if len(recording.inertial) < 100:
        return None
    at, yaw_rate = _sensor(recording, "rate_z_radps")
    pitch = _grown(at, -_sensor(recording, "rate_y_radps")[1])
    return {"yaw": at_epochs(t, at, _grown(at, yaw_rate)), "pitch": at_epochs(t, at, pitch),
            "pitch_grown": at_epochs(t, at, _grown(at, pitch))}


def _work(recording: Recording, t: Floats, speed: Floats) -> Floats:
    """Return the work of the forward specific force per mass at `t` [m²/s²], summed at the rate of the inertial data."""
    at, force = _sensor(recording, "acceleration_x_mps2")
    known = np.flatnonzero(np.isfinite(speed))
    if len(known) < 4:
        return np.full(len(t), np.nan)
    smooth = Akima1DInterpolator(t[known], speed[known])(np.clip(at, t[known[0]], t[known[-1]]))
    return at_epochs(t, at, _grown(at, force * smooth))


def _turned(recording: Recording, t: Floats, rates: dict[str, Floats] | None) -> tuple[Floats | None, str]:
    """Return how far the car turned [rad], to the left, up to a slow offset, and what it rests on."""
    if rates is not None:
        return rates["yaw"], "the yaw rate of the inertial data"
    heading = recording.fixes["heading_deg"].to_numpy(np.float64)
    known = np.isfinite(heading)
    if known.sum() > len(t) / 2:
        return at_epochs(t, t[known], -np.unwrap(np.radians(heading[known]))), "the heading, which follows the gyros"
    return None, ""


def wheel_speed(recording: Recording) -> tuple[Floats, Floats] | None:
    """Return times [s] and values [m/s] of the recorded wheel speed; None without."""
    if not len(recording.measurement) or "speed_mps" not in recording.measurement:
        return None
    wheel = recording.measurement["speed_mps"].dropna()
    wheel = wheel[pd.DatetimeIndex(wheel.index).notna()]
    if len(wheel) < 100:
        return None
    return intervals.seconds(pd.DatetimeIndex(wheel.index), recording.fixes.index[0]), wheel.to_numpy(np.float64)


def _wheel(recording: Recording, t: Floats) -> Floats | None:
    """Return the recorded wheel speed [m/s] at `t`; None without."""
    recorded = wheel_speed(recording)
    if recorded is None:
        return None
    found = at_epochs(t, *recorded)
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


def flattened(values: Floats, half: int, pace: Floats | None = None) -> Floats:
    """Return `values` without what changes slowly: first the usual slope (a bias), then the running mean.

    The slope is per epoch, or per unit of `pace` summed up: work of a bias grows with the way.

    A running median would follow a slope with all its noise, and hide a step in it.
    """
    known = np.flatnonzero(np.isfinite(values))
    if len(known) < 3:
        return np.full(len(values), np.nan)
    filled = np.interp(np.arange(len(values)), known, values[known])
    lag = max(1, half // 2)
    if len(values) <= 2 * lag:
        return np.full(len(values), np.nan)
    way = np.cumsum(np.ones(len(values)) if pace is None else pace)
    rise = np.full(len(values), np.nan)
    gone = np.maximum(way[2 * lag:] - way[:-2 * lag], 1e-9)
    rise[lag:-lag] = (filled[2 * lag:] - filled[:-2 * lag]) / gone
    away = np.ones(len(values), dtype=bool)
    away[known] = False
    near = uniform_filter1d(away.astype(np.float64), 2 * lag + 1) > 0.3
    rise[near] = np.nan
    trend = np.cumsum(np.nan_to_num(running_median(rise, 4 * half)) * np.diff(way, prepend=0.0))
    level = filled - trend
    width = 4 * half + 1
    share = uniform_filter1d((~away).astype(np.float64), width)
    mean = uniform_filter1d(np.where(away, 0.0, level), width) / np.maximum(share, 1e-3)
    return np.where(away, np.nan, level - mean)


def _left(values: Floats, followed: list[Floats], moving: Flags, half: int) -> Floats:
    """Return what is left of `values` when what follows the series `followed` is taken out; NaN where not moving.

    Least squares on what is within three robust sigmas, three times over; sigma is that of the moments that show most of
    what is followed, else quiet driving would cast them out.
    """
    use = moving & np.isfinite(values) & np.all([np.isfinite(x) for x in followed], axis=0)
    out = np.where(use, values, np.nan)
    if use.sum() < 100:
        return out
    design = np.column_stack([x - running_median(np.where(use, x, np.nan), half) for x in followed])
    size = np.max([np.abs(c) / max(float(np.std(c[use])), 1e-9) for c in design.T], axis=0)
    telling = use & (size >= float(np.quantile(size[use], 0.7)))
    inside = use
    for _ in range(3):
        share, *_ = np.linalg.lstsq(design[inside], values[inside], rcond=None)
        rest = values - design @ share
        usual = 1.4826 * float(np.median(np.abs(rest[telling])))
        inside = use & (np.abs(np.nan_to_num(rest, nan=np.inf)) <= 3 * usual + 1e-9)
        if inside.sum() < 50:
            return out
    return np.where(use, rest, np.nan)
