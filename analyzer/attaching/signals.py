"""Motion as both sides saw it: pairs of one quantity from the recording and from the measurement."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.settings import thresholds

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
LIMITS = "analyzer.attaching"


class Sampled:
    """A measured signal that can be averaged about any moment.

    Parameters
    ----------
    seconds : times of the samples [s], in any order; samples that are not finite are left out.
    values : the samples.
    """

    def __init__(self, seconds: Array, values: Array) -> None:
        good = np.isfinite(seconds) & np.isfinite(values)
        times, first = np.unique(seconds[good], return_index=True)
        self.seconds: Array = times
        self.values: Array = np.asarray(values[good][first], dtype=np.float64)
        step = np.diff(times)
        self.step_s = float(np.median(step)) if len(step) else np.nan
        middle = 0.5 * (self.values[1:] + self.values[:-1])
        self._integral: Array = np.r_[0.0, np.cumsum(middle * step)]
        self._gap = step > max(5.0 * self.step_s, 0.5) if len(step) else np.zeros(0, dtype=bool)

    def __len__(self) -> int:
        return len(self.seconds)

    def mean(self, at: Array, width_s: float) -> Array:
        """Return the mean over `width_s` about each of `at`; NaN outside, and where a gap is touched."""
        low, high = at - width_s / 2, at + width_s / 2
        out = (self._area(high) - self._area(low)) / width_s
        return np.where(self._covers(low, high), out, np.nan)

    def slope(self, at: Array, width_s: float) -> Array:
        """Return the time derivative of `mean`."""
        low, high = at - width_s / 2, at + width_s / 2
        return np.asarray((np.interp(high, self.seconds, self.values) - np.interp(low, self.seconds, self.values)) / width_s)

    def integral(self) -> Sampled:
        """Return the integral over time, zero at the first sample; gaps stay gaps."""
        return Sampled(self.seconds, self._integral)

    def _area(self, at: Array) -> Array:
        """Return the integral of the line through the samples up to `at`."""
        index = np.clip(np.searchsorted(self.seconds, at, side="right") - 1, 0, max(len(self) - 2, 0))
        ahead = at - self.seconds[index]
        length = self.seconds[index + 1] - self.seconds[index]
        rise = (self.values[index + 1] - self.values[index]) / length
        return np.asarray(self._integral[index] + ahead * (self.values[index] + 0.5 * rise * ahead))

    def _covers(self, low: Array, high: Array) -> Flags:
        inside = (low >= self.seconds[0]) & (high <= self.seconds[-1])
        if not self._gap.any():
            return np.asarray(inside)
        count = np.r_[0, np.cumsum(self._gap)]
        first = np.clip(np.searchsorted(self.seconds, low, side="right") - 1, 0, len(self._gap))
        last = np.clip(np.searchsorted(self.seconds, high, side="left"), 0, len(self._gap))
        return np.asarray(inside & (count[last] - count[first] == 0))


@dataclass(frozen=True)
class Pair:
    """One quantity: `reference` at the epochs of the recording (`seconds`), `measured` on the other clock.

    `width_s` is the width over which the measured signal is averaged so that both sides see the same thing; `inertial`
    says that the sensor has no delay to speak of; `whole` is the reference without the parts left out for the fine fit.
    Lines over `detrend_s` are taken out of both sides where slow errors rule, as in an integral of what was recorded.
    `lever` holds 1/v [s/m] per epoch where the reference is a course: the antenna's distance ahead of the axle that does
    not slip then adds ``distance * yaw rate / v``.
    """

    kind: str
    seconds: Array
    reference: Array
    measured: Sampled
    width_s: float
    inertial: bool
    whole: Array = field(default_factory=lambda: np.empty(0))
    lever: Array = field(default_factory=lambda: np.empty(0))
    detrend_s: float = 0.0


def pairs(epochs: pd.DataFrame, measured: Mapping[str, Sampled], origin: pd.Timestamp) -> list[Pair]:
    """Return the pairs that both sides allow, wheel speed first.

    Parameters
    ----------
    epochs : index ``time_utc``; used where present: ``speed_mps course_deg heading_deg yaw_rate_radps fix_state``.
    measured : by name, of ``speed_mps yaw_rate_radps acceleration_x_mps2``; times in seconds from `origin`.
    """
    seconds = np.asarray((pd.DatetimeIndex(epochs.index) - origin) / pd.Timedelta(seconds=1), dtype=np.float64)
    limits = thresholds(LIMITS)
    speed = _column(epochs, "speed_mps")
    if "fix_state" in epochs:
        speed[(epochs["fix_state"].astype(object) == "no_fix").to_numpy(dtype=bool)] = np.nan
    out = []
    if "speed_mps" in measured and np.isfinite(speed).any():
        moving = np.where(speed >= limits["fit.slowest_mps"], speed, np.nan)
        dense = len(seconds) > 1 and float(np.median(np.diff(seconds))) <= limits["fit.trend_step_s"]
        dense &= len(seconds) > 1 and float(np.ptp(seconds)) >= limits["fit.trend_spans"] * limits["fit.trend_s"]
        out.append(Pair("speed", seconds, moving, measured["speed_mps"], limits["fit.box_s"], inertial=False, whole=speed,
                        detrend_s=limits["fit.trend_s"] if dense else 0.0))
    if "acceleration_x_mps2" in measured and np.isfinite(speed).any():
        out.append(_acceleration(seconds, speed, measured["acceleration_x_mps2"]))
    if "yaw_rate_radps" in measured:
        turn = _yaw_rate(epochs, seconds, speed, measured["yaw_rate_radps"])
        if turn is not None:
            out.append(turn)
    return [pair for pair in out if len(pair.measured) > 20 and np.isfinite(pair.reference).sum() > 20]


def _column(epochs: pd.DataFrame, name: str) -> Array:
    if name not in epochs:
        return np.full(len(epochs), np.nan)
    return np.array(epochs[name].to_numpy(dtype=np.float64, na_value=np.nan), dtype=np.float64)


def _acceleration(seconds: Array, speed: Array, measured: Sampled) -> Pair:
    """Return speed against the integrated longitudinal acceleration, slow changes (bias, slope of the road) taken out."""
    limits = thresholds(LIMITS)
    moving = np.where(speed >= limits["fit.slowest_mps"], speed, np.nan)
    return Pair("acceleration", seconds, moving, measured.integral(), limits["fit.box_s"], inertial=True, whole=speed,
                detrend_s=limits["fit.detrend_s"])


def _yaw_rate(epochs: pd.DataFrame, seconds: Array, speed: Array, measured: Sampled) -> Pair | None:
    """Return yaw rate as recorded against yaw rate, or heading or course against its integral.

    The course of an antenna ahead of the axle that does not slip leads the heading by the distance times yaw rate over
    speed; that is fitted beside the heading, so that it is not taken for an offset of the clock.
    """
    limits = thresholds(LIMITS)
    recorded = _column(epochs, "yaw_rate_radps")
    if np.isfinite(recorded).mean() > 0.5:
        return Pair("yaw_rate", seconds, recorded, measured, limits["fit.box_s"], inertial=True)
    fast = speed >= limits["fit.slowest_turn_mps"]
    for name in ("heading_deg", "course_deg"):
        angle = -_unwrapped(_column(epochs, name))
        if np.isfinite(angle).sum() <= 20:
            continue
        course = name == "course_deg"
        lever = np.where(fast, 1.0 / np.where(fast, speed, 1.0), 0.0) if course else np.empty(0)
        return Pair("yaw_rate", seconds, np.where(fast, angle, np.nan) if course else angle, measured.integral(),
                    limits["fit.box_s"], inertial=True, lever=lever, detrend_s=limits["fit.detrend_s"])
    return None


def _unwrapped(angle_deg: Array) -> Array:
    out = np.full(len(angle_deg), np.nan)
    known = np.isfinite(angle_deg)
    out[known] = np.unwrap(np.deg2rad(angle_deg[known]))
    return out
