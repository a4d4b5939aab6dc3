"""``postdrive demo``: make invented drives whose true errors are known."""

from __future__ import annotations

import argparse
import math
from pathlib import Path
from typing import Any

from analyzer.cli.arguments import refuse_idle
from analyzer.cli.words import out, progress, verb
from analyzer.errors import OutputError, UsageError

SEED, DURATION_S, RATE_HZ = 1, 600.0, 10.0
#: What says which drives are made, and nothing of the list of faults.
ONLY_MAKING = ("--seed", "--faults", "--drives", "--duration", "--rate", "--fused", "--files", "--overwrite")


def add_parser(subparsers: Any) -> None:
    """Add the verb."""
    parser = verb(subparsers, "demo", "make invented drives with known truth, to try the tool on")
    parser.add_argument("dir", metavar="DIR", nargs="?", type=Path, help="folder to write into")
    parser.add_argument("--seed", type=int, help=f"the same seed gives the same drives (default {SEED})")
    parser.add_argument("--faults", nargs="+", action="extend", metavar="FAULT", help="faults to plant, see --list; default a mixture")
    parser.add_argument("--drives", type=int, metavar="N", help="make N drives in DIR/d01, DIR/d02 ...; without it, "
                        "one drive in DIR itself")
    parser.add_argument("--duration", type=float, metavar="S", help=f"length of a drive in seconds (default {DURATION_S:g})")
    parser.add_argument("--rate", type=float, metavar="HZ", help=f"rover epochs per second (default {RATE_HZ:g})")
    parser.add_argument("--fused", action="store_true", help="satellites and inertial data in one solution")
    parser.add_argument("--files", nargs="+", action="extend", metavar="KIND", help="further files: corrections inertial "
                        "measurement_csv measurement_parquet measurement_mf4 check_points base_log; default all but "
                        "measurement_mf4")
    parser.add_argument("--list", action="store_true", help="list the faults and end")
    parser.add_argument("--overwrite", action="store_true", help="write into a folder that is not empty")
    parser.add_argument("--quiet", action="store_true", help="no progress")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Make the drives, or list the faults."""
    from analyzer.demo import families, make_drive

    if args.list:
        _refuse_beside_list(args)
        for name, meaning in families().items():
            out(f"{name:20s} {meaning}")
        return 0
    _check(args)
    say = progress(args.quiet)
    specs = _specs(args)
    for number, spec in enumerate(specs, start=1):
        folder = args.dir if args.drives is None else args.dir / f"d{number:02d}"
        say(f"drive {number} of {len(specs)}: {spec.family_name}")
        make_drive(folder, spec)
        out(f"{folder}: {spec.family_name}, {spec.duration_s:g} s at {spec.rate_hz:g} Hz")
    return 0


def _refuse_beside_list(args: argparse.Namespace) -> None:
    """Refuse what has no effect where faults are only listed."""
    if args.dir is not None:
        raise UsageError(f"demo: the folder {args.dir} has no effect with --list, which only lists; leave one of them away.")
    refuse_idle(args, "demo", ONLY_MAKING, where="with --list, which only lists", instead="leave --list away to make drives")


def _check(args: argparse.Namespace) -> None:
    """Refuse drives that cannot be made, and a place that cannot take them."""
    if args.dir is None:
        raise UsageError("no folder given; expected postdrive demo DIR: name the folder to write into.")
    if args.drives is not None and args.drives < 1:
        raise UsageError(f"--drives is {args.drives}; expected 1 and more.")
    if args.drives is not None and not args.faults:
        refuse_idle(args, "demo", ("--fused",), where="with --drives, whose mixture has both kinds of solution", instead="choose --faults too")
    if args.duration is not None and not math.isfinite(args.duration):
        raise UsageError(f"--duration {args.duration}: expected a length in seconds.")
    if args.dir.exists() and not args.dir.is_dir():
        raise OutputError(f"{args.dir} is a file; expected a new or empty folder: choose another name.")
    if args.dir.exists() and any(args.dir.iterdir()) and not args.overwrite:
        raise OutputError(f"{args.dir} is not empty; expected a new or empty folder: choose one or pass --overwrite.")


def _specs(args: argparse.Namespace) -> list[Any]:
    """Return the specifications of the drives that were asked for."""
    from analyzer.demo import DriveSpec, mixed_specs

    names = [name for text in args.faults or [] for name in text.replace(",", " ").split()]
    files = tuple(args.files) if args.files else (
        "corrections", "inertial", "measurement_csv", "measurement_parquet", "check_points", "base_log")
    common: dict[str, Any] = {
        "duration_s": DURATION_S if args.duration is None else args.duration, "rate_hz": RATE_HZ if args.rate is None else args.rate, "outputs": files, "marks": 2, "windows": 14,
        "solution_kind": "fused" if args.fused else "gnss",
    }
    seed = SEED if args.seed is None else args.seed
    if args.drives is None or names:
        kinds = tuple(n for n in names if n != "clean") if names else ("radio_loss", "underpass", "trees")
        return [DriveSpec(seed=seed + k, faults=kinds, run=f"run {k + 1:02d}", **common)
                for k in range(args.drives or 1)]
    del common["solution_kind"]
    return mixed_specs(args.drives, seed=seed, **common)
