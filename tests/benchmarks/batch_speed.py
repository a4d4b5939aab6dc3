"""How much faster two processes assess a batch than one: the whole command by the clock, start and imports included.

Usage: ``python tests/benchmarks/batch_speed.py [--drives N] [--duration S] [--rate HZ] [--rounds N] [--json]``

Three arms take turns in every round, each in processes of their own: ``postdrive batch --jobs 1`` and ``--jobs 2``, both
with one thread per process, and one process that may use all cores, which assesses and writes the same drives one after
the other. The shortest time of each arm counts, since everything else on the machine only adds. A process needs about two seconds
until it has loaded what it needs and then a second and a half per report, so short drives gain less. Required: two
processes at least 1.8 times as fast as one.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

REQUIRED = 1.8
DISTINCT = 4


def make(place: Path, drives: int, duration_s: float, rate_hz: float) -> int:
    """Write the drives and return the size of their logs [byte]: `DISTINCT` different ones, the others copies under other names."""
    from analyzer.demo import make_drive

    for number in range(drives):
        folder, name = place / f"d{number:02d}", f"run {number:02d}"
        if number < DISTINCT:
            make_drive(folder, seed=100 + number, run=name, duration_s=duration_s, rate_hz=rate_hz, marks=2, windows=8, outputs=("corrections",))
            continue
        first = f"{number % DISTINCT:02d}"
        shutil.copytree(place / f"d{first}", folder)
        sheet = folder / "setup.toml"
        sheet.write_text(sheet.read_text(encoding="utf-8").replace(f'"run {first}"', f'"{name}"'), encoding="utf-8")
    return sum(p.stat().st_size for p in place.rglob("*.nmea"))


def batch(drives: Path, jobs: int) -> tuple[float, float]:
    """Run ``postdrive batch`` and return wall time and processor time of all its processes [s]."""
    with tempfile.TemporaryDirectory() as out:
        return timed([sys.executable, "-m", "analyzer", "batch", str(drives), "--out", f"{out}/r", "--jobs", str(jobs), "--quiet"])


def one_process(drives: Path) -> tuple[float, float]:
    """Assess all drives in one process that may use all cores; return wall and processor time [s]."""
    with tempfile.TemporaryDirectory() as out:
        return timed([sys.executable, __file__, "--one-process", str(drives), out])


def timed(command: list[str]) -> tuple[float, float]:
    """Run a command and return wall time and processor time, that of its children included [s]."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    began = time.perf_counter()
    subprocess.run(command, cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
    wall = time.perf_counter() - began
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def assess_here(drives: Path, out: Path) -> None:
    """Assess and write all drives in this process, with as many threads as libraries like."""
    from analyzer.batch.find import find_drives
    from analyzer.results.write import write_results
    from analyzer.whole_drive import assess_files

    for drive in find_drives([drives]).drives:
        write_results(assess_files(drive.files), out / drive.name)


def main() -> None:
    """Print the figures."""
    arguments = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    arguments.add_argument("--drives", type=int, default=16)
    arguments.add_argument("--duration", type=float, default=1200.0, help="length of a drive in seconds")
    arguments.add_argument("--rate", type=float, default=100.0)
    arguments.add_argument("--rounds", type=int, default=3)
    arguments.add_argument("--json", action="store_true")
    given = arguments.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "drives"
        size = make(place, given.drives, given.duration, given.rate)
        arms = {"one": lambda: batch(place, 1), "two": lambda: batch(place, 2), "all_cores": lambda: one_process(place)}
        times: dict[str, list[tuple[float, float]]] = {name: [] for name in arms}
        for number in range(given.rounds):
            for name, arm in arms.items():
                times[name].append(arm())
                print(f"round {number + 1}, {name}: {times[name][-1][0]:.1f} s by the clock, {times[name][-1][1]:.1f} s of processors, "
                      f"load {os.getloadavg()[0]:.1f}", file=sys.stderr)
        shutil.rmtree(place)
    best = {name: min(wall for wall, _ in found) for name, found in times.items()}
    busy = {name: statistics.median(cpu for _, cpu in found) for name, found in times.items()}
    figures = {
        "drives": given.drives, "log_mb": size / 1e6, **{f"{n}_s": t for n, t in best.items()}, **{f"{n}_cpu_s": t for n, t in busy.items()},
        "ratio": best["one"] / best["two"], "ratio_all_cores": best["all_cores"] / best["two"],
        "ratio_median": statistics.median(w for w, _ in times["one"]) / statistics.median(w for w, _ in times["two"]),
        "cores": os.cpu_count() or 1,
    }
    if given.json:
        print(json.dumps(figures))
        return
    for name, value in figures.items():
        print(f"{name:20s} {value:10.2f}")
    print(f"{given.drives} drives on 2 processes are {figures['ratio']:.2f} times as fast as on 1 (required: {REQUIRED}), and "
          f"{figures['ratio_all_cores']:.2f} times as fast as one process that may use all {figures['cores']} cores.")


if __name__ == "__main__":
    if "--one-process" in sys.argv:
        assess_here(Path(sys.argv[-2]), Path(sys.argv[-1]))
    else:
        main()
