"""A pulse per second of the receiver, recorded along on a channel of the measurement: the clock's offset but for whole seconds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analyzer.attaching.signals import LIMITS, Array
from analyzer.settings import thresholds


@dataclass(frozen=True)
class Pulses:
    """Offset of the measurement's clock modulo one second [s] and its 95 % half-width [s]; `n` edges."""

    offset_s: float
    half_width_s: float
    n: int

    def offset_near(self, apparent_s: float, half_width_s: float) -> float | None:
        """Return the offset that agrees with an apparent delay, or None where two would.

        A sensor's own delay lies within the band of thresholds.toml, so the clock's offset lies at most that far below.
        """
        limits = thresholds(LIMITS)
        low = apparent_s - limits["band.latest_s"] - half_width_s
        high = apparent_s - limits["band.earliest_s"] + half_width_s
        first = self.offset_s + np.ceil(low - self.offset_s)
        return float(first) if first <= high < first + 1.0 else None


def find_pulses(seconds: Array, level: Array) -> Pulses | None:
    """Return the pulses in a channel, or None where it holds no regular pulse per second.

    Parameters
    ----------
    seconds : times on the measurement's clock [s], zero at a whole UTC second.
    level : the channel; it counts as high above the middle between its extremes.
    """
    limits = thresholds(LIMITS)
    good = np.isfinite(seconds) & np.isfinite(level)
    at, value = seconds[good], level[good]
    if len(at) < 3 or np.ptp(value) == 0:
        return None
    high = value > 0.5 * (value.min() + value.max())
    rise = np.flatnonzero(high[1:] & ~high[:-1])
    if len(rise) < limits["pulse.least"]:
        return None
    edge = 0.5 * (at[rise] + at[rise + 1])
    width = at[rise + 1] - at[rise]
    step = np.diff(edge)
    slack = limits["pulse.regular"] + 2.0 * float(np.median(width))
    if slack > 0.25 or np.mean(np.abs(step - np.rint(step)) <= slack * np.maximum(np.rint(step), 1.0)) < 0.95:
        return None
    if np.mean(np.rint(step) == 1.0) < 0.8:
        return None
    turn = np.angle(np.mean(np.exp(2j * np.pi * edge))) / (2.0 * np.pi)
    away = (edge - turn + 0.5) % 1.0 - 0.5
    spread = float(np.std(away)) / np.sqrt(len(edge))
    # An edge lies anywhere within its sample; a sample rate locked to the pulse never averages that out.
    half = float(np.hypot(1.96 * spread, 0.5 * float(np.median(width))))
    return Pulses(float(turn), half, len(edge))
