"""The fix state over time: what the receiver reports, given satellites, age of corrections and planted faults."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyzer.demo.draws import Draws
from analyzer.demo.link import Link, captured
from analyzer.demo.plan import Event, Plan
from analyzer.demo.sky import GANTRY, TICK_S, Sky
from analyzer.demo.spec import DriveSpec

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

#: Codes of a state, worst first, and their names.
NO_FIX, ESTIMATED, AUTONOMOUS, DIFFERENTIAL, FLOAT, FIXED = range(6)
STATE_NAMES = ("no_fix", "estimated", "autonomous", "differential", "float", "fixed")
_START_AGE_S = 5.0


@dataclass(frozen=True)
class States:
    """State code per tick, and whether the receiver ran."""

    time_s: Array
    code: Codes
    running: NDArray[np.bool_]
    hold_s: float

    def at(self, times_s: Array) -> Codes:
        """Return the state at other times: that of the last tick."""
        index = np.floor(np.asarray(times_s) / TICK_S + 1e-6).astype(np.int64)
        return np.asarray(self.code[np.clip(index, 0, len(self.code) - 1)])


def drive_states(spec: DriveSpec, plan: Plan, sky: Sky, link: Link) -> States:
    """Return the fix state of the drive."""
    draws = Draws(spec.seed, "states")
    hold = spec.hold_s if spec.hold_s is not None else draws.between(15.0, 45.0)
    if plan.one("stale_corrections") is not None:
        hold = max(hold, 160.0)
    running = np.ones(len(sky.time_s), dtype=bool)
    for event in plan.of("receiver_restart"):
        running &= ~event.holds(sky.time_s)
    cap, keep = _ceilings(plan, sky, link, hold, draws=draws)
    code = _walk(cap, keep, running, draws)
    for event in plan.of("wrong_fix", "wrong_fix_fused"):
        for start, end in float_stretches(event):
            inside = (sky.time_s >= start) & (sky.time_s < end) & (code == FIXED)
            code[inside] = FLOAT
    if spec.solution_kind == "fused":
        began = np.maximum.accumulate(code > NO_FIX)
        code[(code == NO_FIX) & began & running & _after_restart(plan, sky.time_s)] = ESTIMATED
    return States(sky.time_s, code, running, hold)


def _after_restart(plan: Plan, times_s: Array) -> NDArray[np.bool_]:
    """Return where dead reckoning may run: not in the 20 s after a restart."""
    fine = np.ones(len(times_s), dtype=bool)
    for event in plan.of("receiver_restart"):
        fine &= ~((times_s >= event.end_s) & (times_s < event.end_s + 20.0))
    return fine


def float_stretches(event: Event) -> list[tuple[float, float]]:
    """Return the stretches of float through which a wrong fix is entered and left."""
    entry = event.start_s - (2.5 + 4.0 * event.detail["a"])
    if event.kind == "wrong_fix_fused":
        return [(entry, event.start_s)] if event.detail["b"] < 0.5 else []
    leave = (event.end_s, event.end_s + 2.0 + 5.0 * event.detail["c"])
    return [(entry, event.start_s), leave] if event.detail["b"] > 0.33 else [(entry, event.start_s)]


def _ceilings(plan: Plan, sky: Sky, link: Link, hold_s: float, *, draws: Draws) -> tuple[Codes, Codes]:
    """Return the best state that may be reached, and the best that may be kept, on each tick."""
    age = np.nan_to_num(link.age(sky.time_s), nan=1e9)
    count = sky.count
    good = (count >= 8) & (np.nan_to_num(sky.hdop, nan=99.0) < 3.5)
    some = count >= 5
    float_s = hold_s + draws.between(10.0, 40.0)
    differential_s = max(float_s, draws.between(60.0, 120.0)) if draws.chance(0.5) else float_s
    keep = np.full(len(age), AUTONOMOUS)
    keep[some & (age < differential_s)] = DIFFERENTIAL
    keep[(count >= 6) & (age < float_s)] = FLOAT
    keep[(count >= 7) & (age < hold_s) & (sky.obstruction != GANTRY)] = FIXED
    reach = np.full(len(age), AUTONOMOUS)
    reach[some & (age < 60.0)] = DIFFERENTIAL
    reach[(count >= 6) & (age < 10.0)] = FLOAT
    reach[good & (age < _START_AGE_S) & (sky.obstruction != GANTRY)] = FIXED
    for code in (keep, reach):
        code[count < 4] = NO_FIX
    for limit, inside in _spoiled(plan, sky.time_s):
        keep[inside], reach[inside] = np.minimum(keep[inside], limit), np.minimum(reach[inside], limit)
    return reach, keep


def _spoiled(plan: Plan, times_s: Array) -> list[tuple[int, NDArray[np.bool_]]]:
    """Return stretches in which corrections arrive but bring less than a fix."""
    out = []
    never = plan.one("never_fixed")
    if never is not None:
        out.append((FLOAT if never.detail["a"] < 0.5 else DIFFERENTIAL, never.holds(times_s)))
    for event in plan.of("second_base"):
        settle = 3.0 + 7.0 * event.detail["b"]
        spans = [(event.start_s, event.start_s + settle), (event.end_s, event.end_s + settle)]
        if not captured(event.detail["a"]):
            spans = [(event.start_s, event.end_s + settle)]
        for start, end in spans:
            out.append((FLOAT, (times_s >= start) & (times_s < end)))
    return out


def _walk(reach: Codes, keep: Codes, running: NDArray[np.bool_], draws: Draws) -> Codes:
    """Step the receiver through the ticks: losses at once, gains after a time drawn for each."""
    wait = {NO_FIX: (0.6, 1.8), AUTONOMOUS: (0.4, 1.5), DIFFERENTIAL: (0.6, 2.5), FLOAT: (3.0, 13.0)}
    code = np.zeros(len(reach), dtype=np.int64)
    state, due, cold = NO_FIX, draws.between(3.0, 9.0), True
    for k in range(len(reach)):
        if not running[k]:
            state, due, cold = NO_FIX, k * TICK_S + draws.between(3.0, 9.0), True
            continue
        held, target, now = int(keep[k]), int(reach[k]), k * TICK_S
        if held < state:
            state = held
            due = now + draws.between(*wait.get(state, (0.5, 1.0)))
        elif target > state and now >= due:
            state = _next(state)
            low, high = wait.get(state, (0.0, 0.0))
            stretch = 1.6 if cold else 1.0
            due = now + stretch * draws.between(low, high)
            cold = cold and state != FIXED
        elif target <= state:
            due = max(due, now + 0.8)
        code[k] = state
    return code


def _next(state: int) -> int:
    """Return the next better state."""
    return AUTONOMOUS if state == NO_FIX else state + 1
