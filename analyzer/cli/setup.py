"""``postdrive setup``: commented blank files to fill in: set-up sheet, known marks, decisions."""

from __future__ import annotations

import argparse
from typing import Any

from analyzer.cli.words import out, verb

#: As in `analyzer.userfiles.setup_sheet.BLANKS`, which help must not load.
FILES = ("setup", "check-points", "accept")


def add_parser(verbs: Any) -> None:
    """Add the verb."""
    parser = verb(verbs, "setup", "print a commented blank set-up sheet to fill in")
    parser.add_argument(
        "file", nargs="?", choices=FILES, default="setup", metavar="FILE",
        help="which blank file: setup (default), check-points (known marks, for --check-points), accept (decisions, for --accept)",
    )
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Print the file."""
    from analyzer.userfiles.setup_sheet import blank

    out(blank(args.file).rstrip("\n"))
    return 0
