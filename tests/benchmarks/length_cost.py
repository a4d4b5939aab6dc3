"""Time and memory of ``assess`` against the length of the log.

Usage: ``python tests/benchmarks/length_cost.py [--hours 0.1 0.5 1 2 4 8] [--inertial] [--plain]``

Logs at 100 Hz (GGA, RMC, GST at 100 Hz, GSA and GSV at 1 Hz; `--plain`: without the latter) are made by repeating a
simulated hour. Per length: time, processor time per hour, peak memory of the process, and peak above the idle imported
process over the size of the input. From the size on that stands in thresholds_memory.toml the drive is judged in blocks.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

import assess_cost
import long_log


def main() -> None:
    """Print one line per length."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--hours", type=float, nargs="+", default=[0.1, 0.5, 1.0, 2.0, 4.0, 8.0])
    parser.add_argument("--inertial", action="store_true")
    parser.add_argument("--plain", action="store_true", help="GGA, RMC and GST alone")
    parser.add_argument("--folder", type=Path, help="where to make the logs: not in memory; default: where temporary files go")
    given = parser.parse_args()
    print("  hours  input MB   clock s   s/hour  processor s  cpu s/hour   peak MB  idle MB  peak over input")
    for hours in given.hours:
        with tempfile.TemporaryDirectory(dir=given.folder) as place:
            folder = Path(place)
            log = long_log.make_log(folder, hours, inertial=given.inertial, plain=given.plain)
            more = assess_cost.inertial_words(folder) if given.inertial else []
            size = log.stat().st_size + ((folder / "inertial.csv").stat().st_size if given.inertial else 0)
            cost = assess_cost.assess(log, *more)
        print(f"{hours:7.1f} {size / 1e6:9.1f} {cost.wall_s:9.1f} {cost.wall_s / hours:8.1f} {cost.cpu_s:12.1f} {cost.cpu_s / hours:11.1f}"
              f" {cost.peak / 1e6:9.0f} {cost.idle / 1e6:8.0f} {cost.times_input(size):16.2f}", flush=True)


if __name__ == "__main__":
    main()
