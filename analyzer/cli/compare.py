"""``postdrive compare``: hold the results of several runs against each other."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analyzer.cli.base import parse_place
from analyzer.cli.words import out, progress, say, verb
from analyzer.errors import RefusedError, UsageError

if TYPE_CHECKING:
    from analyzer.comparing.result import Comparison


def add_parser(verbs: Any) -> None:
    """Add the verb."""
    parser = verb(verbs, "compare", "hold runs against each other: base frames, recurring places, change over days")
    parser.add_argument("results", metavar="DIR", nargs="+", type=Path, help="result folders of assess, two or more; or the results of a batch")
    _add_evidence(parser)
    parser.add_argument(
        "--require-comparable",
        action="store_true",
        help="exit 6 where the runs do not share one base frame as they stand or as aligned, or their antenna offset differs",
    )
    parser.add_argument("--out", metavar="DIR", type=Path, required=True, help="result folder to make")
    parser.add_argument(
        "--overwrite", action="store_true", help="move an existing result folder aside and write a new one"
    )
    parser.add_argument("--json", action="store_true", help="print comparison.json to stdout as well")
    parser.add_argument("--quiet", action="store_true", help="no words beside errors")
    parser.set_defaults(func=run)


def _add_evidence(parser: argparse.ArgumentParser) -> None:
    """Add what is known of bases and marks beside the results, and what to do with the shifts."""
    parser.add_argument(
        "--base",
        metavar="[RUN=]LAT,LON,H|DIR",
        action="append",
        default=[],
        help="base coordinates of a run or of all, or a result folder of a log at the base",
    )
    parser.add_argument(
        "--align-to",
        metavar="RUN",
        help="shift all runs to this one by the estimated base difference before places are compared",
    )
    parser.add_argument(
        "--check-points", metavar="F", action="append", type=Path, default=[], help="marks the vehicle stood on, CSV"
    )
    parser.add_argument(
        "--repeatability",
        metavar="M",
        type=float,
        help="1-sigma per axis of a stand from day to day, in metres; default 0.008",
    )


def run(args: argparse.Namespace) -> int:
    """Compare and write; refuse afterwards where comparable runs were required."""
    from analyzer.comparing.compare import compare
    from analyzer.comparing.write import write_comparison
    from analyzer.results.dataset import expanded
    from analyzer.results.folder import COMPARISON, refuse_existing

    inputs = [*args.results, *args.check_points, *(text.rpartition("=")[2] for text in args.base)]
    refuse_existing(args.out, overwrite=args.overwrite, mark=COMPARISON, inputs=inputs)
    if args.repeatability is not None and not args.repeatability > 0:
        raise UsageError(f"--repeatability {args.repeatability:g}: expected a length above 0 m.")
    folders = expanded(args.results)
    progress(args.quiet)(f"comparing {len(folders)} runs")
    comparison = compare(
        folders,
        base=_bases(args.base),
        align_to=args.align_to,
        check_points=_marks(args.check_points),
        repeatability_m=args.repeatability,
    )
    aside = write_comparison(comparison, args.out, overwrite=args.overwrite)
    _tell(comparison, args, aside)
    _refuse_incomparable(comparison, args)
    return 0


def _tell(comparison: Comparison, args: argparse.Namespace, aside: Path | None) -> None:
    """Print the answer, and where it stands."""
    if args.json:
        out(json.dumps(comparison.to_dict(), indent=1, ensure_ascii=False, allow_nan=False))
    else:
        out("\n".join(comparison.sentences))
    if not args.quiet:
        if aside is not None:
            say(f"the older result now stands in {aside}")
        say(f"report to open: {args.out / 'report.html'}")


def _refuse_incomparable(comparison: Comparison, args: argparse.Namespace) -> None:
    """Refuse runs that do not share one base frame, where that was required."""
    accepted = ("comparable", "comparable_after_shift") if args.align_to else ("comparable",)
    if args.require_comparable and (comparison.level not in accepted or comparison.frames.offset_differs_m()):
        raise RefusedError(
            f"{comparison.sentences[0].rstrip('.')} ({comparison.level.replace('_', ' ')}); see "
            f"{args.out / 'report.html'} "
            "for the evidence, and "
            + (
                "leave out the runs whose antenna offset differs."
                if comparison.frames.offset_differs_m()
                else "use --align-to where the shift is known."
            )
        )


def _bases(texts: list[str]) -> Any:
    """Return what --base names in the form that `compare` takes."""
    named: dict[str, Any] = {}
    folders: list[str] = []
    for text in texts:
        name, _, value = text.rpartition("=")
        if not name and Path(value).is_dir():
            folders.append(value)
            continue
        key = name or "*"
        if key in named:
            raise UsageError(f"--base {text}: the base of {name or 'all runs'} is given twice; give it once.")
        named[key] = (
            value if name and Path(value).is_dir() else parse_place(value, f"--base {name + '=' if name else ''}")
        )
    if folders and named:
        raise UsageError(
            "--base: folders of base results without a run and coordinates are mixed; write RUN=DIR for the folders."
        )
    return named or folders or None


def _marks(paths: list[Path]) -> Any:
    """Return all check points of the files, or None."""
    import pandas as pd

    from analyzer.userfiles.tabular import read_check_points

    held = [table for table in map(read_check_points, paths) if len(table)]
    if paths and not held:
        raise UsageError(f"--check-points {paths[0]}: it holds no check point, only a header; add one line per mark, or leave it out.")
    return pd.concat(held, ignore_index=True) if held else None
