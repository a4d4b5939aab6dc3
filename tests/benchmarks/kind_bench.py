"""Tell fused solutions from those of satellites alone on varied drives, from the log alone, and print how often it is right.

usage: python tests/benchmarks/kind_bench.py [--seeds S …] [--drives N] [--noise F …] [--kind fused|gnss]

Only the rover log is read: neither set-up sheet nor inertial data nor corrections. ``standing and moving`` are drives with a
logged speed and a stand; the others cannot tell.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

import pandas as pd

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT)]

import analyzer  # noqa: E402
from analyzer.demo import DriveSpec, bench_specs, make_drive  # noqa: E402
from analyzer.evidence.solution_kind import find_kind  # noqa: E402
from analyzer.evidence.track import build_track  # noqa: E402
from analyzer.metrics.measure import measure  # noqa: E402


def judged(folder: Path, spec: DriveSpec) -> dict[str, Any]:
    """Return what is found of one drive beside what it is."""
    recording = analyzer.read(folder / "rover.nmea")
    metrics = measure(recording)
    rate = metrics["rate_hz"].value
    track = build_track(recording.fixes, metrics.epochs, 1 / float(rate or 1.0), origin=metrics.origin)
    found = find_kind(recording.fixes, track)
    able = bool(track.standing.any()) and not track.from_places
    answer = "right" if found.kind == spec.solution_kind else "unknown" if found.kind == "unknown" else "wrong"
    return {"data": "standing and moving" if able else "no speed", "kind": spec.solution_kind, "rate_hz": spec.rate_hz,
            "noise": spec.noise_factor, "answer": answer, "found": found, "family": spec.family_name}


def main() -> None:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", nargs="+", type=int, default=[1, 2, 3])
    parser.add_argument("--drives", type=int, default=60)
    parser.add_argument("--noise", nargs="*", type=float, default=[], help="noise factors for all drives, over those drawn")
    parser.add_argument("--kind", choices=("fused", "gnss"), help="one kind for all drives that may be of it")
    options = parser.parse_args()
    rows = []
    for seed in options.seeds:
        for noise in options.noise or [None]:
            common = {k: v for k, v in (("noise_factor", noise), ("solution_kind", options.kind)) if v is not None}
            for spec in bench_specs(options.drives, seed=seed, **common):
                with tempfile.TemporaryDirectory() as scratch:
                    row = judged(make_drive(Path(scratch), spec), spec)
                rows.append(row)
                if row["answer"] == "wrong":
                    print(f"wrong: seed {seed}, {row['family']}, {row['kind']}, {row['rate_hz']:g} Hz: {row['found']}")
    table = pd.DataFrame(rows)
    for keys in (["data", "kind"], ["data", "rate_hz"], ["data", "noise"]):
        print(pd.crosstab([table[k] for k in keys], table["answer"]).to_string(), "\n")
    able = Counter(table.loc[table["data"] == "standing and moving", "answer"])
    total = sum(able.values())
    if not total:
        print("no drive with a logged speed and a stand")
        return
    print(", ".join(f"{name} {able[name]}/{total} = {100 * able[name] / total:.1f} %" for name in ("right", "unknown", "wrong")))


if __name__ == "__main__":
    main()
