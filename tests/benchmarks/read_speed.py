"""Time the NMEA reader against a pynmea2 loop that fills the same columns, in one run, and measure its memory.

Usage: ``python tests/benchmarks/read_speed.py [--sentences N] [--loop-sentences N] [--memory-mb N] [--columns-only]
[--json]``

Both sides start from the same file, verify every checksum and fill the same float columns of GGA, RMC and GST. The loop
runs on the first `--loop-sentences` sentences and is scaled by their number (its cost is one constant per sentence);
by default it runs on all. Of both the wall time and the processor time of all threads are given; the latter counts on
a machine that is shared, and is what the nanoseconds per byte at several lengths mean. Peak memory is that of a process of its own, above the same process idle after its imports.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import reduce
from operator import xor
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

LINEAR_SIZES = (0.25, 0.5, 1.0)
ROUNDS = 3


def sentence(body: str) -> str:
    """Return `body` with ``$``, checksum and line end."""
    return f"${body}*{reduce(xor, body.encode(), 0):02X}\r\n"


def generate(path: Path, sentences: int) -> None:
    """Write a drive of GGA, RMC and GST at 10 Hz, `sentences` in all; the same bytes every time."""
    with path.open("w", newline="") as out:
        for epoch in range((sentences + 2) // 3):
            tenth = epoch % 864000
            clock = f"{tenth // 36000:02d}{tenth // 600 % 60:02d}{tenth // 10 % 60:02d}.{tenth % 10}0"
            day = 1 + epoch // 864000
            latitude = f"48{(epoch * 0.000413) % 60:010.7f}"
            longitude = f"009{(epoch * 0.000271) % 60:010.7f}"
            place = f"{latitude},N,{longitude},E"
            height = 300 + epoch % 5000 / 100
            speed = epoch % 7000 / 100
            out.write(sentence(
                f"GNGGA,{clock},{place},4,{12 + epoch % 9:02d},0.{5 + epoch % 5},{height:.3f},M,47.535,M,"
                f"{1 + epoch % 10 / 10:.1f},0031"))
            out.write(sentence(f"GNRMC,{clock},A,{place},{speed:.3f},{epoch % 36000 / 100:.2f},{day:02d}0624,,,R,V"))
            out.write(sentence(f"GNGST,{clock},{1 + epoch % 9 / 10:.1f},0.0{10 + epoch % 20},0.011,"
                               f"{epoch % 1800 / 10:.1f},0.012,0.0{10 + epoch % 15},0.02{epoch % 10}"))


def loop(path: Path, limit: int) -> tuple[float, float, int]:
    """Parse with pynmea2 and convert to floats; return wall time [s], CPU time [s] and the number of sentences."""
    import pynmea2

    def number(text: object) -> float:
        return float(text) if text not in (None, "") else float("nan")  # type: ignore[arg-type]

    columns: dict[str, list[list[float]]] = {"GGA": [], "RMC": [], "GST": []}
    started, busy = time.perf_counter(), time.process_time()
    count = 0
    with path.open(encoding="ascii") as stream:
        for line in stream:
            if count >= limit:
                break
            count += 1
            m = pynmea2.parse(line, check=True)
            t = m.timestamp
            day_s = t.hour * 3600 + t.minute * 60 + t.second + t.microsecond / 1e6
            if m.sentence_type == "GGA":
                columns["GGA"].append([
                    day_s, m.latitude, m.longitude, number(m.gps_qual), number(m.num_sats),
                    number(m.horizontal_dil), number(m.altitude), number(m.geo_sep), number(m.age_gps_data),
                    number(m.ref_station_id)])
            elif m.sentence_type == "RMC":
                columns["RMC"].append([
                    day_s, m.latitude, m.longitude, number(m.spd_over_grnd) * 1852 / 3600, number(m.true_course),
                    float(m.datestamp.toordinal() - 719163)])
            else:
                columns["GST"].append([
                    day_s, number(m.rms), number(m.std_dev_major), number(m.std_dev_minor), number(m.orientation),
                    number(m.std_dev_latitude), number(m.std_dev_longitude), number(m.std_dev_altitude)])
    return time.perf_counter() - started, time.process_time() - busy, count


def read_text_file(path: Path) -> object:
    """Read the file into columns and ledger."""
    from analyzer.parsers.nmea_text import blocks_of, read_text

    return read_text(blocks_of(path))


def read_whole(path: Path) -> object:
    """Read the file into a recording, epochs included."""
    import analyzer

    return analyzer.read(path)


def best(function: Callable[[Path], object], path: Path, rounds: int = ROUNDS) -> tuple[float, float]:
    """Return the shortest wall time and the shortest CPU time of all threads [s] of `rounds` runs."""
    walls, cpus = [], []
    for _ in range(rounds):
        started, busy = time.perf_counter(), time.process_time()
        function(path)
        walls.append(time.perf_counter() - started)
        cpus.append(time.process_time() - busy)
    return min(walls), min(cpus)


_CHILD = """
import sys, threading, time
sys.path.insert(0, {root!r})
import psutil
import numpy, pandas, pyarrow
import importlib.util
import tests_read_speed as bench
here = psutil.Process()
function = getattr(bench, {name!r})
if {name!r} == "read_whole":
    import analyzer
else:
    import analyzer.parsers.nmea_text
idle = here.memory_info().rss
peak, stop = idle, False
def watch():
    global peak
    while not stop:
        peak = max(peak, here.memory_info().rss)
        time.sleep(0.002)
watcher = threading.Thread(target=watch)
watcher.start()
kept = function(bench.Path({path!r}))
stop = True
watcher.join()
print(idle, max(peak, here.memory_info().rss))
"""


def memory_ratio(path: Path, name: str) -> float:
    """Return the peak memory of reading `path`, above the idle imported process, over the size of the file."""
    code = _CHILD.format(root=str(ROOT), path=str(path), name=name).replace(
        "import tests_read_speed as bench",
        f"spec = importlib.util.spec_from_file_location('bench', {str(Path(__file__))!r})\n"
        "bench = importlib.util.module_from_spec(spec)\nspec.loader.exec_module(bench)")
    run = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    idle, peak = map(int, run.stdout.split())
    return (peak - idle) / path.stat().st_size


def measure(sentences: int, loop_sentences: int, memory_mb: float, columns_only: bool = False) -> dict[str, float]:
    """Run everything once and return the figures."""
    reader, name = (read_text_file, "read_text_file") if columns_only else (read_whole, "read_whole")
    figures: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "drive.nmea"
        generate(path, sentences)
        figures["file_mb"] = path.stat().st_size / 1e6
        wall, cpu, count = loop(path, min(loop_sentences, sentences))
        figures["pynmea2_s"], figures["pynmea2_cpu_s"] = wall * sentences / count, cpu * sentences / count
        for part, function in (("columns", read_text_file), ("whole", read_whole)):
            if part == "columns" or reader is read_whole:
                figures[f"{part}_s"], figures[f"{part}_cpu_s"] = best(function, path)
                figures[f"{part}_ratio"] = figures["pynmea2_s"] / figures[f"{part}_s"]
                figures[f"{part}_cpu_ratio"] = figures["pynmea2_cpu_s"] / figures[f"{part}_cpu_s"]
        for share in LINEAR_SIZES:
            part = Path(folder) / f"part_{share}.nmea"
            generate(part, int(sentences * share))
            figures[f"ns_per_byte_at_{share}"] = best(reader, part)[1] / part.stat().st_size * 1e9
        large = Path(folder) / "large.nmea"
        per_sentence = figures["file_mb"] * 1e6 / sentences
        generate(large, int(memory_mb * 1e6 / per_sentence))
        figures["memory_file_mb"] = large.stat().st_size / 1e6
        figures["memory_ratio_columns"] = memory_ratio(large, "read_text_file")
        if reader is read_whole:
            figures["memory_ratio_whole"] = memory_ratio(large, name)
    return figures


def main() -> None:
    """Print the figures."""
    arguments = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    arguments.add_argument("--sentences", type=int, default=1_000_000)
    arguments.add_argument("--loop-sentences", type=int, default=1_000_000)
    arguments.add_argument("--memory-mb", type=float, default=110.0)
    arguments.add_argument("--columns-only", action="store_true", help="leave out epochs: bytes to columns and ledger")
    arguments.add_argument("--json", action="store_true")
    given = arguments.parse_args()
    figures = measure(given.sentences, given.loop_sentences, given.memory_mb, given.columns_only)
    if given.json:
        print(json.dumps(figures))
        return
    for name, value in figures.items():
        print(f"{name:28s} {value:10.3f}")
    part = "columns" if given.columns_only else "whole"
    print(f"The reader is {figures[f'{part}_ratio']:.0f} times as fast as the pynmea2 loop by the clock and needs "
          f"{figures[f'{part}_cpu_ratio']:.0f} times less processor time (required: at least 20).")


if __name__ == "__main__":
    main()
