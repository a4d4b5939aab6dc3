"""Errors of planted faults: wrong fixes, frames, slow multipath, spikes, misalignment."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analyzer.demo.draws import Draws
from analyzer.demo.link import captured, outage_end
from analyzer.demo.plan import Event, Plan
from analyzer.demo.scenario import OTHER_STATION_ID, Lever
from analyzer.demo.states import DIFFERENTIAL, FIXED

Array = NDArray[np.float64]
Codes = NDArray[np.int64]


def planted_error(
    plan: Plan, times_s: Array, state: Codes, *, station: Codes, age_s: Array, heading_rad: Array, lever: Lever,
    seed: int
) -> Array:
    """Return the error (east, north, up) [m] of every planted fault, shape (n, 3)."""
    out = np.zeros((len(times_s), 3))
    for number, event in enumerate(plan.events):
        draws = Draws(seed, f"planted {number}")
        vector = np.array(event.vector_m)
        if event.kind == "wrong_fix":
            out += (state == FIXED)[:, None] * event.holds(times_s)[:, None] * _drifting(event, times_s, draws)
        elif event.kind == "wrong_fix_fused":
            out += _slew(event, times_s)[:, None] * _drifting(event, times_s, draws)
        elif event.kind == "second_base":
            out += _other_frame(event, station, state)[:, None] * vector
        elif event.kind == "base_resurveyed":
            back = outage_end(event.kind, event.start_s, event.end_s, event.detail["a"])
            fresh = (times_s >= back) & (np.nan_to_num(age_s, nan=1e9) < 10.0)
            moved = np.maximum.accumulate(fresh) & (state >= DIFFERENTIAL)
            out += moved[:, None] * vector
        elif event.kind == "slow_multipath":
            out += _multipath(event, times_s, draws)
        elif event.kind == "spikes":
            out += _spike(event, times_s)
        elif event.kind == "not_aligned":
            out += _misaligned(event, times_s, heading_rad, lever)
    return out


def _drifting(event: Event, times_s: Array, draws: Draws) -> Array:
    """Return the offset of a wrong integer fix; it drifts as the satellites move, order 0.1 to 0.6 mm/s."""
    rate = draws.between(0.0001, 0.0006)
    east, north = draws.direction() * rate
    since = np.clip(times_s - event.start_s, 0.0, event.end_s - event.start_s)
    return np.asarray(np.array(event.vector_m) + since[:, None] * np.array([east, north, 1.5 * rate]))


def slew_s(event: Event) -> float:
    """Return the time [s] in which a fused solution takes on a wrong fix."""
    return 3.0 + 7.0 * event.detail["c"]


def _slew(event: Event, times_s: Array) -> Array:
    """Return the share (0 to 1) of a wrong fix that a fused solution has taken on: smooth in, smooth or sharp out."""
    enter = np.clip((times_s - event.start_s) / slew_s(event), 0.0, 1.0)
    leave_s = slew_s(event) if event.detail["d"] < 0.7 else 0.3
    leave = np.clip((times_s - event.end_s) / leave_s, 0.0, 1.0)
    return np.asarray((0.5 - 0.5 * np.cos(np.pi * enter)) * (0.5 + 0.5 * np.cos(np.pi * leave)))


def _other_frame(event: Event, station: Codes, state: Codes) -> Array:
    """Return the share of the other base's frame in the position: all of it where the rover is taken over."""
    share = np.where(captured(event.detail["a"]), 1.0, 0.5)
    return np.asarray(np.where((station == OTHER_STATION_ID) & (state >= DIFFERENTIAL), share, 0.0))


def _multipath(event: Event, times_s: Array, draws: Draws) -> Array:
    """Return slow multipath: one or two periods of 60 to 300 s, faded in and out."""
    edge = min(12.0, 0.2 * (event.end_s - event.start_s))
    rise = np.clip((times_s - event.start_s) / edge, 0.0, 1.0)
    fall = np.clip((event.end_s - times_s) / edge, 0.0, 1.0)
    envelope = 0.5 - 0.5 * np.cos(np.pi * np.minimum(rise, fall))
    out = np.zeros((len(times_s), 3))
    parts = 1 + int(draws.chance(0.5))
    for _ in range(parts):
        period, size = draws.between(60.0, 300.0), event.size / np.sqrt(parts)
        east, north = draws.direction() * size
        for axis, amplitude in enumerate((east, north, size * draws.between(0.8, 1.8))):
            out[:, axis] += amplitude * np.sin(2 * np.pi * (times_s / period + draws.between(0.0, 1.0)))
    return out * envelope[:, None]


def _spike(event: Event, times_s: Array) -> Array:
    """Return a spike: the epoch at the event's start, and at high rates one or two more."""
    out = np.zeros((len(times_s), 3))
    at = int(np.argmin(np.abs(times_s - event.start_s)))
    step = float(times_s[1] - times_s[0]) if len(times_s) > 1 else 1.0
    count = 1 + (int(3 * event.detail["a"]) if step <= 0.02 else 0)
    out[at : at + count] = np.array(event.vector_m)
    return out


def heading_error_rad(plan: Plan, times_s: Array) -> Array:
    """Return the heading error [rad] of an inertial solution that is not aligned; it turns in within 4 s at the end."""
    out = np.zeros(len(times_s))
    for event in plan.of("not_aligned"):
        sign = 1.0 if event.detail["a"] < 0.5 else -1.0
        out += sign * np.deg2rad(event.size) * np.clip((event.end_s - times_s) / 4.0, 0.0, 1.0)
    return out


def _misaligned(event: Event, times_s: Array, heading_rad: Array, lever: Lever) -> Array:
    """Return the shift of the reference point when the antenna offset is turned by a wrong heading."""
    wrong = heading_rad + heading_error_rad(Plan((event,)), times_s)
    forward, left = lever.forward_m, lever.left_m
    right_e = forward * np.cos(heading_rad) - left * np.sin(heading_rad)
    right_n = forward * np.sin(heading_rad) + left * np.cos(heading_rad)
    wrong_e = forward * np.cos(wrong) - left * np.sin(wrong)
    wrong_n = forward * np.sin(wrong) + left * np.cos(wrong)
    return np.column_stack([right_e - wrong_e, right_n - wrong_n, np.zeros(len(times_s))])


def acting_end_s(event: Event) -> float:
    """Return when the last effect of an event on the position ends [s]: a fused solution needs time to slew back."""
    if event.kind == "wrong_fix_fused":
        return event.end_s + (slew_s(event) if event.detail["d"] < 0.7 else 0.3)
    return event.end_s


def acting(plan: Plan, times_s: Array, codes: Codes, open_code: int) -> list[str]:
    """Return, per epoch, the kinds of fault at work, joined by ``;`` (empty where none)."""
    labels = np.zeros(len(times_s), dtype=object)
    half = 0.51 * float(np.median(np.diff(times_s))) if len(times_s) > 1 else 0.5
    labels[:] = ""
    for event in plan.events:
        if event.kind in ("underpass", "trees", "halls", "radio_shadow"):
            continue
        width = max(half, 0.03) if event.kind == "spikes" else 0.0
        inside = (times_s >= event.start_s - width) & (times_s < acting_end_s(event) + width)
        labels[inside] = [f"{x};{event.kind}" if x else event.kind for x in labels[inside]]
    names = {1: "underpass", 2: "trees", 3: "halls", 4: "gantry"}
    for code, name in names.items():
        inside = (codes == code) & (codes != open_code)
        labels[inside] = [f"{x};{name}" if x else name for x in labels[inside]]
    return [str(x) for x in labels]
