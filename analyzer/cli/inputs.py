"""The arguments that say what was recorded, shared by the verbs that read logs."""

from __future__ import annotations

import argparse
import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING

from analyzer.cli.words import progress
from analyzer.errors import UsageError

if TYPE_CHECKING:
    from analyzer.drive_files import DriveFiles
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
    from analyzer.whole_drive import setup_of

    return setup_of(drive_files(args))


def read_recording(
    args: argparse.Namespace, setup: Setup | None, *, allow_undated: bool = False, scratch: Scratch | None = None
) -> Recording:
    """Read everything that the arguments name."""
    from analyzer.whole_drive import read_drive

    return read_drive(drive_files(args), setup, allow_undated=allow_undated, scratch=scratch, progress=progress(args.quiet))


def drive_files(args: argparse.Namespace) -> DriveFiles:
    """Return the files of the drive that the arguments name, those for evidence where the verb takes them."""
    from analyzer.drive_files import DriveFiles

    if args.line_rate is not None and args.line_rate < 300:
        raise UsageError(f"--line-rate {args.line_rate}: expected bits per second, like 38400.")

    def more(name: str) -> str | None:
        return _text(getattr(args, name, None))

    return DriveFiles(
        logs=tuple(args.logs),
        setup=_text(args.setup),
        inertial=tuple(args.inertial),
        measurement=tuple(args.measurement),
        corrections=tuple(split_place(c) for c in args.corrections),
        columns=tuple(args.columns),
        bus=_text(args.bus),
        line_rate=args.line_rate,
        date=parse_date(args.date),
        require_checksum=args.require_checksum,
        windows=more("windows"),
        check_points=more("check_points"),
        accept=more("accept"),
        base_log=more("base_log"),
        second_rover=more("second_rover"),
    )


def input_paths(args: argparse.Namespace) -> list[str]:
    """Return every path that is to be read as far as the verb takes it: the files of the drive, purpose, marker, earlier base."""
    paths = [path for _role, path in drive_files(args).by_role()]
    paths += [str(named) for name in ("purpose", "previous") if (named := getattr(args, name, None)) is not None]
    if getattr(args, "windows_from", None) is not None:
        from analyzer.attaching.marker_windows import split_channel

        paths.append(str(split_channel(args.windows_from)[0]))
    return paths


def _text(path: Path | None) -> str | None:
    return None if path is None else str(path)


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
    if at and not path:
        raise UsageError(f"--corrections {text}: the file is missing; expected a file and where it was recorded, like FILE@base.")
    if at and place in ("base", "rover"):
        return path, place
    return text, "unknown"
