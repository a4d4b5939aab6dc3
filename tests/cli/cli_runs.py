"""Run the command line from tests: in this process, or as a program of its own."""

from __future__ import annotations

import contextlib
import io
import json
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from analyzer.cli import main

ROOT = Path(__file__).resolve().parents[2]


def sentence(body: str) -> str:
    """Return an NMEA sentence with its checksum (NMEA 0183: exclusive or of all characters between $ and *)."""
    check = 0
    for character in body.encode():
        check ^= character
    return f"${body}*{check:02X}\r\n"


def gga(second: int, *, quality: int = 4) -> str:
    """Return a GGA of a vehicle at rest in the middle of nowhere."""
    place = f"4807.00000{second % 10},N,01131.00000{second % 10},E" if quality else ",,,"
    return sentence(f"GPGGA,1200{second:02d}.00,{place},{quality},12,0.8,500.0,M,45.0,M,{1 + second % 2}.0,0001")


@dataclass(frozen=True)
class Ran:
    """Exit code and what was printed."""

    code: int
    out: str
    err: str

    @property
    def sentence(self) -> str:
        """The one line on stderr; fails where there is another number of lines or it does not name the program."""
        lines = self.err.splitlines()
        assert len(lines) == 1, f"expected one line on stderr, got {len(lines)}: {self.err!r}"
        assert lines[0].startswith("postdrive: "), lines[0]
        return lines[0].removeprefix("postdrive: ")


def run(*args: object) -> Ran:
    """Run the command line in this process."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main([str(a) for a in args])
    return Ran(code, out.getvalue(), err.getvalue())


def run_program(*args: object, stdin: bytes | None = None, cwd: Path = ROOT) -> Ran:
    """Run ``python -m analyzer`` as a program of its own."""
    command = [sys.executable, "-m", "analyzer", *map(str, args)]
    done = subprocess.run(command, input=stdin, capture_output=True, cwd=cwd, check=False, timeout=120)
    return Ran(done.returncode, done.stdout.decode(), done.stderr.decode())


@dataclass(frozen=True)
class Result:
    """A result folder, read with nothing of the package under test."""

    folder: Path

    @property
    def summary(self) -> dict[str, Any]:
        """summary.json."""
        content: dict[str, Any] = json.loads((self.folder / "summary.json").read_text(encoding="utf-8"))
        return content

    def metric(self, key: str) -> dict[str, Any]:
        """One metric of summary.json."""
        found = [m for m in self.summary["metrics"] if m["key"] == key]
        assert len(found) == 1, f"{len(found)} metrics are called {key}"
        return dict(found[0])

    def finding(self, code: str) -> dict[str, Any]:
        """The first finding of a code."""
        found = [f for f in self.summary["verdict"]["findings"] if f["code"] == code]
        assert found, f"no finding {code} among {[f['code'] for f in self.summary['verdict']['findings']]}"
        return dict(found[0])

    def arrow(self, name: str = "epochs") -> pa.Table:
        """A Parquet file."""
        return pq.read_table(self.folder / f"{name}.parquet")

    def epochs(self, columns: Sequence[str]) -> pd.DataFrame:
        """Some columns of epochs.parquet."""
        return pq.read_table(self.folder / "epochs.parquet", columns=list(columns)).to_pandas()

    def csv(self, name: str) -> pd.DataFrame:
        """A CSV table as text."""
        return pd.read_csv(self.folder / f"{name}.csv", dtype=str, keep_default_na=False)

    def geojson(self) -> dict[str, Any]:
        """route.geojson."""
        content: dict[str, Any] = json.loads((self.folder / "route.geojson").read_text(encoding="utf-8"))
        return content
