"""The log of the receiver at the base site: static, settled or not, of metre or centimetre grade.

A receiver that has just been switched on has no position for some seconds, takes its satellites one after the other,
is fixed only after a stretch of float, and claims a sigma that falls as its position drifts to its later value. A
logger that was connected minutes later shows the drift alone.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.demo.draws import Draws
from analyzer.demo.drive import Drive, conditions_of
from analyzer.demo.errors import claimed_sigma, state_error, velocity_error
from analyzer.demo.link import drive_link
from analyzer.demo.motion import Motion
from analyzer.demo.nmea import write_nmea
from analyzer.demo.plan import Plan
from analyzer.demo.scenario import BASE_ENU_M, Lever
from analyzer.demo.sky import Sky, dilution, drive_sky
from analyzer.demo.spec import DriveSpec
from analyzer.demo.states import AUTONOMOUS, DIFFERENTIAL, FIXED, FLOAT, NO_FIX, States
from analyzer.errors import UsageError

Array = NDArray[np.float64]

GRADES = ("metre", "centimetre")
#: What an unsettled log shows of the start of its receiver.
START_UPS = ("shown", "hidden")


def make_base_log(
    path: str | Path, *, seed: int = 1, duration_s: float = 1800.0, rate_hz: float = 1.0,
    start_utc: str = "2026-04-14T06:30:00", grade: str = "metre", settled: bool = True,
    antenna_moved_m: tuple[float, float, float] = (0.0, 0.0, 0.0), start_up: str = "shown",
) -> dict[str, float]:
    """Write a static NMEA log of the base receiver.

    Parameters
    ----------
    path : file to write.
    grade : ``metre`` (autonomous) or ``centimetre`` (fixed against a network).
    settled : False logs from switching on, while the position still drifts towards its later value.
    start_up : of an unsettled log: ``shown`` from switching on, or ``hidden`` where the logger was connected later.
    antenna_moved_m : displacement of the antenna from its usual place (east, north, up) [m].

    Returns
    -------
    What is known: drift at the start (`drift_e_m`, `drift_n_m`, `drift_u_m`) [m] and its time constant `settle_s` [s].
    """
    if grade not in GRADES:
        raise UsageError(f"grade is {grade!r}; expected one of {', '.join(GRADES)}.")
    if start_up not in START_UPS:
        raise UsageError(f"start_up is {start_up!r}; expected one of {', '.join(START_UPS)}.")
    spec = DriveSpec(
        seed=seed, duration_s=duration_s, rate_hz=rate_hz, start_utc=start_utc, antenna_moved_m=antenna_moved_m,
    )
    drive, known = _static(spec, grade, settled, shown=not settled and start_up == "shown")
    write_nmea(drive, Path(path))
    return known


def _static(spec: DriveSpec, grade: str, settled: bool, *, shown: bool) -> tuple[Drive, dict[str, float]]:
    """Return the log as a drive that does not move."""
    plan = Plan(())
    start = pd.Timestamp(spec.start_utc, tz="UTC")
    motion = _standing(np.array(BASE_ENU_M) + np.array(spec.antenna_moved_m), spec.duration_s)
    sky, link = drive_sky(spec, plan, motion, start.timestamp()), drive_link(spec, plan, motion)
    code = np.full(len(sky.time_s), FIXED if grade == "centimetre" else AUTONOMOUS, dtype=np.int64)
    if shown:
        sky = _starting(spec.seed, sky, code)
    states = States(sky.time_s, code, np.ones(len(code), dtype=bool), 0.0)
    time = np.arange(round(spec.duration_s * spec.rate_hz)) / spec.rate_hz
    state = states.at(time)
    here = motion.at(time)
    tick = np.clip(np.floor(time * 5.0 + 1e-6).astype(np.int64), 0, len(sky.time_s) - 1)
    age = np.where(state >= DIFFERENTIAL, link.age(time), np.nan)
    conditions = replace(
        conditions_of(spec, plan, state, age, link=link, sky=sky, tick=tick, point=here.enu_m, speed=here.speed_mps),
        baseline_m=np.full(len(time), 12_000.0),
    )
    drift, known = _settling(spec.seed, time, grade, settled)
    error = state_error(conditions, Draws(spec.seed, "base errors")) + drift
    velocity = velocity_error(conditions, error, Draws(spec.seed, "base velocity"))
    claims = claimed_sigma(conditions, 1.0, Draws(spec.seed, "base claims"))
    if shown:
        claims = np.hypot(claims, _converging(spec.seed, drift))
    drive = Drive(
        spec, start, plan, Lever(0.0, 0.0, 0.0), motion, sky, link, states, time, state, age,
        np.full(len(time), 2101, dtype=np.int64), here.enu_m, here.enu_m + error, error, velocity,
        claims, here.heading_rad, tick,
        np.ones(len(time), dtype=bool),
    )
    return drive, known


def _standing(point: Array, duration_s: float) -> Motion:
    """Return the motion of something that stands."""
    time = np.array([-2.0, duration_s + 2.0])
    zero = np.zeros(2)
    return Motion(time, np.tile(point, (2, 1)), zero, zero, zero, zero, zero, zero, zero)


def _starting(seed: int, sky: Sky, code: NDArray[np.int64]) -> Sky:
    """Return the sky as it is taken up after switching on, and put the states until then into `code`."""
    draws = Draws(seed, "start up")
    count = sky.used.shape[1]
    first, last = draws.between(4.0, 25.0), draws.between(40.0, 150.0)
    taken = first + (last - first) * draws.unit(count)
    # enough of the highest satellites for a position come first
    highest = np.argsort(-sky.constellation.elevation_deg[0])[: draws.whole(5, 7)]
    taken[highest] = first * draws.unit(len(highest))
    there = sky.time_s[:, None] >= taken[None, :]
    used = sky.used & there
    hdop, vdop = dilution(sky.constellation, sky.constellation.block(sky.time_s), used)
    code[(sky.time_s < last) & (code == FIXED)] = FLOAT
    code[sky.time_s < first] = NO_FIX
    return replace(
        sky, cn0_dbhz=np.where(there, sky.cn0_dbhz, np.nan), tracked=sky.tracked & there, used=used,
        count=used.sum(axis=1), hdop=hdop, vdop=vdop,
    )


def _converging(seed: int, drift_m: Array) -> Array:
    """Return what the receiver claims beside its usual sigma while it drifts (n, 3) [m]: not quite what it drifts."""
    horizontal = np.hypot(drift_m[:, 0], drift_m[:, 1]) / np.sqrt(2.0)
    size = Draws(seed, "converging claims").between(0.4, 1.1)
    return np.asarray(size * np.column_stack([horizontal, horizontal, np.abs(drift_m[:, 2])]))


def _settling(seed: int, time: Array, grade: str, settled: bool) -> tuple[Array, dict[str, float]]:
    """Return the drift of a receiver that has just been switched on: it dies out within minutes."""
    draws = Draws(seed, "settling")
    size = draws.between(1.5, 4.0) if grade == "metre" else draws.between(0.2, 0.6)
    east, north = draws.direction() * size
    vector = np.array([east, north, size * draws.between(1.0, 2.0)]) * (0.0 if settled else 1.0)
    tau = draws.between(150.0, 400.0)
    known = {f"drift_{axis}_m": round(float(v), 4) for axis, v in zip("enu", vector, strict=True)}
    return np.exp(-time / tau)[:, None] * vector, known | {"settle_s": round(tau, 1) if not settled else 0.0}
