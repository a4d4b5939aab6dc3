"""Time ``postdrive --help`` and ``--version`` against a bare ``python -c pass``, in turns, in one run.

Usage: ``python tests/benchmarks/start_speed.py [--rounds 20]``
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from pathlib import Path


def best(commands: dict[str, list[str]], rounds: int) -> dict[str, float]:
    """Return the shortest time [s] of each command; they take turns, so that a busy machine slows all alike."""
    times: dict[str, list[float]] = {name: [] for name in commands}
    for _ in range(rounds):
        for name, words in commands.items():
            began = time.perf_counter()
            subprocess.run(words, stdout=subprocess.DEVNULL, check=True)
            times[name].append(time.perf_counter() - began)
    return {name: min(taken) for name, taken in times.items()}


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--rounds", type=int, default=20)
    rounds = parser.parse_args().rounds
    program = str(Path(sys.executable).with_name("postdrive"))
    found = best({"python -c pass": [sys.executable, "-c", "pass"], "postdrive --help": [program, "--help"],
                  "postdrive --version": [program, "--version"]}, rounds)
    bare = found["python -c pass"]
    for name, seconds in found.items():
        print(f"{name:20s} {1000 * seconds:7.1f} ms   {seconds / bare:5.2f} times a bare start (required: at most 4)")


if __name__ == "__main__":
    main()
