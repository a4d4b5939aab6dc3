"""Whether independent data stand on the clock of the positions, and moving them there where they do not.

A source seconds off contradicts every turn and every braking, as a wrong fix would. Turns show in course and yaw rate,
speeding up in the log's speed and the wheels: where they agree well at some lag and badly at none, the source is moved.

Source: normalised cross-correlation of series with holes, by fast Fourier transform.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analyzer import timebase
from analyzer.correlation import correlate, top_between
from analyzer.evidence.learnt import Learnt
from analyzer.evidence.sensor_series import sensor, wheel_speed
from analyzer.evidence.track import Floats, Track
from analyzer.recording import Finding, Recording
from analyzer.settings import thresholds

#: A lag this near to the leap seconds is taken for them [s].
LEAP_NEAR_S = 0.35


@dataclass(frozen=True)
class Clocked:
    """A recording with its sources on the clock of the positions, and by how much each was moved.

    `lags_s` [s], positive where the source's clock is ahead, by the words for the source.
    """

    recording: Recording
    lags_s: dict[str, float]

    def findings(self) -> tuple[Finding, ...]:
        """Return a finding for each source that was moved."""
        out = []
        for name, lag in self.lags_s.items():
            leap = int(timebase.gps_minus_utc_s(pd.DatetimeIndex(self.recording.fixes.index)[:1])[0])
            why = " GPS time taken for UTC makes up just that." if abs(abs(lag) - leap) < LEAP_NEAR_S else ""
            off = f"the clock of the {name} is {abs(lag):.{1 if abs(lag) > 1 else 2}f} s {'ahead of' if lag > 0 else 'behind'} that of the positions"
            text = f"{off[0].upper()}{off[1:]}: turns or speed agree when moved by that, and they were moved to judge the positions by.{why}"
            out.append(Finding("source_clock", "problem", text, {"lag_s": lag, "words": off}))
        return tuple(out)


def on_the_clock(recording: Recording, track: Track, *, learnt: Learnt | None = None) -> Clocked:
    """Return `recording` with inertial data and wheel speed moved to the clock of the positions where they are off it."""
    learnt, lags = learnt or Learnt(), {}
    speed = np.hypot(*track.velocity.T)
    if len(recording.inertial) > 1:
        course = np.unwrap(np.arctan2(*np.nan_to_num(track.velocity.T[::-1])))
        moving = track.fixed & (np.nan_to_num(speed) > thresholds("analyzer.evidence")["independent.least_speed"])
        turning = np.where(moving, _slope(track.t, course), np.nan)
        at, rate = sensor(recording, "rate_z_radps")
        lag = learnt.once("clock_inertial", lambda: lag_of(track.t, turning, at, rate, least_s=_by_antenna(speed, turning)), "most")
        if lag is not None:
            recording = replace(recording, inertial=_moved(recording.inertial, lag))
            lags["inertial data"] = lag
    wheel = wheel_speed(recording)
    if wheel is not None:
        gaining = np.where(track.fixed, _slope(track.t, speed), np.nan)
        lag = learnt.once("clock_wheel", lambda: lag_of(track.t, gaining, wheel[0], _slope(*wheel)), "most")
        if lag is not None:
            recording = replace(recording, measurement=_moved(recording.measurement, lag))
            lags["measurement data"] = lag
    return Clocked(recording, lags)


def _by_antenna(speed: Floats, turning: Floats) -> float:
    """Return by how much [s] the course of an antenna ahead of the axle may lead the yaw of the car: its distance over the speed in bends.

    Source: velocity of a point of a rigid body; ahead of the axle by d the course leads by d/v for small angles.
    """
    known = np.isfinite(turning) & np.isfinite(speed)
    if not known.any():
        return 0.0
    weight = turning[known] ** 2
    typical = float((weight @ speed[known]) / max(float(weight.sum()), 1e-12))
    return thresholds("analyzer.evidence")["clock.antenna"] / max(typical, 1.0)


def lag_of(t: Floats, own: Floats, at: Floats, other: Floats, *, least_s: float = 0.0) -> float | None:
    """Return how far the clock of `other` is ahead [s]; None where it is not, or where nothing shows that it is.

    Parameters
    ----------
    t, own : times [s] and a rate of change by the positions, NaN where not known.
    at, other : times [s] and the same rate by the source.
    least_s : what else may put one before the other; no more than that is no clock.
    """
    limits = thresholds("analyzer.evidence")
    step, most = limits["clock.step"], limits["clock.most"]
    start, end = float(t[0]) - most, float(t[-1]) + most
    mine, theirs = _binned(t, own, start, end, step), _binned(at, other, start, end, step)
    if mine is None or theirs is None:
        return None
    reach = round(most / step)
    score, as_it_is = _agreement(mine, theirs, reach)
    best = int(np.argmax(score))
    between = top_between(*score[best - 1: best + 2]) if 0 < best < 2 * reach else 0.0
    lag = (best - reach + between) * step
    left, unmoved = 1 - score[best] ** 2, 1 - max(score[reach], 0.0) ** 2
    in_part = score[reach] == 0.0 and as_it_is > limits["clock.in_part"]
    clear = score[best] > limits["clock.agree"] and unmoved > limits["clock.better"] * left and not in_part
    return float(lag) if clear and abs(lag) > max(limits["clock.least"], least_s) else None


def _agreement(mine: Floats, theirs: Floats, reach: int) -> tuple[Floats, float]:
    """Return the correlation of two rows of bins at moves from -reach to reach bins, zero where too little overlaps; and that of what is not moved.

    A source that covers a part of the drive may overlap more where it is moved: without a move `clock.least_part` is enough.
    """
    found, count = correlate(mine, theirs)
    near = slice(len(mine) - 1 - reach, len(mine) + reach)
    enough = count[near] > 0.5 * min(np.isfinite(mine).sum(), np.isfinite(theirs).sum())
    limits = thresholds("analyzer.evidence")
    as_it_is = float(found[len(mine) - 1]) if count[len(mine) - 1] * limits["clock.step"] >= limits["clock.least_part"] else 0.0
    return np.asarray(np.where(enough, np.nan_to_num(found[near]), 0.0)), as_it_is


def _binned(t: Floats, value: Floats, start: float, end: float, step: float) -> Floats | None:
    """Return means per `step`, short holes interpolated and others NaN; None where hardly anything is known."""
    known = np.isfinite(value) & np.isfinite(t) & (t >= start) & (t < end)
    if known.sum() < 100:
        return None
    cell = ((t[known] - start) / step).astype(np.int64)
    count = round((end - start) / step) + 1
    n = np.bincount(cell, minlength=count)
    mean = np.bincount(cell, value[known], minlength=count) / np.maximum(n, 1)
    full = np.flatnonzero(n)
    out = np.interp(np.arange(count), full, mean[full], left=np.nan, right=np.nan)
    after = np.searchsorted(full, np.arange(count)).clip(1, len(full) - 1)
    out[(full[after] - full[after - 1]) * step > thresholds("analyzer.evidence")["clock.hole"]] = np.nan
    return np.asarray(out)


def _slope(t: Floats, value: Floats) -> Floats:
    """Return the change per second over about a second, so that noise from sample to sample counts little."""
    if len(t) < 3:
        return np.full(len(t), np.nan)
    behind, ahead = np.searchsorted(t, t - 0.5).clip(0, len(t) - 1), np.searchsorted(t, t + 0.5).clip(0, len(t) - 1)
    behind, ahead = np.minimum(behind, np.maximum(np.arange(len(t)) - 1, 0)), np.maximum(ahead, np.minimum(np.arange(len(t)) + 1, len(t) - 1))
    gone = t[ahead] - t[behind]
    return np.where((gone > 0) & (gone < 3.0), (value[ahead] - value[behind]) / np.maximum(gone, 1e-9), np.nan)


def _moved(table: pd.DataFrame, lag_s: float) -> pd.DataFrame:
    return table.set_axis(pd.DatetimeIndex(table.index) - pd.Timedelta(seconds=lag_s), axis=0)
