"""Tables made by hand for the tests of the figures: a small link and receiver model, written apart from the package."""

from __future__ import annotations

import hashlib

import numpy as np
import pandas as pd

from analyzer import tables
from analyzer.recording import Entry, Ledger, Recording, Source

START = pd.Timestamp("2025-05-06T08:00:00Z")
METRES_PER_DEGREE = 111_190.3226  # meridian at 48 degrees


def times(seconds: np.ndarray) -> pd.DatetimeIndex:
    """Return START plus seconds, to the microsecond."""
    offset = np.rint(np.asarray(seconds) * 1e6).astype("timedelta64[us]")
    return pd.DatetimeIndex(START + pd.to_timedelta(offset)).as_unit("us")


def fixes(seconds, **columns) -> pd.DataFrame:
    """Return FIXES rows; states default to fixed and reported, offsets to 100 bytes per epoch."""
    count = len(seconds)
    frame = pd.DataFrame({
        "source_id": np.zeros(count, dtype=np.int16), "byte_offset": 100 * np.arange(count, dtype=np.int64),
        "fix_state": ["fixed"] * count, "fix_state_source": ["reported"] * count,
    }, index=times(seconds))
    for name, values in columns.items():
        frame[name] = values
    return tables.FIXES.conform(frame)


def recording(frame: pd.DataFrame, *, details=None, duplicates: int = 0, sources: int = 1) -> Recording:
    """Return a recording of one or more sources around `frame`."""
    entries = (Entry("accepted", "GGA", len(frame), 90 * len(frame)), Entry("duplicate_epoch", "GGA", duplicates, 0))
    one = Source("rover.nmea", "nmea", hashlib.sha256(b"").hexdigest(), 0, 90 * len(frame),
                 Ledger(entries, 90 * len(frame)), details=details or {})
    return Recording((one,) * sources, frame)


def drive(
    duration_s=400.0, rate_hz=10.0, *, speed_mps=15.0, interval_s=1.0, transport_s=0.3, outages=(), sky=(),
    first_fixed_s=30.0, hold_s=15.0, float_s=20.0, refix_s=6.0, never_fixed=False, empty_age=False, noise_m=0.005,
    station=7, seed=1,
) -> pd.DataFrame:
    """Return an invented drive northwards with a correction link and a receiver that holds its fix.

    A correction is made every `interval_s` and used `transport_s` later unless made in one of `outages`. Without new
    ones the receiver stays fixed for `hold_s`, float for `float_s`, then autonomous without age; it needs `refix_s` of
    fresh corrections to be fixed again. In `sky` spans it has four satellites and no position.
    """
    rng = np.random.default_rng(seed)
    count = round(duration_s * rate_hz)
    moment = np.arange(count) / rate_hz
    made = np.arange(0.0, duration_s, interval_s)
    made = made[~np.any([(made > a) & (made < b) for a, b in outages] or [np.zeros(len(made), bool)], axis=0)]
    latest = np.searchsorted(made + transport_s, moment + 1e-9, side="right") - 1
    age = np.where(latest >= 0, moment - made[np.maximum(latest, 0)], np.nan)
    blind = np.any([(moment >= a) & (moment < b) for a, b in sky] or [np.zeros(count, bool)], axis=0)
    state, able_at = [], first_fixed_s
    for t, a, dark in zip(moment, age, blind, strict=True):
        if dark:
            state.append("no_fix")
            able_at = max(able_at, t + refix_s)
        elif not np.isfinite(a) or a > hold_s + float_s:
            state.append("autonomous")
            able_at = max(able_at, t + refix_s)
        elif a > hold_s:
            state.append("float")
            able_at = max(able_at, t + refix_s)
        else:
            state.append("fixed" if t >= able_at and not never_fixed else "float")
    state = np.asarray(state)
    gone = np.isin(state, ("no_fix", "autonomous")) | empty_age
    north = speed_mps * moment
    frame = fixes(
        moment, fix_state=state, correction_age_s=np.where(gone, np.nan, np.round(age, 1)),
        latitude_deg=48.0 + (north + rng.normal(0, noise_m, count)) / METRES_PER_DEGREE,
        longitude_deg=11.0 + rng.normal(0, noise_m, count) / 74625.3536, height_m=500.0 + rng.normal(0, noise_m, count),
        speed_mps=np.abs(speed_mps + rng.normal(0, 0.02, count)), satellites_used=np.where(blind, 4.0, 20.0),
        station_id=pd.array(np.where(gone, None, station), dtype="Int32"), hdop=0.7,
    )
    frame.loc[blind, ["latitude_deg", "longitude_deg", "height_m", "speed_mps"]] = np.nan
    return frame


def without(frame: pd.DataFrame, start_s: float, end_s: float) -> pd.DataFrame:
    """Return `frame` without the epochs from `start_s` up to, not including, `end_s`."""
    seconds = np.asarray((frame.index - START) / pd.Timedelta(seconds=1))
    return frame[(seconds < start_s - 1e-6) | (seconds >= end_s - 1e-6)]
