"""What one ``postdrive assess`` costs: time, processor time and peak memory of a process of its own."""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]

_CHILD = """
import json, os, resource, sys, time
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command does before it loads numpy
sys.path.insert(0, {root!r})
import bokeh, jinja2, matplotlib, numpy, pandas, pyarrow, pyproj, scipy, psutil
import analyzer.judging, analyzer.parsers.reading, analyzer.report.html, analyzer.results.write
from analyzer.cli import main
idle = psutil.Process().memory_info().rss
began, busy = time.perf_counter(), time.process_time()
code = main({words!r})
print(json.dumps({{"code": code, "wall_s": time.perf_counter() - began, "cpu_s": time.process_time() - busy, "idle": idle,
                  "peak": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024}}))
"""


@dataclass(frozen=True)
class Cost:
    """Time by the clock and of all threads [s] after the imports; memory [byte] idle after the imports, and at its peak."""

    wall_s: float
    cpu_s: float
    idle: int
    peak: int

    def times_input(self, size: int) -> float:
        """Return the peak above the idle process over the bytes of the input."""
        return (self.peak - self.idle) / size


def assess(log: Path, *more: str) -> Cost:
    """Assess `log` with the further arguments `more`, with evidence, bound, report and everything that is written."""
    with tempfile.TemporaryDirectory(dir=log.parent) as folder:
        words = ["assess", str(log), *more, "--quiet", "--out", str(Path(folder) / "result")]
        code = _CHILD.format(root=str(ROOT), words=words)
        run = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    found = json.loads(run.stdout.splitlines()[-1])
    if found.pop("code"):
        raise SystemExit(f"assess failed: {run.stderr}")
    return Cost(**found)


def inertial_words(folder: Path) -> list[str]:
    """Return the arguments that add the inertial table of a simulated drive."""
    return ["--inertial", str(folder / "inertial.csv"), "--columns", str(folder / "inertial_columns.toml")]
