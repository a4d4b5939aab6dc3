"""Time the whole ``assess`` of one hour at 100 Hz against what pynmea2 needs merely to read the NMEA file, in one run.

Usage: ``python tests/benchmarks/assess_speed.py [--hours 1] [--sentences N] [--rounds 2]``

GGA, RMC and GST at 100 Hz, GSA and GSV at 1 Hz, inertial data at 100 Hz; the assessment includes reading, metrics,
evidence, bounds and the report with everything that is written. pynmea2 parses the first `--sentences` lines of the same file and is scaled by their
number. Best of the rounds on both sides.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

import assess_cost
import long_log


def merely_read(path: Path, limit: int) -> tuple[float, float]:
    """Parse with pynmea2, checksums verified; return wall and processor time [s] for the whole file."""
    import pynmea2

    with path.open(encoding="ascii") as stream:
        whole = sum(1 for _ in stream)
    began, busy, count = time.perf_counter(), time.process_time(), 0
    with path.open(encoding="ascii") as stream:
        for line in stream:
            pynmea2.parse(line, check=True)
            count += 1
            if count >= limit:
                break
    share = whole / count
    return (time.perf_counter() - began) * share, (time.process_time() - busy) * share


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--hours", type=float, default=1.0)
    parser.add_argument("--sentences", type=int, default=10**9)
    parser.add_argument("--rounds", type=int, default=2)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        log = long_log.make_log(folder, given.hours, inertial=True)
        size = log.stat().st_size + (folder / "inertial.csv").stat().st_size
        reads, costs = [], []
        for _ in range(given.rounds):
            reads.append(merely_read(log, given.sentences))
            costs.append(assess_cost.assess(log, *assess_cost.inertial_words(folder)))
    wall, cpu = (min(r[k] for r in reads) for k in (0, 1))
    own_wall, own_cpu = min(c.wall_s for c in costs), min(c.cpu_s for c in costs)
    print(f"input                       {size / 1e6:8.1f} MB")
    print(f"pynmea2 merely reads        {wall:8.1f} s   processor {cpu:8.1f} s")
    print(f"assess, whole               {own_wall:8.1f} s   processor {own_cpu:8.1f} s")
    print(f"peak memory over the input  {max(c.times_input(size) for c in costs):8.1f}")
    print(f"assess takes {own_wall / wall:.2f} of the time by the clock and {own_cpu / cpu:.2f} of the processor time (required: at most 1).")


if __name__ == "__main__":
    main()
