"""The command line: one small module per verb, each with ``add_parser(verbs)`` and ``run(args) -> exit code``.

Nothing heavy is imported here or at the top of a verb's module, so that ``--help`` starts at once.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import NoReturn

from analyzer import __version__
from analyzer.cli.words import say
from analyzer.errors import AnalyzerError, OutputError, UsageError

VERBS = (
    "assess", "inspect", "explain", "export", "formats", "purposes", "setup", "columns", "attach", "base", "compare", "batch", "demo",
)
EPILOG = (
    "exit codes: 0 done; 1 verdict at or below --fail-on, or a drive of a batch failed; 2 wrong usage; 3 input unreadable, undatable or without positions; "
    "4 a fault of ours; 5 output cannot be written; 6 refused because the data forbid the answer"
)
INTERRUPTED = 130


class OneSentence(argparse.ArgumentParser):
    """A parser whose errors are one sentence."""

    def error(self, message: str) -> NoReturn:
        """Print the sentence and exit with wrong usage."""
        say(f"postdrive: {message}; see {self.prog} --help.")
        self.exit(UsageError.exit_code)


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of all verbs."""
    parser = OneSentence(
        prog="postdrive",
        description="Judge the positions of a drive after the drive.",
        epilog=EPILOG,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"postdrive {__version__}")
    verbs = parser.add_subparsers(title="commands", metavar="COMMAND", required=True, parser_class=OneSentence)
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
        code = int(args.func(args))
        sys.stdout.flush()
        return code
    except AnalyzerError as error:
        say(f"postdrive: {error}")
        return error.exit_code
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        say("postdrive: interrupted; nothing was left behind.")
        return INTERRUPTED
    except OSError as error:
        if os.environ.get("POSTDRIVE_DEBUG"):
            raise
        say(f"postdrive: {error.filename or 'the output'}: {error.strerror or error}; check the place and its permissions.")
        return OutputError.exit_code
    except Exception as error:
        if os.environ.get("POSTDRIVE_DEBUG"):
            raise
        say(
            f"postdrive: a fault of ours ({type(error).__name__}: {error}); "
            "set POSTDRIVE_DEBUG=1, run again and report the traceback."
        )
        return AnalyzerError.exit_code
