"""The command line: one small module per verb, each with ``add_parser(verbs)`` and ``run(args) -> exit code``.

Nothing heavy is imported here or at the top of a verb's module, and of the verbs only the one that was asked for, so that
``--help`` and ``--version`` start at once.
"""

from __future__ import annotations

import argparse
import os
import sys
from importlib import import_module

from analyzer import __version__
from analyzer.cli.arguments import refuse_empty, refuse_repeated
from analyzer.cli.words import flush, out, say, verb
from analyzer.errors import AnalyzerError, OutputError, UsageError

TYPE_CHECKING = False  # known to type checkers; importing typing would lengthen every start
if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import Any, NoReturn

#: The verbs and their lines in the overview, the same as in their modules.
VERBS = {
    "assess": "judge the positions of a drive and write a result folder with a report",
    "inspect": "show formats, time span, rates and the account of every byte; no judgement",
    "explain": "show the whole evidence for one moment, dropout or window of a result",
    "export": "write a result as GeoJSON, KML, GPX, CSV or Parquet and print the file's name",
    "formats": "list the formats that can be read",
    "purposes": "list the purposes that ship with the tool, with limits, reasons and sources",
    "setup": "print a commented blank set-up sheet to fill in",
    "columns": "propose a column map for a table from its names, units and values",
    "attach": "write the quality of positions into a measurement, after proving that the clocks agree",
    "base": "judge a static log at the base: settled, fit to start from, shifted or not",
    "compare": "hold runs against each other: base frames, recurring places, change over days",
    "batch": "assess many drives, skip what is finished, and keep all as one dataset",
    "demo": "make invented drives with known truth, to try the tool on",
}
EPILOG = (
    "exit codes: 0 done; 1 verdict at or below --fail-on, or a drive of a batch failed; 2 wrong usage; 3 input unreadable, undatable or without positions; "
    "4 a fault of ours; 5 output cannot be written; 6 refused because the data forbid the answer"
)
INTERRUPTED = 130
#: Options that take a place, which may lie in the south.
PLACES = ("--base", "--expected")
#: What a value is, by how the help calls it.
NUMBERS = {
    "M": "a length in metres, like 0.1", "S": "a time in seconds, like 1.5", "HZ": "a rate in hertz, like 5",
    "BAUD": "a whole number of bits per second, like 38400", "N": "a whole number, like 2",
}


class OneSentence(argparse.ArgumentParser):
    """A parser whose errors are one sentence."""

    def error(self, message: str) -> NoReturn:
        """Print the sentence and exit with wrong usage."""
        say(f"postdrive: {self._of_number(message) or message}; see {self.prog} --help.")
        self.exit(UsageError.exit_code)

    def _of_number(self, message: str) -> str:
        """Return what was expected where `message` says that a value is no number, else nothing."""
        named, invalid, value = message.partition(": invalid ")
        option = named.removeprefix("argument ").split("/")[0]
        if not invalid or not value.startswith(("float value", "int value")):
            return ""
        kinds = [str(action.metavar) for action in self._actions if option in action.option_strings]
        kind = NUMBERS.get(kinds[0] if kinds else "", "a number")
        given = value.partition(": ")[2]
        return f"{option} {given}: expected {kind}"


def build_parser(only: str | None = None) -> argparse.ArgumentParser:
    """Return the parser of all verbs; with `only` the others know no arguments and their modules are not loaded."""
    parser = OneSentence(
        prog="postdrive",
        description="Judge the positions of a drive after the drive.",
        epilog=EPILOG,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"postdrive {__version__}")
    verbs: Any = parser.add_subparsers(title="commands", metavar="COMMAND", required=True, parser_class=OneSentence)
    for name, line in VERBS.items():
        if only in (None, name):
            import_module(f"analyzer.cli.{name}").add_parser(verbs)
        else:
            verb(verbs, name, line)
    return parser


def say_version() -> None:
    """Print what ``--version`` prints, without building the parser."""
    out(f"postdrive {__version__}")


def with_signed_places(words: Sequence[str]) -> list[str]:
    """Return the arguments with ``--base -33.9,151.2,20`` joined by a sign of equality: a parser takes its minus for an option."""
    joined: list[str] = []
    for word in words:
        if joined and joined[-1] in PLACES and word[:1] == "-" and word[1:2].isdigit():
            joined[-1] += f"={word}"
        else:
            joined.append(word)
    return joined


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code; every expected error is one sentence on stderr."""
    words = with_signed_places(sys.argv[1:] if argv is None else argv)
    # the matrices here are tall and narrow: more threads of linear algebra wait for each other and take the second core
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        return _run(words)
    except AnalyzerError as error:
        say(f"postdrive: {error}")
        return error.exit_code
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


def _run(words: Sequence[str]) -> int:
    """Run the verb and return its exit code."""
    if words == ["--version"]:
        say_version()
        return 0
    refuse_empty(words)
    asked = next((w for w in words if not w.startswith("-")), "")
    try:
        args, beyond = build_parser(asked).parse_known_args(words)
    except SystemExit as stop:
        flush()
        return int(stop.code or 0)
    if beyond:
        raise UsageError(f"{asked}: not known: {' '.join(beyond)}; postdrive {asked} --help shows what it takes.")
    refuse_repeated(words, args)
    return int(args.func(args))
