"""Measure how well the offset between two clocks is found, on simulated drives with planted offsets and drifts.

Usage: ``python tests/benchmarks/attach_offsets.py [--drives N] [--seconds S] [--json]``

Each drive plants an offset (up to 30 s, or a known one of time scales, zones and week numbers) and, every other time, a
drift of 50 ppm; wheel speed at 50 to 200 Hz with 1 % scale error and noise, no delay of its own; epochs at 5 to 100 Hz,
and at 1 Hz. Reported per rate: largest |applied - true| offset over all rows, coverage of the 95 % interval, refusals.
Then drives at constant speed, which must all be refused, and the time to write a text of a million rows.
"""

from __future__ import annotations

import argparse
import io
import json
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "attaching")]

from attach_drives import START, epochs_of, measured_of, motion  # noqa: E402

from analyzer.attaching.time_offset import estimate  # noqa: E402
from analyzer.attaching.time_offset_search import known_offsets  # noqa: E402

RATES_HZ = (1.0, 5.0, 10.0, 20.0, 100.0)
MEASURED_HZ = (50.0, 100.0, 200.0)


def one(seed: int, seconds: float) -> dict[str, float]:
    """Return what one drive gave."""
    rng = np.random.default_rng(seed)
    known = sorted(known_offsets())
    offset_s = float(rng.choice(known)) if seed % 3 == 0 else float(rng.uniform(-30.0, 30.0))
    drift_ppm = 50.0 * (seed % 2) * (1.0 if seed % 4 == 1 else -1.0)
    drive = motion(seconds, seed=seed)
    gnss_hz = RATES_HZ[seed % len(RATES_HZ)]
    epochs = epochs_of(drive, rate_hz=gnss_hz, seed=seed)
    signals = measured_of(drive, rate_hz=MEASURED_HZ[seed % 3], offset_s=offset_s, drift_ppm=drift_ppm, seed=seed)
    begun = time.perf_counter()
    found = estimate(epochs, signals, origin=START)
    took = time.perf_counter() - begun
    row = {"gnss_hz": gnss_hz, "drift_ppm": drift_ppm, "took_s": took, "refused": float(found.line is None)}
    if found.line is None:
        return row | {"largest_ms": np.nan, "held": np.nan, "half_width_ms": np.nan}
    true = np.linspace(0.0, seconds, 400)
    error = found.line.at(true) - offset_s - drift_ppm * 1e-6 * true
    at_centre = float(found.line.offset_s - offset_s - drift_ppm * 1e-6 * found.line.centre_s)
    return row | {"largest_ms": 1e3 * float(np.abs(error).max()), "held": float(abs(at_centre) <= found.line.half_width_s),
                  "half_width_ms": 1e3 * found.line.half_width_s}


def constant_speed(count: int) -> int:
    """Return how many drives at constant speed were given an offset; none may be."""
    wrong = 0
    for seed in range(count):
        rng = np.random.default_rng(seed)
        seconds, fast = np.arange(0.0, 600.0, 0.1), np.arange(0.0, 600.0, 0.01)
        epochs = pd.DataFrame({"speed_mps": 27.0 + 0.03 * rng.standard_normal(len(seconds))},
                              index=START + pd.to_timedelta(seconds, unit="s"))
        found = estimate(epochs, {"speed_mps": (fast, 27.2 + 0.05 * rng.standard_normal(len(fast)))}, origin=START)
        wrong += found.line is not None
    return wrong


def text_speed(rows: int = 1_000_000) -> dict[str, float]:
    """Return seconds to read the used columns of a text and to write it with quality."""
    from analyzer.attaching import csv_writer
    from analyzer.attaching.join import NAMES
    from analyzer.attaching.measured_csv import layout, read_columns
    from analyzer.parsers.sources import open_sources

    block = pd.DataFrame({
        "fix_state": pd.Categorical(["fixed"] * rows), "correction_age_s": 1.0, "satellites_used": np.float32(14),
        "horizontal_bound_m": np.float32(0.02), "vertical_bound_m": np.float32(0.04), "trust": pd.Categorical(["trusted"] * rows),
        "dropout_id": pd.array([pd.NA] * rows, dtype="Int32"), "window": pd.Categorical([None] * rows, categories=["a"]),
    })
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "m.csv"
        with path.open("w") as file:
            file.write("time,speed,a,b,c,d\n")
            file.writelines(f"{k / 100:.2f},{k % 360 / 10:.1f},1.25,-3.5,0.001,{k}\n" for k in range(rows))
        raw = open_sources([path])[0][0]
        cut = layout(raw, None)
        begun = time.perf_counter()
        read_columns(raw, cut, ["time", "speed"])
        read_s = time.perf_counter() - begun
        begun = time.perf_counter()
        csv_writer.write(raw, cut, lambda a, b: block.iloc[a:min(b, rows)], io.BytesIO(), names=NAMES)
        return {"rows": rows, "read_s": read_s, "write_s": time.perf_counter() - begun}


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--drives", type=int, default=120)
    parser.add_argument("--seconds", type=float, default=600.0)
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    table = pd.DataFrame([one(seed, args.seconds) for seed in range(args.drives)])
    table["drift"] = np.where(table["drift_ppm"] == 0.0, "none", "50 ppm")
    grouped = table.groupby(["gnss_hz", "drift"])
    figures = grouped.agg(drives=("held", "size"), largest_ms=("largest_ms", "max"), median_ms=("largest_ms", "median"),
                          coverage=("held", "mean"), half_width_ms=("half_width_ms", "median"), refused=("refused", "sum"),
                          took_s=("took_s", "median"))
    wrong = constant_speed(20)
    speed = text_speed()
    if args.json:
        print(json.dumps({"offsets": figures.reset_index().to_dict("records"), "constant_speed_answered": wrong, "text": speed}))
        return
    print(figures.round(3).to_string())
    print(f"\nall: largest {table['largest_ms'].max():.2f} ms, coverage {table['held'].mean():.3f}; constant speed answered: {wrong} of 20")
    print(f"text of {speed['rows']:,} rows: used columns read in {speed['read_s']:.1f} s, written in {speed['write_s']:.1f} s")


if __name__ == "__main__":
    main()
