"""One simulated drive in memory: truth and what the receiver says, epoch by epoch."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.signal import lfilter

from analyzer.demo.draws import Draws
from analyzer.demo.errors import Conditions, ageing_error, claimed_sigma, state_error, velocity_error
from analyzer.demo.link import Link, drive_link, station_of
from analyzer.demo.motion import Motion, drive_motion
from analyzer.demo.plan import Plan, make_plan
from analyzer.demo.planted import heading_error_rad, planted_error
from analyzer.demo.scenario import BASE_ENU_M, Lever
from analyzer.demo.sky import HALLS, TREES, Sky, drive_sky
from analyzer.demo.spec import DriveSpec
from analyzer.demo.states import DIFFERENTIAL, FIXED, NO_FIX, States, drive_states
from analyzer.intervals import runs

Array = NDArray[np.float64]
Codes = NDArray[np.int64]


@dataclass(frozen=True)
class Drive:
    """A drive. Arrays over all epochs the receiver should have given, whether logged or not.

    Attributes
    ----------
    time_s : seconds from the first epoch; `start` is its UTC.
    true_enu_m, logged_enu_m : true and logged output point in the local frame [m], shape (n, 3).
    error_m : logged minus true (east, north, up), without constant offsets of base or antenna [m].
    velocity_mps : logged velocity (east, north), shape (n, 2).
    claimed_m : claimed sigma (east, north, up), shape (n, 3).
    tick : index of the tick of `sky` for each epoch.
    recorded : whether receiver and logger gave the epoch.
    """

    spec: DriveSpec
    start: pd.Timestamp
    plan: Plan
    lever: Lever
    motion: Motion
    sky: Sky
    link: Link
    states: States
    time_s: Array
    state: Codes
    age_s: Array
    station: Codes
    true_enu_m: Array
    logged_enu_m: Array
    error_m: Array
    velocity_mps: Array
    claimed_m: Array
    heading_rad: Array
    tick: Codes
    recorded: NDArray[np.bool_]

    @property
    def base_enu_m(self) -> Array:
        """True position of the base antenna [m]."""
        return base_antenna(self.spec, self.plan)


def base_antenna(spec: DriveSpec, plan: Plan) -> Array:
    """Return the true position of the base antenna in the local frame [m], as it stands in this drive."""
    place = np.array(BASE_ENU_M) + np.array([spec.base_east_m, spec.base_north_m, 0.0]) + np.array(spec.antenna_moved_m)
    return np.asarray(sum((np.array(e.vector_m) for e in plan.of("base_moved")), place))


def frame_offset(spec: DriveSpec, plan: Plan) -> Array:
    """Return the constant shift of every position by the base [m]: entered minus true base coordinates."""
    offset = np.array(spec.entered_offset_m) - np.array(spec.antenna_moved_m)
    for event in plan.of("base_moved"):
        offset = offset - np.array(event.vector_m)
    for event in plan.of("base_not_settled"):
        offset = offset + np.array(event.vector_m)
    return np.asarray(offset, dtype=np.float64)


def lever_offset(plan: Plan) -> Array:
    """Return the error of the entered antenna offset (forward, left, up) [m]."""
    event = plan.one("lever_arm_wrong")
    return np.zeros(3) if event is None else np.array(event.vector_m)


def output_point(plan: Plan) -> str:
    """Return which point the receiver outputs: the antenna, or the reference point where a lever arm is at stake."""
    return "reference_point" if list(plan.of("lever_arm_wrong", "not_aligned")) else "antenna"


def simulate(spec: DriveSpec) -> Drive:
    """Return the drive of `spec`; the same specification always gives the same drive."""
    plan = make_plan(spec)
    lever = Lever()
    start = pd.Timestamp(spec.start_utc, tz="UTC")
    motion = drive_motion(spec, lever)
    sky = drive_sky(spec, plan, motion, start.timestamp())
    link = drive_link(spec, plan, motion)
    states = drive_states(spec, plan, sky, link)
    time = np.arange(round(spec.duration_s * spec.rate_hz)) / spec.rate_hz
    here = motion.at(time)
    state = states.at(time)
    tick = np.clip(np.floor(time * 5.0 + 1e-6).astype(np.int64), 0, len(sky.time_s) - 1)
    age = np.where(state >= DIFFERENTIAL, link.age(time), np.nan)
    station = station_of(plan, time)
    point = here.antenna(lever) if output_point(plan) == "antenna" else here.enu_m
    conditions = conditions_of(
        spec, plan, state, age, link=link, sky=sky, tick=tick, point=point, speed=here.speed_mps)
    error = _error(spec, plan, conditions, time=time, station=station, here=here, lever=lever)
    shift = frame_offset(spec, plan)[None, :] + _turned(lever_offset(plan), here.heading_rad)
    shift = np.where((state >= DIFFERENTIAL)[:, None], shift, _turned(lever_offset(plan), here.heading_rad))
    logged = _freeze(plan, time, point + error + shift, state)
    error = logged - point - shift
    velocity = _velocity(motion, lever, time, plan) + velocity_error(conditions, error, Draws(spec.seed, "velocity"))
    return Drive(
        spec, start, plan, lever, motion, sky, link, states, time, state, age, station, point, logged, error, velocity,
        claimed_sigma(conditions, spec.claim_factor / _optimism(plan), Draws(spec.seed, "claims")),
        here.heading_rad + heading_error_rad(plan, time), tick, _recorded(plan, time, states, tick),
    )


def _optimism(plan: Plan) -> float:
    """Return by how much the scatter exceeds what is claimed."""
    event = plan.one("optimistic_claims")
    return 1.0 if event is None else event.size


def conditions_of(
    spec: DriveSpec, plan: Plan, state: Codes, age: Array, *, link: Link, sky: Sky, tick: Codes, point: Array,
    speed: Array
) -> Conditions:
    """Gather what the errors depend on."""
    optimistic = _optimism(plan)
    hdop = np.nan_to_num(sky.hdop[tick], nan=6.0)
    code = sky.obstruction[tick]
    distance = np.hypot(*(point[:, :2] - base_antenna(spec, plan)[:2]).T)
    return Conditions(
        step_s=1.0 / spec.rate_hz, state=state, age_s=age, usual_age_s=link.usual_largest_age_s,
        dilution=np.clip((hdop / 0.5) ** 0.75, 0.85, 5.0),
        multipath=np.select([code == TREES, code == HALLS], [1.7, 1.6], 1.0),
        baseline_m=distance, speed_mps=speed, noise_factor=spec.noise_factor * optimistic,
        fused=spec.solution_kind == "fused",
    )


def _error(
    spec: DriveSpec, plan: Plan, conditions: Conditions, *, time: Array, station: Codes, here: Motion, lever: Lever
) -> Array:
    """Return the error of each epoch: of its state, of ageing, and planted."""
    draws = Draws(spec.seed, "errors")
    stale = plan.one("stale_corrections")
    error = state_error(conditions, draws)
    error += ageing_error(conditions, draws, None if stale is None else stale.size)
    if conditions.fused:
        error = _filtered(error, conditions, here.speed_mps, pinned=draws.chance(0.5))
    error += planted_error(
        plan, time, conditions.state, station=station, age_s=conditions.age_s, heading_rad=here.heading_rad,
        lever=lever, seed=spec.seed,
    )
    return error


def _filtered(error: Array, conditions: Conditions, speed: Array, *, pinned: bool) -> Array:
    """Smooth the error as a filter with inertial data does; while standing it may be pinned."""
    out = error.copy()
    weight = 1.0 - np.exp(-conditions.step_s / 0.25)
    first = (1.0 - weight) * out[0]
    for axis in range(3):
        out[:, axis] = lfilter([weight], [1.0, weight - 1.0], out[:, axis], zi=np.array([first[axis]]))[0]
    recent = max(1, round(1.0 / conditions.step_s))
    for start, end in runs(conditions.state == FIXED):
        out[start : min(start + recent, end)] = error[start : min(start + recent, end)]
    if pinned:
        _pin(out, (speed == 0.0) & (conditions.state == FIXED), conditions.step_s)
    return out


def _pin(error: Array, standing: NDArray[np.bool_], step_s: float) -> None:
    """Hold the error while the car stands, from 3 s after it stopped; let it go within 2 s of driving off."""
    for start, end in runs(standing):
        first = start + round(3.0 / step_s)
        if first < end:
            held = error[first].copy()
            error[first:end] = held
            fade = np.clip(1.0 - np.arange(1, len(error) - end + 1) * step_s / 2.0, 0.0, None)[:, None]
            error[end:] += fade * (held - error[end:])


def _turned(vector: Array, heading_rad: Array) -> Array:
    """Return a vector of the car (forward, left, up) in the local frame, per epoch."""
    cosine, sine = np.cos(heading_rad), np.sin(heading_rad)
    return np.column_stack([
        vector[0] * cosine - vector[1] * sine, vector[0] * sine + vector[1] * cosine, np.full(len(cosine), vector[2]),
    ])


def _freeze(plan: Plan, time: Array, logged: Array, state: Codes) -> Array:
    """Hold the position output where it is frozen."""
    for event in plan.of("frozen_output"):
        inside = np.flatnonzero(event.holds(time) & (state > NO_FIX))
        if len(inside):
            logged[inside] = logged[inside[0]]
    return logged


def _velocity(motion: Motion, lever: Lever, time: Array, plan: Plan) -> Array:
    """Return the true velocity (east, north) of the output point [m/s]."""
    point = motion.antenna(lever) if output_point(plan) == "antenna" else motion.enu_m
    step = float(motion.time_s[1] - motion.time_s[0])
    return np.column_stack([np.interp(time, motion.time_s, np.gradient(point[:, k], step)) for k in (0, 1)])


def _recorded(plan: Plan, time: Array, states: States, tick: Codes) -> NDArray[np.bool_]:
    """Return which epochs the receiver gave and the logger took."""
    recorded = states.running[tick].copy()
    for event in plan.of("logger_gap"):
        recorded &= ~event.holds(time)
    return np.asarray(recorded)
