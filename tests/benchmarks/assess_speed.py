"""Time the whole ``assess`` of one hour at 100 Hz against what pynmea2 needs merely to read the NMEA file, in one run.

Usage: ``python tests/benchmarks/assess_speed.py [--hours 1] [--sentences N] [--rounds 2]``

GGA, RMC and GST at 100 Hz, GSA and GSV at 1 Hz, inertial data at 100 Hz; the assessment includes reading, metrics, evidence,
bounds and the report with everything that is written. pynmea2 reads the first `--sentences` lines of the same NMEA file,
scaled by their number, in two ways: its objects alone, whose fields are still texts, and its objects with their fields taken
as numbers, which is what reading is for. Best of the rounds on all sides.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

import assess_cost
import long_log


def merely_read(path: Path, limit: int, take: Callable[[Any], object]) -> tuple[float, float]:
    """Parse with pynmea2, checksums verified, and `take` what is wanted; return wall and processor time [s] for the whole file."""
    import pynmea2

    with path.open(encoding="ascii") as stream:
        whole = sum(1 for _ in stream)
    began, busy, count = time.perf_counter(), time.process_time(), 0
    with path.open(encoding="ascii") as stream:
        for line in stream:
            take(pynmea2.parse(line, check=True))
            count += 1
            if count >= limit:
                break
    share = whole / count
    return (time.perf_counter() - began) * share, (time.process_time() - busy) * share


def nothing(message: Any) -> object:
    """Take nothing of a message."""
    return message


def _number(text: object) -> float:
    return float(text) if text not in (None, "") else float("nan")  # type: ignore[arg-type]


def values(message: Any) -> object:
    """Take the fields of a message as numbers."""
    kind = message.sentence_type
    if kind == "GGA":
        return (message.timestamp, message.latitude, message.longitude, _number(message.gps_qual), _number(message.num_sats),
                _number(message.horizontal_dil), _number(message.altitude), _number(message.geo_sep),
                _number(message.age_gps_data), _number(message.ref_station_id))
    if kind == "RMC":
        return (message.timestamp, message.latitude, message.longitude, _number(message.spd_over_grnd),
                _number(message.true_course), message.datestamp)
    if kind == "GST":
        names = ("rms", "std_dev_major", "std_dev_minor", "orientation", "std_dev_latitude", "std_dev_longitude", "std_dev_altitude")
        return (message.timestamp, *(_number(getattr(message, name)) for name in names))
    return [_number(field) for field in message.data if field.replace(".", "").isdigit()]


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
        texts, numbers, costs = [], [], []
        for _ in range(given.rounds):
            texts.append(merely_read(log, given.sentences, nothing))
            costs.append(assess_cost.assess(log, *assess_cost.inertial_words(folder)))
            numbers.append(merely_read(log, given.sentences, values))
    own = min(c.wall_s for c in costs), min(c.cpu_s for c in costs)
    print(f"input                            {size / 1e6:8.1f} MB")
    for name, times in (("pynmea2, objects with texts alone", texts), ("pynmea2, fields as numbers", numbers)):
        wall, cpu = (min(t[k] for t in times) for k in (0, 1))
        print(f"{name:33s}{wall:8.1f} s   processor {cpu:6.1f} s   assess takes {own[0] / wall:.2f} of it, processor {own[1] / cpu:.2f}")
    print(f"assess, whole                    {own[0]:8.1f} s   processor {own[1]:6.1f} s")
    print(f"peak memory over the input       {max(c.times_input(size) for c in costs):8.1f}")


if __name__ == "__main__":
    main()
