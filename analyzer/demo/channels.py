"""What the inertial unit and the acquisition system record, and on which clock."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyzer.demo.draws import Draws
from analyzer.demo.drive import Drive
from analyzer.demo.motion import GRAVITY_MPS2
from analyzer.demo.sheets import window_spans

Array = NDArray[np.float64]

#: Body roll per lateral acceleration [rad per m/s2]: about 0.25 deg, leaning outwards.
_ROLL_PER_ACCELERATION = 0.0044


@dataclass(frozen=True)
class Inertial:
    """Specific force and rates at the reference point, ISO 8855 axes; arrays over samples, shape (n, 3)."""

    time_s: Array
    force_mps2: Array
    rate_radps: Array
    gyro_bias_radps: Array
    force_bias_mps2: Array


@dataclass(frozen=True)
class Measurement:
    """Channels of the acquisition system; `clock_unix_s` is what its own clock says, `time_s` the truth."""

    time_s: Array
    clock_unix_s: Array
    wheel_speed_kmh: Array
    yaw_rate_degps: Array
    acceleration_x_mps2: Array
    acceleration_y_mps2: Array
    steering_angle_deg: Array
    marker: NDArray[np.int64]
    scale: float


def inertial(drive: Drive) -> Inertial:
    """Return what a mid-grade inertial unit measures: bias, slow bias drift, white noise, vibration at speed."""
    spec = drive.spec
    draws = Draws(spec.seed, "inertial")
    step = 1.0 / spec.inertial_rate_hz
    time = np.asarray(np.arange(round(spec.duration_s * spec.inertial_rate_hz)) * step, dtype=np.float64)
    here = drive.motion.at(time)
    lateral = here.speed_mps * here.yaw_rate_radps
    roll = _ROLL_PER_ACCELERATION * lateral
    force = np.column_stack([
        here.acceleration_mps2 + GRAVITY_MPS2 * np.sin(here.pitch_rad), lateral + GRAVITY_MPS2 * np.sin(roll),
        GRAVITY_MPS2 * np.cos(here.pitch_rad) * np.cos(roll),
    ])
    rate = np.column_stack([np.gradient(roll, step), -np.gradient(here.pitch_rad, step), here.yaw_rate_radps])
    force_bias, gyro_bias = 0.03 * draws.normal(3), np.deg2rad(0.04) * draws.normal(3)
    shake = 0.012 + 0.004 * np.minimum(here.speed_mps, 30.0)
    for axis in range(3):
        slow = draws.correlated(len(time), step, 300.0)
        force[:, axis] += force_bias[axis] + 0.004 * slow + shake * draws.normal(len(time))
        slow = draws.correlated(len(time), step, 300.0)
        noise = np.deg2rad(0.02 + 0.004 * np.minimum(here.speed_mps, 30.0)) * draws.normal(len(time))
        rate[:, axis] += gyro_bias[axis] + np.deg2rad(0.003) * slow + noise
    return Inertial(time, force, rate, gyro_bias, force_bias)


def measurement(drive: Drive) -> Measurement:
    """Return the acquisition channels, on a clock with the offset and drift that are planted."""
    spec = drive.spec
    draws = Draws(spec.seed, "measurement")
    step = 1.0 / spec.measurement_rate_hz
    count = round(spec.duration_s * spec.measurement_rate_hz)
    time = np.asarray((np.arange(count) + 0.37) * step, dtype=np.float64)
    here = drive.motion.at(time)
    sensed = drive.motion.at(np.maximum(time - spec.sensor_delay_s, -1.9)).speed_mps
    scale = 1.0 + 0.01 * draws.between(-1.0, 1.0)
    wheel = sensed * 3.6 * scale + 0.04 * draws.normal(len(time)) * (sensed > 0.0)
    wheel = np.where(sensed < 0.15, 0.0, np.maximum(np.round(wheel, 2), 0.0))
    lateral = here.speed_mps * here.yaw_rate_radps
    return Measurement(
        time, clock_reading(drive, time), wheel,
        np.rad2deg(here.yaw_rate_radps) + draws.gauss(0.05) + 0.08 * draws.normal(len(time)),
        here.acceleration_mps2 + draws.gauss(0.03) + 0.06 * draws.normal(len(time)),
        lateral + draws.gauss(0.03) + 0.06 * draws.normal(len(time)),
        np.rad2deg(here.steering_angle_rad) + 0.15 * draws.normal(len(time)), _marker(drive, time), scale,
    )


def clock_reading(drive: Drive, time_s: Array) -> Array:
    """Return what the acquisition clock says [Unix s] at true times: reading minus UTC is the planted size."""
    offset = sum(e.size * (1.0 if e.detail["a"] < 0.5 else -1.0) for e in drive.plan.of("clock_offset"))
    offset += sum(e.size for e in drive.plan.of("clock_leap_seconds"))
    drift = sum(e.size * (1.0 if e.detail["a"] < 0.5 else -1.0) for e in drive.plan.of("clock_drift")) * 1e-6
    return np.asarray(drive.start.timestamp() + time_s + offset + drift * time_s)


def _marker(drive: Drive, time_s: Array) -> NDArray[np.int64]:
    """Return the marker channel: the number of the manoeuvre while it is driven, else 0."""
    out = np.zeros(len(time_s), dtype=np.int64)
    for number, (_, start, end, _what) in enumerate(window_spans(drive), start=1):
        out[(time_s >= start) & (time_s < end)] = number
    return out
