"""Invented drives with known clocks, for the tests of joining."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.ndimage import gaussian_filter1d

START = pd.Timestamp("2026-05-06T09:00:00Z")
FINE_HZ = 500.0


@dataclass(frozen=True)
class Motion:
    """Speed, longitudinal acceleration and yaw rate on a fine grid of true seconds."""

    seconds: np.ndarray
    speed: np.ndarray
    acceleration: np.ndarray
    yaw_rate: np.ndarray

    def at(self, name: str, seconds: np.ndarray) -> np.ndarray:
        return np.interp(seconds, self.seconds, getattr(self, name))


def motion(duration_s: float = 300.0, seed: int = 1) -> Motion:
    """A car that speeds up and brakes now and then, within 4 and 32 m/s, and turns."""
    rng = np.random.default_rng(seed)
    seconds = np.arange(-2.0, duration_s + 2.0, 1.0 / FINE_HZ)
    knots = np.arange(-2.0, duration_s + 12.0, 6.0)
    wanted = np.interp(seconds, knots, rng.uniform(5.0, 30.0, len(knots)))
    speed = gaussian_filter1d(wanted, 0.5 * FINE_HZ, mode="nearest")
    yaw = gaussian_filter1d(np.interp(seconds, knots + 2.5, rng.uniform(-0.2, 0.2, len(knots))), 0.5 * FINE_HZ, mode="nearest")
    return Motion(seconds, speed, np.gradient(speed, 1.0 / FINE_HZ), yaw)


def epochs_of(drive: Motion, *, rate_hz: float = 10.0, noise_mps: float = 0.03, seed: int = 1) -> pd.DataFrame:
    """Epochs of a receiver: speed and heading, both with noise."""
    rng = np.random.default_rng(seed + 1000)
    seconds = np.arange(0.0, drive.seconds[-1] - 2.0, 1.0 / rate_hz)
    heading = np.degrees(-np.interp(seconds, drive.seconds, np.cumsum(drive.yaw_rate) / FINE_HZ)) % 360.0
    return pd.DataFrame({
        "speed_mps": drive.at("speed", seconds) + noise_mps * rng.standard_normal(len(seconds)),
        "heading_deg": (heading + 0.05 * rng.standard_normal(len(seconds))) % 360.0,
        "fix_state": pd.Categorical(["fixed"] * len(seconds)),
    }, index=pd.DatetimeIndex(START + pd.to_timedelta(np.rint(seconds * 1e6), unit="us"), name="time_utc").as_unit("us"))


def measured_of(drive: Motion, *, rate_hz: float = 100.0, offset_s: float = 0.0, drift_ppm: float = 0.0, delay_s: float = 0.0,
                scale: float = 1.01, noise_mps: float = 0.05, inertial: bool = False, seed: int = 1,
                ) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Signals of an acquisition system: clock readings in seconds from START, and values."""
    rng = np.random.default_rng(seed + 2000)
    true = np.arange(0.003, drive.seconds[-1] - 2.0, 1.0 / rate_hz)
    clock = true * (1.0 + drift_ppm * 1e-6) + offset_s
    speed = scale * drive.at("speed", true - delay_s) + noise_mps * rng.standard_normal(len(true))
    out = {"speed_mps": (clock, speed)}
    if inertial:
        out["acceleration_x_mps2"] = clock, drive.at("acceleration", true) + 0.1 + 0.08 * rng.standard_normal(len(true))
        out["yaw_rate_radps"] = clock, drive.at("yaw_rate", true) + 0.002 + 0.003 * rng.standard_normal(len(true))
    return out
