"""An invented result folder: a drive across ±180°, with every fix state, a gap, a hole and heights partly unknown."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd

from analyzer import tables
from analyzer.results.epochs_file import write_epochs, write_plain

START = pd.Timestamp("2026-11-24T23:59:50Z")
RUN = 'run <07> & "co"\x00\x1f ü'
GEOID_M = 47.5
STATES = ("autonomous", "differential", "float", "fixed", "precise", "estimated", "manual", "simulated", "fixed")
#: Epochs without a position, and where a gap of 3 s lies before.
HOLE = slice(500, 510)
GAP_BEFORE = 700
UNKNOWN_HEIGHT = slice(800, 850)


def epochs(rows: int = 900, *, rate_hz: float = 10.0, speed_mps: float = 5.0) -> pd.DataFrame:
    """Return the epochs of a drive eastward along the 60th parallel, ±180° in its middle."""
    elapsed = np.arange(rows) / rate_hz + np.where(np.arange(rows) >= GAP_BEFORE, 3.0, 0.0)
    distance = speed_mps * np.arange(rows) / rate_hz
    longitude = 180.0 + (distance - distance.mean()) / (111_320.0 * 0.5)
    longitude = np.where(longitude > 180.0, longitude - 360.0, longitude)
    state = np.array(STATES, dtype=object)[np.minimum(np.arange(rows) * len(STATES) // rows, len(STATES) - 1)]
    state[HOLE] = "no_fix"
    trust = np.where(state == "fixed", "trusted", np.where(state == "float", "doubtful", "rejected")).astype(object)
    bound = np.where(state == "fixed", 0.02, 0.5) + 0.001 * (np.arange(rows) % 7)
    bound[33] = 4.25
    frame = pd.DataFrame({
        "source_id": 0, "latitude_deg": 60.0, "longitude_deg": longitude, "height_m": 210.0 + 0.01 * np.arange(rows),
        "geoid_separation_m": GEOID_M, "fix_state": pd.Categorical(state), "correction_age_s": 1.25,
        "station_id": pd.array(np.where(np.arange(rows) < rows // 2, 1023, 2047), dtype="Int32"),
        "satellites_used": 14.0, "hdop": 0.7, "speed_mps": speed_mps, "horizontal_bound_m": bound,
        "vertical_bound_m": 2 * bound, "trust": pd.Categorical(trust), "distance_m": distance,
        "reasons": pd.Categorical(np.where(trust == "trusted", "", "state,age")),
    }, index=pd.DatetimeIndex(START + pd.to_timedelta(elapsed, unit="s")).as_unit("us"))
    frame.iloc[HOLE, frame.columns.get_indexer(["latitude_deg", "longitude_deg", "height_m"])] = np.nan
    frame.iloc[UNKNOWN_HEIGHT, frame.columns.get_indexer(["height_m", "geoid_separation_m"])] = np.nan
    return tables.EPOCHS.conform(frame)


def dropouts(frame: pd.DataFrame) -> pd.DataFrame:
    """Return one dropout with a place and one without."""
    ends = {f"{side}_{axis}_deg": [frame[f"{axis}_deg"].iloc[row], np.nan]
            for side, row in (("start", 440), ("end", 460)) for axis in ("latitude", "longitude")}
    return pd.DataFrame({
        "dropout_id": [1, 2], "kind": ["correction_outage", "fix_loss"], "cause": ["corrections_stopped", "unknown"],
        "start_utc": [frame.index[440], frame.index[0]], "end_utc": [frame.index[460], frame.index[20]],
        "duration_s": [2.0, 2.0], "refix_s": [np.nan, 1.5], "start_distance_m": [220.0, np.nan],
        "end_distance_m": [230.0, np.nan], **ends, "evidence": ["age <grew> & grew", ""], "advice": ["", "look"],
    })


def windows(frame: pd.DataFrame) -> pd.DataFrame:
    """Return one manoeuvre inside the drive and one after it."""
    after = frame.index[-1] + pd.Timedelta(hours=1)
    return pd.DataFrame({
        "name": ["M1 <b>", "M2"], "start_utc": [frame.index[100], after], "end_utc": [frame.index[150], after],
        "start_distance_m": [50.0, np.nan], "end_distance_m": [75.0, np.nan], "verdict": ["not_fit", "not_evaluated"],
        "worst_horizontal_bound_m": [0.51, np.nan], "share_trusted": [0.0, np.nan], "reason": ["état & more", ""],
        "repeat": [True, True], "accepted_by": [None, None], "accepted_reason": [None, None],
    })


def folder(place: Path, frame: pd.DataFrame | None = None, *, run: str = RUN) -> Path:
    """Write a result folder of `frame` and return it."""
    frame = epochs() if frame is None else frame
    place.mkdir()
    write_epochs(frame, place / "epochs.parquet")
    write_plain(tables.SEGMENTS.empty(), place / "segments.parquet")
    standstills = pd.DataFrame({
        "standstill_id": [1], "start_utc": [frame.index[0]], "end_utc": [frame.index[9]], "n": [10],
        "fix_state": ["fixed"], "latitude_deg": [60.0], "longitude_deg": [179.9], "height_m": [210.0],
        "cep50_m": [0.004], "r95_m": [0.009], "check_point": [""],
    })
    for name, table in (
        ("dropouts", dropouts(frame)), ("windows", windows(frame)), ("standstills", standstills),
        ("jumps", tables.JUMPS.empty()),
    ):  # fmt: skip
        table.to_csv(place / f"{name}.csv", index=False)
    summary = {"schema_version": 1, "run": run, "verdict": {"level": "fit", "purpose": {"title": "lane 0.10 m"}}}
    (place / "summary.json").write_text(json.dumps(summary), encoding="utf-8")
    return place
