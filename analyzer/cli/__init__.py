"""The command line: one small module per verb, each with ``add_parser(verbs)`` and ``run(args) -> exit code``.

Nothing heavy is imported here or at the top of a verb's module, so that ``--help`` starts at once.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from importlib import import_module

from analyzer import __version__
from analyzer.errors import AnalyzerError

VERBS = ("assess", "inspect", "formats", "purposes", "setup", "columns", "demo")
EPILOG = (
    "exit codes: 0 done; 1 verdict at or below --fail-on; 2 wrong usage; 3 input unreadable, undatable or without positions; "
    "4 a fault of ours; 5 output cannot be written; 6 refused because the data forbid the answer"
)
INTERRUPTED = 130


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of all verbs."""
    parser = argparse.ArgumentParser(
        prog="postdrive",
        description="Judge the positions of a drive after the drive.",
        epilog=EPILOG,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"postdrive {__version__}")
    verbs = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for verb in VERBS:
        import_module(f"analyzer.cli.{verb}").add_parser(verbs)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code; every expected error is one sentence on stderr."""
    try:
        args = build_parser().parse_args(argv)
    except SystemExit as stop:
        return int(stop.code or 0)
    try:
        return int(args.func(args))
    except AnalyzerError as error:
        print(f"postdrive: {error}", file=sys.stderr)  # noqa: T201
        return error.exit_code
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        print("postdrive: interrupted; nothing was left behind", file=sys.stderr)  # noqa: T201
        return INTERRUPTED
    except Exception as error:
        if os.environ.get("POSTDRIVE_DEBUG"):
            raise
        text = f"postdrive: a fault of ours ({type(error).__name__}: {error}); set POSTDRIVE_DEBUG=1, run again and report the traceback"
        print(text, file=sys.stderr)  # noqa: T201
        return 4
