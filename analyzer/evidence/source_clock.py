"""Whether independent data stand on the clock of the positions, and moving them there where they do not.

A source seconds off contradicts every turn and every braking, as a wrong fix would. Turns show in course and yaw rate,
speeding up in the log's speed and the wheels: where they agree well at some lag and badly at none, the source is moved.

Source: normalised cross-correlation of series with holes, by fast Fourier transform.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.fft import irfft, next_fast_len, rfft

from analyzer import intervals, timebase
from analyzer.evidence.learnt import Learnt
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
            text = (f"The clock of the {name} is {abs(lag):.{1 if abs(lag) > 1 else 2}f} s {'ahead of' if lag > 0 else 'behind'} that of the positions: turns or speed "
                    f"agree when moved by that, and they were moved to judge the positions by.{why}")
            out.append(Finding("source_clock", "problem", text, {"lag_s": lag}))
        return tuple(out)


def on_the_clock(recording: Recording, track: Track, *, learnt: Learnt | None = None) -> Clocked:
    """Return `recording` with inertial data and wheel speed moved to the clock of the positions where they are off it."""
    learnt, lags = learnt or Learnt(), {}
    speed = np.hypot(*track.velocity.T)
    if len(recording.inertial) > 1:
        course = np.unwrap(np.arctan2(*np.nan_to_num(track.velocity.T[::-1])))
        moving = track.fixed & (np.nan_to_num(speed) > thresholds("analyzer.evidence")["independent.least_speed"])
        turning = np.where(moving, _slope(track.t, course), np.nan)
        source = recording.inertial["source_id"]
        first = recording.inertial[source == source.iloc[0]]
        lag = learnt.once("clock_inertial", lambda: lag_of(track.t, turning, _seconds(first, recording), first["rate_z_radps"].to_numpy(np.float64)), "most")
        if lag is not None:
            recording = replace(recording, inertial=_moved(recording.inertial, lag))
            lags["inertial data"] = lag
    if len(recording.measurement) > 1 and "speed_mps" in recording.measurement:
        wheel = recording.measurement["speed_mps"].dropna()
        at, value = _seconds(wheel, recording), wheel.to_numpy(np.float64)
        gaining = np.where(track.fixed, _slope(track.t, speed), np.nan)
        lag = learnt.once("clock_wheel", lambda: lag_of(track.t, gaining, at, _slope(at, value)), "most")
        if lag is not None:
            recording = replace(recording, measurement=_moved(recording.measurement, lag))
            lags["measurement data"] = lag
    return Clocked(recording, lags)


def lag_of(t: Floats, own: Floats, at: Floats, other: Floats) -> float | None:
    """Return how far the clock of `other` is ahead [s]; None where it is not, or where nothing shows that it is.

    Parameters
    ----------
    t, own : times [s] and a rate of change by the positions, NaN where not known.
    at, other : times [s] and the same rate by the source.
    """
    limits = thresholds("analyzer.evidence")
    step, most = limits["clock.step"], limits["clock.most"]
    start, end = float(t[0]) - most, float(t[-1]) + most
    mine, theirs = _binned(t, own, start, end, step), _binned(at, other, start, end, step)
    if mine is None or theirs is None:
        return None
    reach = round(most / step)
    score = _agreement(mine, theirs, reach)
    best = int(np.argmax(score))
    lag = (best - reach + _top(score, best)) * step
    left, unmoved = 1 - score[best] ** 2, 1 - max(score[reach], 0.0) ** 2
    clear = score[best] > limits["clock.agree"] and unmoved > limits["clock.better"] * left
    return float(lag) if clear and abs(lag) > limits["clock.least"] else None


def _top(score: Floats, at: int) -> float:
    """Return where between its neighbours the parabola through a largest value has its top [bins]."""
    if not 0 < at < len(score) - 1:
        return 0.0
    bend = score[at - 1] - 2 * score[at] + score[at + 1]
    return float(0.5 * (score[at - 1] - score[at + 1]) / bend) if bend < 0 else 0.0


def _agreement(mine: Floats, theirs: Floats, reach: int) -> Floats:
    """Return the correlation of two rows of bins at lags from -reach to reach bins; zero where too little overlaps."""
    size = next_fast_len(len(mine) + len(theirs))
    seen = [np.isfinite(x).astype(np.float64) for x in (mine, theirs)]
    level = [np.where(s > 0, x - np.nanmedian(x), 0.0) for x, s in zip((mine, theirs), seen, strict=True)]
    turned = [np.conj(rfft(x, size)) for x in (level[0], seen[0], level[0] ** 2)]
    ahead = [rfft(x, size) for x in (level[1], seen[1], level[1] ** 2)]

    def at_lags(a: int, b: int) -> Floats:
        found: Floats = np.asarray(irfft(turned[a] * ahead[b], size), dtype=np.float64)
        return np.concatenate([found[size - reach:], found[: reach + 1]])

    together, both = at_lags(0, 0), at_lags(1, 1)
    power = np.sqrt(np.maximum(at_lags(2, 1), 0.0) * np.maximum(at_lags(1, 2), 0.0))
    enough = (both > 0.5 * min(seen[0].sum(), seen[1].sum())) & (power > 1e-9 * max(float(power.max()), 1e-30))
    return np.asarray(np.where(enough, together / np.maximum(power, 1e-30), 0.0))


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


def _seconds(table: pd.DataFrame | pd.Series, recording: Recording) -> Floats:
    return intervals.seconds(pd.DatetimeIndex(table.index), pd.DatetimeIndex(recording.fixes.index)[0])


def _moved(table: pd.DataFrame, lag_s: float) -> pd.DataFrame:
    return table.set_axis(pd.DatetimeIndex(table.index) - pd.Timedelta(seconds=lag_s), axis=0)
