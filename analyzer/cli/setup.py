"""``postdrive setup``: a commented blank set-up sheet."""

from __future__ import annotations

import argparse
from typing import Any

from analyzer.cli.words import out, verb


def add_parser(verbs: Any) -> None:
    """Add the verb."""
    verb(verbs, "setup", "print a commented blank set-up sheet to fill in").set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Print the sheet."""
    from analyzer.userfiles.setup_sheet import blank_setup

    out(blank_setup().rstrip("\n"))
    return 0
