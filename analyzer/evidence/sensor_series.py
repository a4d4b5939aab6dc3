"""What inertial data and wheels recorded, as series on the clock of the positions, and as integrals at the epochs."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.interpolate import Akima1DInterpolator

from analyzer import intervals
from analyzer.evidence.track import Flags, Floats
from analyzer.recording import Recording
from analyzer.settings import thresholds


def sensor(recording: Recording, column: str) -> tuple[Floats, Floats]:
    """Return times [s] and values of one column of the first inertial source, NaN where missing."""
    inertial = recording.inertial
    inertial = inertial[inertial["source_id"] == inertial["source_id"].iloc[0]]
    at = intervals.seconds(pd.DatetimeIndex(inertial.index), pd.DatetimeIndex(recording.fixes.index)[0])
    return at, inertial[column].to_numpy(np.float64)


def _recorded(recording: Recording, column: str) -> tuple[Floats, Floats, Flags]:
    """Return what `sensor` does, zero where missing, and which samples are alive."""
    at, values = sensor(recording, column)
    return at, np.nan_to_num(values), _alive(at, values)


def grown(at: Floats, values: Floats) -> Floats:
    """Return the integral by trapezoids; pauses count for half a second at most."""
    return np.asarray(np.r_[0.0, np.cumsum((values[1:] + values[:-1]) / 2 * np.clip(np.diff(at), 0.0, 0.5))])


def rates_of(recording: Recording, t: Floats) -> dict[str, Floats] | None:
    """Return yaw and pitch [rad], integrated, and the integral of the pitch at `t`, NaN outside the data and where nothing was recorded; None without."""
    if len(recording.inertial) < 100:
        return None
    at, rate, known = _recorded(recording, "rate_z_radps")
    yaw = at_epochs(t, at[known], grown(at, rate)[known])
    at, rate, known = _recorded(recording, "rate_y_radps")
    pitch = grown(at, -rate)
    return {"yaw": yaw, "pitch": at_epochs(t, at[known], pitch[known]), "pitch_grown": at_epochs(t, at[known], grown(at, pitch)[known])}


def gained_of(recording: Recording, t: Floats) -> Floats:
    """Return the integral of the forward specific force [m/s] at `t`, NaN outside the data and where nothing was recorded."""
    at, force, known = _recorded(recording, "acceleration_x_mps2")
    return at_epochs(t, at[known], grown(at, force)[known])


def _alive(at: Floats, values: Floats) -> Flags:
    """Return which samples (n,) are recorded and do not repeat one value to the last digit for longer than `independent.frozen`."""
    changes = np.flatnonzero(np.r_[True, values[1:] != values[:-1], True])
    first, last = changes[:-1], changes[1:] - 1
    lasting = at[last] - at[first] > thresholds("analyzer.evidence")["independent.frozen"]
    return np.isfinite(values) & ~np.repeat(lasting, last - first + 1)


def work_of(recording: Recording, t: Floats, speed: Floats) -> Floats:
    """Return the work of the forward specific force per mass at `t` [m²/s²], summed at the rate of the inertial data."""
    at, force, alive = _recorded(recording, "acceleration_x_mps2")
    known = np.flatnonzero(np.isfinite(speed))
    if len(known) < 4:
        return np.full(len(t), np.nan)
    smooth = Akima1DInterpolator(t[known], speed[known])(np.clip(at, t[known[0]], t[known[-1]]))
    return at_epochs(t, at[alive], grown(at, force * smooth)[alive])


def wheel_speed(recording: Recording) -> tuple[Floats, Floats] | None:
    """Return times [s] and values [m/s] of the recorded wheel speed; None without."""
    if not len(recording.measurement) or "speed_mps" not in recording.measurement:
        return None
    wheel = recording.measurement["speed_mps"].dropna()
    wheel = wheel[pd.DatetimeIndex(wheel.index).notna()]
    if len(wheel) < 100:
        return None
    return intervals.seconds(pd.DatetimeIndex(wheel.index), recording.fixes.index[0]), wheel.to_numpy(np.float64)


def at_epochs(t: Floats, at: Floats, values: Floats) -> Floats:
    """Return `values` interpolated to `t`; NaN outside and across pauses longer than half a second."""
    if not len(at):
        return np.full(len(t), np.nan)
    order = np.argsort(at, kind="stable")
    at, values = at[order], values[order]
    out = np.interp(t, at, values, left=np.nan, right=np.nan)
    usual = float(np.median(np.diff(at))) if len(at) > 1 else 0.0
    after = np.clip(np.searchsorted(at, t), 1, len(at) - 1)
    out[(at[after] - at[after - 1] > max(0.5, 1.5 * usual)) & (t != at[after])] = np.nan
    return np.asarray(out)


def unwrapped(angle: Floats, known: Flags) -> Floats:
    """Return a slowly varying angle [rad] unwrapped where known, NaN elsewhere."""
    at = np.flatnonzero(known & np.isfinite(angle))
    out = np.full(len(angle), np.nan)
    out[at] = np.unwrap(angle[at])
    return out
