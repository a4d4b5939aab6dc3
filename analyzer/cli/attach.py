"""``postdrive attach``: write the quality of positions into a measurement, or check that file and sidecar belong together."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analyzer.cli.arguments import refuse_idle
from analyzer.cli.words import out, say, verb
from analyzer.errors import RefusedError, UsageError

if TYPE_CHECKING:
    from analyzer.attaching.attach import Attached

#: What says how the quality is attached, and nothing of a file that has it.
ONLY_ATTACHING = ("--out", "--columns", "--speed", "--yaw-rate", "--rate-of", "--offset", "--signal-delay", "--tolerance", "--bus", "--overwrite")

#: Why a row of the measurement has no quality, by the counts of `Attached.rows`.
WITHOUT = {
    "not_judged": "lie within the recording, where the result has neither fix state nor trust (its report says what was not recorded)",
    "outside": "lie outside the recording", "in_gaps": "in its gaps", "without_time": "have no time",
}


def add_parser(verbs: Any) -> None:
    """Add the verb."""
    parser = verb(verbs, "attach", "write the quality of positions into a measurement, after proving that the clocks agree")
    parser.add_argument("paths", nargs="*", metavar="RESULT… MEASUREMENT", type=Path,
                        help="result folder (several that follow one another for one measurement), then the measurement: "
                             "delimited text, Parquet or ASAM MDF 4")
    parser.add_argument("--out", metavar="FILE", type=Path, help="file to write; FILE.quality.json is written beside it")
    parser.add_argument("--columns", metavar="F", action="append", default=[], help="column map of the measurement (see: postdrive columns)")
    parser.add_argument("--speed", metavar="NAME", help="column or channel of the speed, over that of the column map")
    parser.add_argument("--yaw-rate", metavar="NAME", help="column or channel of the yaw rate, over that of the column map")
    parser.add_argument("--rate-of", metavar="NAME", help="channel of a measurement file whose time base the quality gets; default the speed's")
    parser.add_argument("--offset", metavar="auto|S", help="take out the offset that is found, or S seconds (measurement's clock minus "
                        "recording's), instead of refusing where the clocks disagree")
    parser.add_argument("--signal-delay", metavar="S", type=float, help="delay of the speed signal itself, in seconds")
    parser.add_argument("--tolerance", metavar="S", type=float, help="hold an epoch for so many seconds; default 1.5 intervals")
    parser.add_argument("--bus", metavar="F", type=Path, help="bus description for raw bus recordings")
    parser.add_argument("--overwrite", action="store_true", help="replace an existing file")
    parser.add_argument("--check", metavar="FILE", type=Path, help="only say whether FILE and its sidecar belong together")
    parser.add_argument("--quiet", action="store_true", help="no words beside errors")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Attach or check."""
    if args.check is not None:
        return _check(args)
    if len(args.paths) < 2:
        raise UsageError("attach: expected a result folder and a measurement, like: postdrive attach RESULT MEASUREMENT --out FILE.")
    if args.out is None:
        raise UsageError("attach: --out FILE is missing; name the file to write.")
    from analyzer.attaching.attach import attach
    from analyzer.parsers.column_map import load_column_map

    made = attach(
        args.paths[:-1], args.paths[-1], out=args.out, maps=[load_column_map(Path(c)) for c in args.columns], speed=args.speed,
        yaw_rate=args.yaw_rate, rate_of=args.rate_of, offset=args.offset, tolerance_s=args.tolerance,
        signal_delay_s=args.signal_delay, bus=args.bus, overwrite=args.overwrite, say=None if args.quiet else say,
    )
    if not args.quiet:
        _tell(made)
    return 0


def _tell(made: Attached) -> None:
    """Say what was written."""
    from analyzer import wording

    rows = made.rows
    without = [f"{count} {words}" for key, words in WITHOUT.items() if (count := rows[key])]
    say(f"{rows['evaluated']} of {rows['rows']} rows have a quality" + (f"; of the others {wording.listing(without)}" if without else ""))
    if rows["beyond_limit_by_clock"]:
        say(f"{rows['beyond_limit_by_clock']} rows on trusted epochs exceed the limit of the purpose once the uncertainty of the clocks is added: they are doubtful")
    say(f"written: {made.path} and {made.path}.quality.json")


def _check(args: argparse.Namespace) -> int:
    """Say whether file and sidecar belong together; refuse where they do not."""
    from analyzer.attaching.checking import check_attached

    if args.paths:
        raise UsageError("attach: --check FILE takes no result and no measurement; leave them away.")
    refuse_idle(args, "attach", ONLY_ATTACHING, where="with --check, which only looks", instead="leave --check away to attach")
    found = check_attached(args.check)
    for sentence in found.sentences:
        out(sentence)
    if not found.belongs:
        raise RefusedError(f"{args.check}: file and sidecar do not belong together; attach the quality again.")
    return 0
