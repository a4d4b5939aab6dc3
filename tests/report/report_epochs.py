"""Epochs of an invented drive, made from formulas, with two outages inside manoeuvres and a gap."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analyzer import tables
from analyzer.report.view import PARTS

START = pd.Timestamp("2026-11-24T09:12:00Z")
#: What an epoch needs to be trusted: the limit [m] over the margin.
NEEDED_M = 0.10 / 1.52
#: Start [s], end [s], kind, cause of the outages of the plausible run.
OUTAGES = (
    (672.0, 710.0, "correction_outage", "corrections_stopped"),
    (1491.0, 1524.0, "correction_outage", "corrections_stopped"),
    (300.0, 303.0, "correction_outage", "corrections_stopped"),
    (900.0, 912.0, "fix_loss", "sky_obstruction"),
)
GAP = (1800.0, 1806.0)


def at(seconds: float) -> pd.Timestamp:
    """Return the time `seconds` [s] after the start."""
    return START + pd.Timedelta(seconds=seconds)


def motion(elapsed: np.ndarray) -> tuple[np.ndarray, ...]:
    """Return speed [m/s], distance [m], east [m], north [m] of an invented loop with two stops."""
    speed = 9.0 + 6.0 * np.sin(elapsed / 83.0) + 2.0 * np.sin(elapsed / 17.0)
    speed = np.where((elapsed < 60) | ((elapsed > 1000) & (elapsed < 1060)), 0.0, np.maximum(speed, 0.0))
    step = np.diff(elapsed, prepend=elapsed[:1])
    distance = np.cumsum(speed * step)
    heading = 2 * np.pi * distance / 9000.0 + 0.8 * np.sin(distance / 700.0)
    return speed, distance, np.cumsum(speed * step * np.sin(heading)), np.cumsum(speed * step * np.cos(heading))


def epochs(duration_s: float, rate_hz: float) -> pd.DataFrame:
    """Return epochs with the columns of epochs.parquet and local metres, gap included."""
    elapsed = np.arange(0.0, duration_s, 1.0 / rate_hz)
    elapsed = elapsed[(elapsed < GAP[0]) | (elapsed > GAP[1])]
    rng = np.random.default_rng(7)
    speed, distance, east, north = motion(elapsed)
    age = 1.0 + (elapsed % 1.0)
    state = np.full(len(elapsed), "fixed", dtype=object)
    state[elapsed < 25] = "autonomous"
    state[(elapsed >= 25) & (elapsed < 41)] = "float"
    dropout = pd.array([pd.NA] * len(elapsed), dtype="Int32")
    for number, (start, end, kind, _) in enumerate(OUTAGES, start=1):
        inside = (elapsed >= start) & (elapsed < end)
        dropout[inside] = number
        if kind == "correction_outage":
            age[inside] = 1.0 + elapsed[inside] - start
        state[inside & (elapsed > start + 10)] = "float"
    ageing = np.where(age > 3, 0.001 * age + 0.0045 * np.maximum(age - 10, 0), 0.0)
    claim = np.where(state == "fixed", 0.022, np.where(state == "float", 0.25, 2.2)) * (
        1 + 0.05 * rng.random(len(elapsed))
    )
    bound = np.hypot(claim, ageing)
    trust = np.where(bound <= NEEDED_M, "trusted", np.where(state == "float", "rejected", "doubtful"))
    frame = pd.DataFrame(
        {
            "source_id": 0,
            "latitude_deg": 61.0 + north / 111_000,
            "longitude_deg": 10.0 + east / 54_000,
            "height_m": 210.0,
            "fix_state": pd.Categorical(state, categories=tables.FIX_STATES),
            "correction_age_s": age,
            "satellites_used": np.round(16 + 3 * np.sin(elapsed / 200) - 6 * (state == "float")),
            "speed_mps": speed,
            "claimed_horizontal_m": claim / 2.45,
            "horizontal_bound_m": bound,
            "vertical_bound_m": 1.6 * bound,
            "along_bound_m": 0.8 * bound,
            "across_bound_m": 0.7 * bound,
            "trust": pd.Categorical(trust, categories=tables.TRUST),
            "reasons": np.where(age > 10, "old_corrections", np.where(trust == "trusted", "", "bound_over_limit")),
            "distance_m": distance,
            "dropout_id": dropout,
            "window": window_names(elapsed),
            "east_m": east,
            "north_m": north,
            "interval_s": 1.0 / rate_hz,
            "moving": speed > 0.1,
        },
        index=pd.DatetimeIndex(START + pd.to_timedelta(elapsed, unit="s"), name="time_utc").as_unit("us"),
    )
    for part in PARTS:
        frame[f"bound_{part}_m"] = 0.0
    frame["bound_claim_m"], frame["bound_ageing_m"] = claim, ageing
    return frame


def window_names(elapsed: np.ndarray) -> np.ndarray:
    """Return the manoeuvre of each second: fourteen of 90 s, two minutes apart."""
    number = ((elapsed - 120) // 135).astype(int) + 1
    inside = (elapsed >= 120) & ((elapsed - 120) % 135 < 90) & (number <= 14)
    return np.where(inside, np.char.add("M", np.char.zfill(number.astype(str), 2)), "")
