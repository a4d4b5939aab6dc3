"""How long hundreds of runs take to compare, and how much memory: run as ``python tests/benchmarks/compare_many.py [RUNS]``.

Writes synthetic result folders of 30 minutes at 10 Hz (laps of a closed route with recurring and single dropouts), then
compares them in a fresh process and prints seconds and the largest resident memory.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from analyzer import tables
from analyzer.comparing.compare import compare
from analyzer.comparing.write import write_comparison
from analyzer.geodesy import from_enu
from analyzer.results.epochs_file import write_epochs, write_plain

ORIGIN = (47.2, 20.6, 130.0)
DURATION_S, RATE_HZ, LAP_M, SPEED_MPS = 1800.0, 10.0, 6000.0, 14.0


def write_run(folder: Path, number: int, day: int) -> None:
    """Write one synthetic result folder."""
    rng = np.random.default_rng(number)
    count = int(DURATION_S * RATE_HZ)
    time_s = np.arange(count) / RATE_HZ
    along = SPEED_MPS * time_s
    angle = 2 * np.pi * along / LAP_M
    radius = LAP_M / (2 * np.pi)
    east = radius * (1 + 0.2 * np.cos(2 * angle)) * np.cos(angle) + rng.normal(0, 0.3)
    north = radius * (1 + 0.2 * np.cos(2 * angle)) * np.sin(angle)
    latitude, longitude, height = from_enu(east, north, rng.normal(0, 0.01, count), origin=ORIGIN)
    lap = along % LAP_M
    lost = ((lap > 1200) & (lap < 1500)) | ((lap > 4000) & (lap < 4250) & (number % 2 == 0))
    if number % 7 == 0:
        lost |= (along > 9000) & (along < 9400)
    start = pd.Timestamp("2026-04-14T08:00:00Z") + pd.Timedelta(days=day, minutes=40 * (number % 8))
    index = (start + pd.to_timedelta(time_s, unit="s")).as_unit("us")
    edges = np.flatnonzero(np.diff(np.r_[False, lost, False].astype(np.int8))).reshape(-1, 2)
    ids = pd.array(np.cumsum(np.r_[False, lost[1:] & ~lost[:-1]]) + lost[0], dtype="Int32")
    ids[~lost] = pd.NA
    frame = tables.EPOCHS.conform(
        pd.DataFrame(
            {
                "source_id": 0,
                "latitude_deg": latitude,
                "longitude_deg": longitude,
                "height_m": height,
                "fix_state": pd.Categorical(np.where(lost, "float", "fixed"), categories=tables.FIX_STATES),
                "trust": pd.Categorical(np.where(lost, "doubtful", "trusted"), categories=tables.TRUST),
                "correction_age_s": np.where(lost, 9.0, 0.8),
                "satellites_used": np.where(lost, 9.0, 22.0),
                "horizontal_bound_m": np.where(lost, 0.4, 0.02) * np.exp(rng.normal(0, 0.1, count)),
                "speed_mps": SPEED_MPS,
                "course_deg": 0.0,
                "distance_m": along,
                "dropout_id": ids,
                "claimed_horizontal_m": 0.008,
                "claimed_vertical_m": 0.013,
            },
            index=index,
        )
    )
    folder.mkdir(parents=True)
    write_epochs(frame, folder / "epochs.parquet")
    write_plain(pd.DataFrame({"segment_id": [1]}), folder / "segments.parquet")
    rows = [
        {
            "dropout_id": k + 1,
            "kind": "correction_outage",
            "cause": "unknown",
            "start_utc": index[a].isoformat(),
            "end_utc": index[min(b, count - 1)].isoformat(),
            "duration_s": (b - a) / RATE_HZ,
        }
        for k, (a, b) in enumerate(edges)
    ]
    pd.DataFrame(rows).to_csv(folder / "dropouts.csv", index=False)
    _stands(folder, rng, start)
    summary = {
        "schema_version": 1,
        "run": f"run {number:03d}",
        "start_utc": start.isoformat(),
        "end_utc": index[-1].isoformat(),
        "metrics": [{"key": "station_ids", "value": "17"}],
        "dropouts": rows,
        "frame": {"origin": list(ORIGIN)},
        "verdict": {"level": "fit", "purpose": {"sha256": "0"}},
        "setup": {"base": {"latitude_deg": 47.19, "longitude_deg": 20.57, "height_m": 132.0, "station_id": 17}},
    }
    (folder / "summary.json").write_text(json.dumps(summary), encoding="utf-8")


def _stands(folder: Path, rng: np.random.Generator, start: pd.Timestamp) -> None:
    """Write three stands on marks."""
    places = rng.normal(0, 0.008, (3, 3)) + np.array([[50.0, 20.0, 0.0], [400.0, 30.0, 1.0], [-300.0, 500.0, 2.0]])
    latitude, longitude, height = from_enu(*places.T, origin=ORIGIN)
    pd.DataFrame(
        {
            "standstill_id": [1, 2, 3],
            "start_utc": [start.isoformat()] * 3,
            "end_utc": [start.isoformat()] * 3,
            "n": 600,
            "n_eff": 12.0,
            "fix_state": "fixed",
            "latitude_deg": latitude,
            "longitude_deg": longitude,
            "height_m": height,
            "var_ee_m2": 2e-5,
            "var_nn_m2": 2e-5,
            "var_en_m2": 0.0,
            "var_uu_m2": 6e-5,
            "heading_deg": [90.0, 200.0, 310.0],
            "check_point": ["A", "B", "C"],
        }
    ).to_csv(folder / "standstills.csv", index=False)


def main(count: int) -> None:
    """Write the folders, then compare them in a process of their own."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        for number in range(count):
            write_run(folder / f"run{number:03d}", number, number // 8)
        subprocess.run([sys.executable, __file__, "--compare", place], check=True)


def measured(folder: Path) -> None:
    """Compare all runs in `folder` and print what it took."""
    began = time.perf_counter()
    runs = sorted(p for p in folder.iterdir() if p.name.startswith("run"))
    result = compare(runs)
    compared = time.perf_counter() - began
    write_comparison(result, folder / "comparison")
    whole = time.perf_counter() - began
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{len(runs)} runs: compared in {compared:.1f} s, written after {whole:.1f} s, at most {peak:.0f} MiB; {result.level}"
    )
    print(*(f"S{r.spot} km {r.along_m / 1000:.2f}: {r.words}" for r in result.spots.itertuples()), sep="\n")


if __name__ == "__main__":
    if "--compare" in sys.argv:
        measured(Path(sys.argv[-1]))
    else:
        main(int(sys.argv[1]) if len(sys.argv) > 1 else 300)
