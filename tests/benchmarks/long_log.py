"""Make long logs quickly: one simulated drive, repeated in time with its clock, dates and checksums set forward.

Usage: ``python tests/benchmarks/long_log.py FOLDER --hours H [--rate 100] [--plain]``

A drive of at most an hour is simulated once; each further copy is the same bytes with the digits of the times and dates
changed and the checksums mended, so that gigabytes take seconds. `--plain` keeps GGA, RMC and GST alone.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

Bytes = NDArray[np.uint8]
HOUR_S = 3600.0
_HEX = np.frombuffer(b"0123456789ABCDEF", dtype=np.uint8)


def make_log(folder: Path, hours: float, *, rate_hz: float = 100.0, inertial: bool = False, plain: bool = False, seed: int = 5) -> Path:
    """Write ``rover.nmea`` (and ``inertial.csv``) of `hours` into `folder`; return the log's path."""
    from analyzer.demo import DriveSpec, make_drive

    span_s = min(HOUR_S, round(hours * HOUR_S))
    make_drive(folder, DriveSpec(
        seed=seed, duration_s=span_s, rate_hz=rate_hz, faults=("radio_shadow", "halls"), sky_sentences=not plain,
        outputs=("inertial",) if inertial else ()))
    log = folder / "rover.nmea"
    if hours * HOUR_S > span_s:
        repeat(log, log, hours)
        if inertial:
            repeat_inertial(folder / "inertial.csv", hours)
    return log


def repeat(source: Path, target: Path, hours: float) -> None:
    """Write the log of one hour `source` as often as `hours` ask for; the last copy is cut at an epoch."""
    content = np.fromfile(source, dtype=np.uint8)
    copies = Copies(content)
    with target.open("wb") as out:
        for number in range(int(np.ceil(hours - 1e-9))):
            share = min(1.0, hours - number)
            out.write(copies.shifted(number)[:copies.cut(share)])


class Copies:
    """A log of one hour whose clock can be set forward by whole hours."""

    def __init__(self, content: Bytes) -> None:
        self.content = content
        starts = np.flatnonzero(content == ord("$"))
        kinds = content[starts[:, None] + np.arange(3, 6)]
        timed = np.zeros(len(starts), dtype=bool)
        for kind in (b"GGA", b"RMC", b"GST"):
            timed |= (kinds == np.frombuffer(kind, dtype=np.uint8)).all(axis=1)
        self.rmc = starts[(kinds == np.frombuffer(b"RMC", dtype=np.uint8)).all(axis=1)]
        self.gga = starts[(kinds == np.frombuffer(b"GGA", dtype=np.uint8)).all(axis=1)]
        self.timed = starts[timed]
        commas, stars = np.flatnonzero(content == ord(",")), np.flatnonzero(content == ord("*"))
        self.date = commas[np.searchsorted(commas, self.rmc) + 8] + 1
        self.star, self.rmc_star = (stars[np.searchsorted(stars, x)] for x in (self.timed, self.rmc))

    def cut(self, share: float) -> int:
        """Return where the copy ends that holds `share` of the epochs."""
        at = round(share * len(self.gga))
        return int(self.gga[at]) if at < len(self.gga) else len(self.content)

    def shifted(self, hours: int) -> Bytes:
        """Return the log `hours` later."""
        out = self.content.copy()
        if not hours:
            return out
        clock = self.timed + 7
        hour = (out[clock].astype(np.int64) - 48) * 10 + out[clock + 1] - 48 + hours
        self._put(out, clock, hour % 24, self.star)
        late = (out[self.rmc + 7].astype(np.int64) - 48) * 10 + out[self.rmc + 8] - 48
        days = (np.asarray((self.content[self.rmc + 7].astype(np.int64) - 48) * 10 + self.content[self.rmc + 8] - 48) + hours - late) // 24
        text = bytes(self.content[self.date[0]:self.date[0] + 6]).decode()
        first = pd.Timestamp(f"20{text[4:]}-{text[2:4]}-{text[:2]}")
        for day in np.unique(days):
            here, moved = days == day, first + pd.Timedelta(days=int(day))
            for place, number in enumerate((moved.day, moved.month, moved.year % 100)):
                self._put(out, self.date[here] + 2 * place, np.full(int(here.sum()), number), self.rmc_star[here])
        return out

    @staticmethod
    def _put(out: Bytes, at: NDArray[np.int64], number: NDArray[np.int64], star: NDArray[np.int64]) -> None:
        """Write two digits at `at` and mend the checksums behind `star`."""
        change = np.zeros(len(at), dtype=np.uint8)
        for place, digit in enumerate((number // 10, number % 10)):
            new = (digit + 48).astype(np.uint8)
            change ^= out[at + place] ^ new
            out[at + place] = new
        old = np.searchsorted(_HEX, out[star + 1]) * 16 + np.searchsorted(_HEX, out[star + 2])
        new = old ^ change
        out[star + 1], out[star + 2] = _HEX[new // 16], _HEX[new % 16]


def repeat_inertial(path: Path, hours: float) -> None:
    """Write the inertial table of one hour as often as `hours` ask for."""
    whole = path.read_text(encoding="ascii").splitlines(keepends=True)
    with path.open("w", newline="", encoding="ascii") as out:
        out.write(whole[0])
        for line in _later(whole[1:], hours):
            out.write(line)


def _later(lines: list[str], hours: float) -> Iterator[str]:
    """Yield the lines, whose first value is Unix time, an hour later in each copy."""
    parts = [line.split(",", 1) for line in lines]
    for number in range(int(np.ceil(hours - 1e-9))):
        count = round(min(1.0, hours - number) * len(lines))
        for moment, values in parts[:count]:
            yield f"{float(moment) + HOUR_S * number:.3f},{values}"


def main() -> None:
    """Make the log."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--hours", type=float, required=True)
    parser.add_argument("--rate", type=float, default=100.0)
    parser.add_argument("--plain", action="store_true", help="GGA, RMC and GST alone")
    given = parser.parse_args()
    log = make_log(given.folder, given.hours, rate_hz=given.rate, plain=given.plain)
    print(f"{log}: {log.stat().st_size / 1e6:.0f} MB")


if __name__ == "__main__":
    main()
