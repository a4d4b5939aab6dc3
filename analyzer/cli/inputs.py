"""The arguments that say what was recorded, shared by the verbs that read logs."""

from __future__ import annotations

import argparse
import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING

from analyzer.cli.words import progress
from analyzer.errors import UsageError

if TYPE_CHECKING:
    from analyzer.recording import Recording
    from analyzer.scratch import Scratch
    from analyzer.userfiles.setup_sheet import Setup


#: First day of GPS time; no receiver log is older.
GPS_BEGAN = dt.date(1980, 1, 6)


def add_inputs(parser: argparse.ArgumentParser) -> None:
    """Add what every reading verb takes."""
    parser.add_argument(
        "logs", nargs="+", metavar="LOG", help="rover log: file, folder, archive, or - for standard input"
    )
    parser.add_argument("--setup", metavar="F", type=Path, help="set-up sheet (see: postdrive setup)")
    parser.add_argument("--inertial", metavar="F", action="append", default=[], help="inertial table")
    parser.add_argument(
        "--measurement", metavar="F", action="append", default=[], help="measurement of the acquisition system"
    )
    parser.add_argument(
        "--corrections",
        metavar="F[@base|@rover]",
        action="append",
        default=[],
        help="recorded corrections and where they were recorded",
    )
    parser.add_argument(
        "--columns", metavar="F", action="append", default=[], help="column map for a table (see: postdrive columns)"
    )
    parser.add_argument("--bus", metavar="F", type=Path, help="bus description for raw bus recordings")
    parser.add_argument("--line-rate", metavar="BAUD", type=int, help="bit rate of the line that brings corrections, over the set-up sheet")
    parser.add_argument("--date", metavar="YYYY-MM-DD", help="day of the first epoch, for logs without a date")
    parser.add_argument("--require-checksum", action="store_true", help="set sentences without checksum aside")
    parser.add_argument("--quiet", action="store_true", help="no words beside errors")


def read_setup(args: argparse.Namespace) -> Setup | None:
    """Return the set-up sheet that was named, or None."""
    from dataclasses import replace

    from analyzer.userfiles.setup_sheet import Setup, load_setup

    if args.line_rate is not None and args.line_rate < 300:
        raise UsageError(f"--line-rate {args.line_rate}: expected bits per second, like 38400.")
    setup = load_setup(args.setup) if args.setup else None
    return setup if args.line_rate is None else replace(setup or Setup(), line_rate=args.line_rate)


def read_recording(
    args: argparse.Namespace, setup: Setup | None, *, allow_undated: bool = False, scratch: Scratch | None = None
) -> Recording:
    """Read everything that the arguments name."""
    from analyzer.parsers.column_map import load_column_map
    from analyzer.parsers.reading import read

    if args.bus is not None and not args.bus.is_file():
        raise UsageError(f"--bus {args.bus}: there is no such file; name the bus description.")
    return read(
        args.logs,
        date=parse_date(args.date),
        inertial=args.inertial,
        measurement=args.measurement,
        corrections=[split_place(c) for c in args.corrections],
        maps=[load_column_map(Path(c)) for c in args.columns],
        bus=args.bus,
        solution_kind=(setup.solution_kind if setup else None) or "unknown",
        require_checksum=args.require_checksum,
        allow_undated=allow_undated,
        scratch=scratch,
        progress=progress(args.quiet),
    )


def parse_date(text: str | None) -> dt.date | None:
    """Return a date, or raise UsageError."""
    if text is None:
        return None
    try:
        day = dt.date.fromisoformat(text)
    except ValueError:
        day = dt.date.min
    if day < GPS_BEGAN:
        raise UsageError(f"--date {text}: expected a day like 2026-03-24, not before {GPS_BEGAN} when GPS time began.")
    return day


def split_place(text: str) -> tuple[str, str]:
    """Return path and place of ``FILE@base`` or ``FILE@rover``; without a place: unknown."""
    path, at, place = text.rpartition("@")
    if at and place in ("base", "rover"):
        return path, place
    return text, "unknown"
