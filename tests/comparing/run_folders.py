"""Small result folders with a known route, base and stands."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analyzer import tables
from analyzer.geodesy import from_enu
from analyzer.results.epochs_file import write_epochs, write_plain

ORIGIN = (47.2, 20.6, 130.0)
BASE_ENU = (-800.0, -500.0, 4.0)
RATE_HZ, SPEED_MPS = 5.0, 15.0


def loop(laps: float = 2.0, *, length_m: float = 3000.0, east_m: float = 0.0, reverse: bool = False) -> np.ndarray:
    """Return points (2, n) of laps of a rounded loop at constant speed."""
    along = np.arange(0.0, laps * length_m, SPEED_MPS / RATE_HZ)
    angle = 2 * np.pi * along / length_m * (-1 if reverse else 1)
    radius = length_m / (2 * np.pi)
    return np.stack([east_m + radius * np.cos(angle), radius * np.sin(angle)])


def out_and_back(length_m: float = 1500.0, *, times: int = 2) -> np.ndarray:
    """Return points (2, n) of a straight road driven there and back."""
    step = SPEED_MPS / RATE_HZ
    there = np.arange(0.0, length_m, step)
    one = np.r_[there, there[::-1]]
    return np.stack([np.tile(one, times), np.zeros(len(one) * times)])


def run_folder(
    folder: Path,
    path: np.ndarray,
    *,
    run: str = "run 01",
    start: str = "2026-04-14T08:00:00Z",
    seed: int = 0,
    lost: np.ndarray | None = None,
    loss: str = "correction_outage",
    offset_m: Sequence[float] = (0.0, 0.0, 0.0),
    base: Sequence[float] | None = BASE_ENU,
    stands: pd.DataFrame | None = None,
    station: int = 17,
    frame: str | None = None,
    up_m: np.ndarray | None = None,
    age_s: float = 0.8,
    missing: np.ndarray | None = None,
    origin: tuple[float, float, float] = ORIGIN,
    recording: str | None = None,
    purpose: str = "0",
    rules: str = "12",
    car: dict[str, Any] | None = None,
) -> Path:
    """Write a result folder: `path` in metres about `origin`, `lost` the epochs in a dropout, `offset_m` of all positions.

    `recording` and `purpose` are SHA-256; a recording of its own where none is given.
    `car` is what the set-up sheet says of car and antenna.
    """
    rng = np.random.default_rng(seed)
    count = path.shape[1]
    lost = np.zeros(count, dtype=bool) if lost is None else lost
    east, north = path + rng.normal(0, 0.01, path.shape)
    height = rng.normal(0, 0.01, count) if up_m is None else up_m
    latitude, longitude, ellipsoidal = from_enu(
        east + offset_m[0], north + offset_m[1], height + offset_m[2], origin=origin
    )
    index = (pd.Timestamp(start) + pd.to_timedelta(np.arange(count) / RATE_HZ, unit="s")).as_unit("us")
    edges = np.flatnonzero(np.diff(np.r_[False, lost, False].astype(np.int8))).reshape(-1, 2)
    ids = np.zeros(count, dtype=np.int32)
    for k, (a, b) in enumerate(edges):
        ids[a:b] = k + 1
    steps = np.hypot(*np.diff(path, axis=1))
    if missing is not None:
        steps[missing[1:] | missing[:-1]] = 0.0
    along = np.r_[0.0, np.cumsum(steps)]
    epochs = tables.EPOCHS.conform(
        pd.DataFrame(
            {
                "source_id": 0,
                "latitude_deg": latitude,
                "longitude_deg": longitude,
                "height_m": ellipsoidal,
                "fix_state": pd.Categorical(np.where(lost, "float", "fixed"), categories=tables.FIX_STATES),
                "trust": pd.Categorical(np.where(lost, "doubtful", "trusted"), categories=tables.TRUST),
                "correction_age_s": age_s * np.exp(rng.normal(0, 0.1, count)),
                "satellites_used": 22.0,
                "horizontal_bound_m": np.where(lost, 0.5, 0.02) * np.exp(rng.normal(0, 0.1, count)),
                "speed_mps": SPEED_MPS,
                "course_deg": 0.0,
                "distance_m": along,
                "claimed_horizontal_m": 0.008,
                "claimed_vertical_m": 0.008,
                "dropout_id": pd.arrays.IntegerArray(ids, ids == 0),
            },
            index=index,
        )
    )
    if missing is not None:
        epochs = epochs[~missing]
    folder.mkdir(parents=True)
    write_epochs(epochs, folder / "epochs.parquet")
    write_plain(pd.DataFrame({"segment_id": [1]}), folder / "segments.parquet")
    drops = [
        {
            "dropout_id": k + 1,
            "kind": loss,
            "cause": "unknown",
            "start_utc": index[a].isoformat(),
            "end_utc": index[min(b, count - 1)].isoformat(),
            "duration_s": (b - a) / RATE_HZ,
        }
        for k, (a, b) in enumerate(edges)
    ]
    pd.DataFrame(drops, columns=["dropout_id", "kind", "cause", "start_utc", "end_utc", "duration_s"]).to_csv(
        folder / "dropouts.csv", index=False
    )
    _write_stands(folder, stands, offset_m, index[0], origin)
    setup: dict[str, Any] = ({"frame": frame} if frame else {}) | (car or {})
    if base is not None:
        place = [float(v) for v in from_enu(*base, origin=origin)]
        setup["base"] = {
            "name": "Hut",
            "latitude_deg": place[0],
            "longitude_deg": place[1],
            "height_m": place[2],
            "station_id": station,
            "antenna_height_m": 1.8,
        }
    summary = {
        "schema_version": 1,
        "run": run,
        "start_utc": index[0].isoformat(),
        "end_utc": index[-1].isoformat(),
        "setup": setup,
        "metrics": [{"key": "station_ids", "value": str(station)}],
        "dropouts": drops,
        "frame": {"origin": list(origin)},
        "verdict": {"level": "fit", "purpose": {"sha256": purpose}, "rules_version": rules},
        "sources": [{"name": "rover.nmea", "format": "nmea", "place": "rover", "sha256": recording or f"{folder}"}],
    }
    (folder / "summary.json").write_text(json.dumps(summary), encoding="utf-8")
    return folder


STAND_COLUMNS = (
    "standstill_id",
    "start_utc",
    "end_utc",
    "n",
    "n_eff",
    "fix_state",
    "latitude_deg",
    "longitude_deg",
    "height_m",
    "var_ee_m2",
    "var_nn_m2",
    "var_en_m2",
    "var_uu_m2",
    "heading_deg",
    "check_point",
)


def _write_stands(
    folder: Path,
    stands: pd.DataFrame | None,
    offset_m: Sequence[float],
    start: pd.Timestamp,
    origin: tuple[float, float, float],
) -> None:
    if stands is None:
        pd.DataFrame(columns=list(STAND_COLUMNS)).to_csv(folder / "standstills.csv", index=False)
        return
    places = stands[["east_m", "north_m", "up_m"]].to_numpy() + np.asarray(offset_m)
    latitude, longitude, height = from_enu(*places.T, origin=origin)
    table = pd.DataFrame(
        {
            "standstill_id": np.arange(len(stands)) + 1,
            "start_utc": start.isoformat(),
            "end_utc": (start + pd.Timedelta("60s")).isoformat(),
            "n": 300,
            "n_eff": 10.0,
            "fix_state": "fixed",
            "latitude_deg": latitude,
            "longitude_deg": longitude,
            "height_m": height,
            "var_ee_m2": 2e-5,
            "var_nn_m2": 2e-5,
            "var_en_m2": 0.0,
            "var_uu_m2": 4e-5,
            "heading_deg": stands["heading_deg"].to_numpy(),
            "check_point": stands["mark"].to_numpy(),
        }
    )
    table.to_csv(folder / "standstills.csv", index=False)


MARKS = {"A": (120.0, 40.0, 1.0), "B": (-300.0, 350.0, 2.0), "C": (450.0, -200.0, 0.5)}


def mark_stands(
    rng: np.random.Generator,
    *,
    repeat_m: float = 0.008,
    both_ways: bool = False,
    lever_m: Sequence[float] = (0.0, 0.0),
    named: bool = True,
    spread_m: float = 0.0,
) -> pd.DataFrame:
    """Return stands on three marks, once or facing both ways, with an error fixed to the car (forward, left)."""
    rows = []
    for k, (name, place) in enumerate(MARKS.items()):
        for heading in (40.0 + 100 * k,) if not both_ways else (40.0 + 100 * k, 220.0 + 100 * k):
            h = np.radians(heading)
            turned = np.array(
                [np.sin(h) * lever_m[0] - np.cos(h) * lever_m[1], np.cos(h) * lever_m[0] + np.sin(h) * lever_m[1], 0.0]
            )
            point = np.array(place) + turned + rng.normal(0, repeat_m, 3) + np.r_[rng.normal(0, spread_m, 2), 0.0]
            rows.append(
                {
                    "mark": name if named else "",
                    "east_m": point[0],
                    "north_m": point[1],
                    "up_m": point[2],
                    "heading_deg": heading,
                }
            )
    return pd.DataFrame(rows)
