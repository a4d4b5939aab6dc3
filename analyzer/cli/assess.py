"""``postdrive assess``: read a drive, judge it, write a result folder."""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analyzer.cli.arguments import refuse_idle
from analyzer.cli.evidence_inputs import add_evidence_inputs
from analyzer.cli.inputs import add_inputs, drive_files, input_paths
from analyzer.cli.words import out, progress, say, verb
from analyzer.errors import UsageError

if TYPE_CHECKING:
    from analyzer.assessment import Assessment, Purpose
    from analyzer.scratch import Scratch

#: Findings on files that the user wrote, which change what the verdict is about.
SPOKEN = ("windows_empty", "windows_without_zone", "windows_limits_unused", "windows_columns_unused", "check_points_far")
LEVELS = ("fit", "fit_with_exclusions", "not_evaluated", "not_fit")


def add_parser(verbs: Any) -> None:
    """Add the verb."""
    parser = verb(verbs, "assess", "judge the positions of a drive and write a result folder with a report")
    add_inputs(parser)
    add_evidence_inputs(parser)
    parser.add_argument("--base", metavar="LAT,LON,H", help="base coordinates, where no set-up sheet gives them")
    _add_windows_and_purpose(parser)
    parser.add_argument("--out", metavar="DIR", type=Path, help="result folder to make; needed unless --brief")
    parser.add_argument(
        "--overwrite", action="store_true", help="move an existing result folder aside and write a new one"
    )
    parser.add_argument(
        "--brief", action="store_true", help="print verdict, what to drive again and dropouts on one screen"
    )
    parser.add_argument("--time-zone", metavar="NAME", help="zone for local times beside UTC in the report, like Europe/Berlin")
    parser.add_argument("--pdf", action="store_true", help="write report.pdf as well")
    parser.add_argument("--json", action="store_true", help="print summary.json to stdout as well")
    parser.add_argument(
        "--fail-on", choices=("never", *LEVELS), default="never", help="exit 1 where the verdict is this level or worse"
    )
    parser.set_defaults(func=run)


def _add_windows_and_purpose(parser: argparse.ArgumentParser) -> None:
    """Add what is to be judged, and for what."""
    windows = parser.add_mutually_exclusive_group()
    windows.add_argument(
        "--windows", metavar="F", type=Path, help="CSV with manoeuvres (name,start_utc,end_utc) or crossing lines"
    )
    windows.add_argument(
        "--windows-from", metavar="FILE[:CHANNEL]", help="measurement with a marker channel: a window for each run of equal value other than "
        "zero or empty; without CHANNEL the column that the column map calls marker"
    )
    what_for = parser.add_mutually_exclusive_group()
    what_for.add_argument(
        "--purpose",
        metavar="P",
        help="what the positions are for: a name (see: postdrive purposes) or a TOML file; default lane, 0.10 m",
    )
    what_for.add_argument(
        "--limit", metavar="M", type=float, help="one horizontal 95 %% limit in metres instead of a purpose"
    )
    parser.add_argument(
        "--without", metavar="PART[,PART…]", action="append", default=[],
        help="kinds of evidence to leave out, to see what each does; the verdict then says that it is not the full judgement"
    )


def run(args: argparse.Namespace) -> int:
    """Read, judge, write, then print; return 1 where the verdict is at or below --fail-on."""
    from analyzer.whole_drive import assess_files

    _check_output(args)
    known_zone(args.time_zone)
    purpose = chosen_purpose(args.purpose, args.limit)
    files = replace(drive_files(args), base=parse_base(args.base), windows_from=args.windows_from)
    assessment = assess_files(files, purpose=purpose, progress=progress(args.quiet), scratch=_scratch(args.out),
                              without=[name.strip() for text in args.without for name in text.split(",")])
    aside = None if args.out is None else _written(assessment, args)
    _tell(assessment, args, aside)
    return 1 if args.fail_on != "never" and LEVELS.index(assessment.verdict.level) >= LEVELS.index(args.fail_on) else 0


def _check_output(args: argparse.Namespace) -> None:
    """Refuse before anything is read what cannot be written, or would be asked for in vain."""
    from analyzer.results.folder import SUMMARY, refuse_existing

    if args.out is not None:
        refuse_existing(args.out, overwrite=args.overwrite, mark=SUMMARY, inputs=input_paths(args))
        return
    if not args.brief:
        raise UsageError("assess: --out DIR is missing; name the result folder, or pass --brief to only look.")
    refuse_idle(args, "assess", ("--json", "--pdf", "--overwrite", "--time-zone"), where="without a result folder", instead="name one with --out DIR")


def _scratch(out_folder: Path | None) -> Scratch:
    """Return where columns of very long logs go: beside the result, else where the system keeps temporary files."""
    from analyzer.scratch import Scratch

    if out_folder is None:
        return Scratch()
    place = out_folder.absolute().parent
    place.mkdir(parents=True, exist_ok=True)
    return Scratch(place)


def known_zone(name: str | None) -> None:
    """Refuse an unknown time zone before anything is read."""
    from analyzer.wording import Clock

    Clock(name)


def _written(assessment: Assessment, args: argparse.Namespace) -> Path | None:
    """Write the result folder; return where an older one was moved."""
    from analyzer.results.write import write_results

    return write_results(assessment, args.out, overwrite=args.overwrite, pdf=args.pdf, time_zone=args.time_zone)


def _tell(assessment: Assessment, args: argparse.Namespace, aside: Path | None) -> None:
    """Print what was asked for, and where the result stands."""
    if args.brief:
        from analyzer.report.brief import brief

        out(brief(assessment))
    if args.json:
        from analyzer.results.summary import summary

        out(json.dumps(summary(assessment), indent=1, ensure_ascii=False, allow_nan=False))
    if args.quiet:
        return
    for finding in assessment.findings:
        if finding.code in SPOKEN:
            say(finding.text)
    if args.out is None:
        return
    if aside is not None:
        say(f"the older result now stands in {aside}")
    if not args.brief:
        from analyzer import wording

        text = f"verdict: {assessment.verdict.level.replace('_', ' ')}; {'; '.join(assessment.verdict.sentences)}"
        say(wording.one_line(text))
    say(f"report to open: {args.out / 'report.html'}")


def chosen_purpose(name: str | None, limit_m: float | None) -> Purpose:
    """Return the purpose that was named, or one made of a single limit [m]."""
    from analyzer.verdict.purposes import load_purpose, purpose_of_limit

    return purpose_of_limit(limit_m) if limit_m is not None else load_purpose(name or "lane")


def parse_base(text: str | None) -> tuple[float, float, float] | None:
    """Return latitude, longitude [deg] and height [m] of ``LAT,LON,H``."""
    if text is None:
        return None
    try:
        latitude, longitude, height = (float(part) for part in text.split(","))
    except ValueError:
        latitude = 999.0
        longitude = height = 0.0
    if not (abs(latitude) <= 90 and abs(longitude) <= 180 and abs(height) < 20_000):
        raise UsageError(
            f"--base {text}: expected latitude, longitude in degrees and height in metres, like 48.1,11.5,540.2."
        )
    return latitude, longitude, height
