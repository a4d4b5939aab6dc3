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

from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import binary_erosion, median_filter, uniform_filter1d

from analyzer.evidence.sensor_errors import without
from analyzer.evidence.sensor_series import at_epochs, grown, unwrapped, work_of
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.evidence.witness import Heard, heard_of, share_of
from analyzer.recording import Recording
from analyzer.settings import thresholds

GRAVITY_MPS2 = 9.81


@dataclass(frozen=True)
class Independent:
    """Velocity of the solution minus independent velocity, per epoch [m/s]; NaN where nothing independent speaks.

    `across` positive to the left, `along` forward, `up` upward; `direction` (n, 2) the unit vector of travel east and north;
    `pushed` [m/s] how much the forward force or the wheels changed the speed within a second; `sources` what the axes rest
    on, in words, by axis. `slope` as `up`, by the slope of the height alone; NaN where `up` is known. `watched` the share of the
    epochs in motion, by axis, where something speaks; `refused` what was given and does not move with the solution, in words.
    """

    across: Floats
    along: Floats
    up: Floats
    direction: Floats
    pushed: Floats
    slope: Floats
    sources: dict[str, str]
    watched: dict[str, float] = field(default_factory=dict)
    refused: tuple[str, ...] = ()


def independent_motion(recording: Recording, track: Track, *, usable: Flags | None = None) -> Independent:
    """Return the differences at the epochs of ``recording.fixes``; epochs that are not `usable` (frozen) say nothing."""
    limits = thresholds("analyzer.evidence")
    speed = np.hypot(*track.velocity.T)
    course = np.arctan2(track.velocity[:, 1], track.velocity[:, 0])
    whole = track.fixed if usable is None else track.fixed & usable
    moving = binary_erosion(whole, iterations=2) & (np.nan_to_num(speed) > limits["independent.least_speed"])
    half = max(2, round(limits["independent.window"] / track.nominal_s))
    heard = heard_of(recording, track, course, speed, moving=moving)
    rates, wheel = heard.rates, heard.wheel
    nothing = np.full(len(track), np.nan)
    across, up, along, sources = nothing, nothing, nothing, {}
    turned, word = _turned(recording, track.t, rates if heard.yaw else None, moving)
    if turned is not None:
        difference = unwrapped(course - turned, moving)
        turn_rate = np.gradient(turned, track.t)
        # scale of the gyro; an antenna ahead of the axle, and slip of the tyres, are the same angle again in every bend of a kind
        followed = [turned, turn_rate / np.maximum(np.nan_to_num(speed), 1.0), speed * turn_rate]
        difference = without(difference, followed, moving, track, drift=track.t)
        across = _left(speed * flattened(difference, half), [turn_rate, speed * turn_rate], moving, half)
        sources["across"] = word
    climbing = np.where(moving, np.arctan2(np.gradient(track.places[:, 2], track.t), speed), np.nan)
    road = nothing
    if rates is None or not heard.pitch:
        road = np.where(moving, speed * flattened(climbing, half), np.nan)
    else:
        # both sides are means over the same two steps, so that slow sampling does not part them
        pitched = np.gradient(rates["pitch_grown"], track.t)
        pulled = _pulled(track.t, np.nan_to_num(speed), track.nominal_s)
        leant = grown(track.t, np.nan_to_num(np.gradient(rates["yaw"], track.t)) ** 2 * np.nan_to_num(speed))
        climbed = without(climbing - pitched, [rates["yaw"], leant, pulled], moving, track, drift=track.t)
        up = _left(speed * flattened(climbed, half), [np.gradient(rates["pitch"], track.t), speed * pulled], moving, half)
        sources["up"] = "the pitch rate of the inertial data"
    if wheel is not None:
        ratio = np.where(moving & (wheel > limits["independent.least_speed"]), speed / np.maximum(wheel, 0.1), np.nan)
        # an antenna, or a wheel, beside the middle of the car goes faster on the outside of a bend
        turning = np.gradient(np.unwrap(np.nan_to_num(course)) if turned is None else np.nan_to_num(turned), track.t)
        along = _left(speed - wheel * running_median(ratio, half), [np.gradient(np.nan_to_num(speed), track.t), turning], moving, half)
        sources["along"] = "the wheel speed"
    elif heard.force:
        along = _along_by_work(track, speed, work_of(recording, track.t, speed), up, moving, half=half)
        sources["along"] = "the forward acceleration of the inertial data"
    pushed = _pushed(track, heard)
    watched = {axis: share_of(np.isfinite(seen), moving) for axis, seen in (("across", across), ("along", along), ("up", up)) if axis in sources}
    return Independent(across, along, up, np.column_stack([np.cos(course), np.sin(course)]), pushed, road, sources, watched, heard.refused)


def _pulled(t: Floats, speed: Floats, nominal_s: float) -> Floats:
    """Return the change of speed [m/s²] over half a second, as springs follow it; from one epoch to the next it would be noise at high rates."""
    reach = max(0.25, nominal_s)
    before, after = np.maximum(t - reach, t[0]), np.minimum(t + reach, t[-1])
    return np.asarray((np.interp(after, t, speed) - np.interp(before, t, speed)) / (after - before))


def _pushed(track: Track, heard: Heard) -> Floats:
    """Return the change of speed within a second by wheels or forward force, gravity on the slope taken out."""
    if heard.wheel is not None:
        return heard.wheel
    if not heard.force:
        return np.full(len(track), np.nan)
    within = np.interp(track.t + 0.5, track.t, heard.gained) - np.interp(track.t - 0.5, track.t, heard.gained)
    half = max(1, round(10.0 / track.nominal_s))
    return np.asarray(within - running_median(within, half))


def _along_by_work(track: Track, speed: Floats, work: Floats, up: Floats, moving: Flags, *, half: int) -> Floats:
    """Return the along difference from the work done; gravity counts where that explains the drive better than none."""
    step = np.diff(track.t)
    turn_rate = np.gradient(np.unwrap(np.arctan2(*np.nan_to_num(track.velocity).T)), track.t)
    way_up = np.nan_to_num(up)
    raised = np.r_[0.0, np.cumsum((way_up[1:] + way_up[:-1]) / 2 * step)]
    sideways = grown(track.t, np.nan_to_num(turn_rate * speed**2))
    pulled = np.gradient(np.nan_to_num(speed), track.t)
    best, least = np.full(len(track), np.nan), np.inf
    for potential in (GRAVITY_MPS2 * (track.places[:, 2] - raised), np.zeros(len(track))):
        energy = np.where(moving, speed**2 / 2 + potential - work, np.nan)
        energy = without(energy, [work, sideways, speed * pulled], moving, track, drift=grown(track.t, np.nan_to_num(speed)))
        along = flattened(energy, half, np.nan_to_num(speed)) / np.maximum(speed, 1.0)
        along = _left(along, [pulled, turn_rate, turn_rate**2 / np.maximum(speed, 1.0)], moving, half)
        known = np.isfinite(along)
        spread = float(np.median(np.abs(uniform_filter1d(np.nan_to_num(along), max(1, half // 6))[known]))) if known.any() else np.inf
        if spread < least:
            best, least = along, spread
    return best


def _turned(recording: Recording, t: Floats, rates: dict[str, Floats] | None, moving: Flags) -> tuple[Floats | None, str]:
    """Return how far the car turned [rad], to the left, up to a slow offset, and what it rests on: of yaw rate and heading what covers the drive."""
    heading = recording.fixes["heading_deg"].to_numpy(np.float64)
    known = np.isfinite(heading)
    headed = bool(known.sum() > len(t) / 2)
    covers = rates is not None and share_of(np.isfinite(rates["yaw"]), moving) >= thresholds("analyzer.evidence")["witness.share"]
    if rates is not None and (covers or not headed):
        return rates["yaw"], "the yaw rate of the inertial data"
    if headed:
        return at_epochs(t, t[known], -np.unwrap(np.radians(heading[known]))), "the heading, which follows the gyros"
    return None, ""


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
