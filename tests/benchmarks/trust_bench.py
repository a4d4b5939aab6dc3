"""Make varied drives over all faults, assess them, and print how honest the judgement was.

usage: python tests/benchmarks/trust_bench.py [--drives N] [--seed S] [--family NAME ...] [--keep DIR] [--naive]
       [--write]
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path
from typing import Any

import pandas as pd

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).resolve().parent)]

import trust_score  # noqa: E402

from analyzer.demo import DriveSpec, bench_specs, make_drive  # noqa: E402


def judged(folder: Path, write: bool) -> tuple[pd.DataFrame, pd.DataFrame, float | None]:
    """Return epochs, dropouts and time to first fixed of a drive as the package judges it."""
    import analyzer
    from analyzer.parsers.column_map import load_column_map

    setup = analyzer.load_setup(folder / "setup.toml")
    pairs = [(folder / f"corrections_{place}.rtcm3", place) for place in ("base", "rover")]
    inertial, measurement = folder / "inertial.csv", folder / "measurement.csv"
    recording = analyzer.read(
        folder / "rover.nmea", inertial=[inertial] if inertial.exists() else [],
        measurement=[measurement] if measurement.exists() else [], corrections=[p for p in pairs if p[0].exists()],
        maps=[load_column_map(p) for p in sorted(folder.glob("*_columns.toml"))],
        solution_kind=setup.solution_kind or "unknown",
    )
    result = analyzer.assess(recording, setup=setup, windows=analyzer.read_windows(folder / "windows.csv"))
    if write:
        analyzer.write_results(result, folder / "out", overwrite=True)
    first = result.metrics["time_to_first_fixed_s"].value
    return result.epochs.reset_index(), result.dropouts, None if first is None else float(first)


def one(folder: Path, spec: DriveSpec, options: argparse.Namespace) -> trust_score.Score:
    """Make, judge and score one drive."""
    if not (folder / "faults.json").exists():
        make_drive(folder, spec)
    if options.naive:
        nothing = pd.DataFrame({c: pd.Series(dtype=str) for c in ("kind", "cause", "start_utc", "end_utc")})
        return trust_score.score_drive(folder, trust_score.by_rule_of_thumb(folder), nothing, None)
    return trust_score.score_drive(folder, *judged(folder, options.write))


def main() -> None:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--drives", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--family", nargs="*", default=[])
    parser.add_argument("--keep", type=Path, help="make the drives here and keep them")
    parser.add_argument("--naive", action="store_true", help="score the rule of thumb: fixed means trusted")
    parser.add_argument("--write", action="store_true", help="write every result folder as well")
    options = parser.parse_args()
    groups: dict[str, list[trust_score.Score]] = defaultdict(list)
    began = time.perf_counter()
    with tempfile.TemporaryDirectory() as scratch:
        place = options.keep or Path(scratch)
        for number, spec in enumerate(bench_specs(options.drives, seed=options.seed), start=1):
            if options.family and spec.family_name not in options.family:
                continue
            score = one(place / f"d{number:02d}", spec, options)
            for group in ("all drives", *_traits(spec)):
                groups[group].append(score)
            print(f"d{number:02d} {spec.family_name}: {time.perf_counter() - began:.0f} s", file=sys.stderr)
    for group, scores in groups.items():
        print(f"\n{group} ({len(scores)})")
        whole = trust_score.table(scores)
        print((whole if group == "all drives" else whole.loc[["ALL"]]).round(4).to_string())
    for text in (m for s in groups["all drives"] for m in s.missed):
        print("missed:", text)


def _traits(spec: DriveSpec) -> list[str]:
    """Return the groups by which the figures are also printed: noise, rate, what is missing."""
    out: list[Any] = [f"noise x{spec.noise_factor:g}", f"{spec.rate_hz:g} Hz", spec.solution_kind]
    out += [f"without {name.upper()}" for name in ("gst", "rmc") if not getattr(spec, name)]
    out.append("with inertial" if "inertial" in spec.outputs else "without inertial")
    return [str(x) for x in out]


if __name__ == "__main__":
    main()
