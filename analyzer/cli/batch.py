"""``postdrive batch``: assess many drives and keep them as one dataset."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analyzer.cli.arguments import refuse_idle
from analyzer.cli.assess import LEVELS, chosen_purpose, known_zone
from analyzer.cli.words import out, say, table, verb
from analyzer.errors import UsageError

if TYPE_CHECKING:
    from analyzer.batch.find import Defaults, Found
    from analyzer.batch.pace import Pace
    from analyzer.batch.run import BatchResult
    from analyzer.batch.workers import Workers

_BAR = 24
#: What says how drives are assessed and told, and nothing of which drives there are.
ONLY_ASSESSING = ("--jobs", "--cluster", "--purpose", "--limit", "--time-zone", "--pdf", "--again", "--json", "--fail-on")


def add_parser(verbs: Any) -> None:
    """Add the verb."""
    parser = verb(verbs, "batch", "assess many drives, skip what is finished, and keep all as one dataset")
    parser.add_argument(
        "folders", metavar="FOLDER", nargs="+", type=Path,
        help="folder with drives, searched with all folders below; or a log, or a list of drives (drives.toml)",
    )
    parser.add_argument("--out", metavar="RESULTS", type=Path, help="folder of results, new or of an earlier batch; needed unless --list")
    where = parser.add_mutually_exclusive_group()
    where.add_argument("--jobs", metavar="N", type=int, help="processes on this machine; default one per usable core")
    where.add_argument("--cluster", metavar="ADDRESS", help="address of a Dask scheduler that runs, like tcp://10.0.0.5:8786, instead")
    what_for = parser.add_mutually_exclusive_group()
    what_for.add_argument("--purpose", metavar="P", help="what all positions are for: a name (see: postdrive purposes) or a TOML file; default lane, 0.10 m")
    what_for.add_argument("--limit", metavar="M", type=float, help="one horizontal 95 %% limit in metres instead of a purpose")
    parser.add_argument("--setup", metavar="F", type=Path, help="set-up sheet for drives that have none of their own")
    parser.add_argument("--check-points", metavar="F", type=Path, help="known marks for drives that have none of their own")
    parser.add_argument("--columns", metavar="F", action="append", default=[], help="column map for tables of all drives")
    parser.add_argument("--require-checksum", action="store_true", help="set sentences without checksum aside")
    parser.add_argument("--time-zone", metavar="NAME", help="zone for local times beside UTC in the reports, like Europe/Berlin")
    parser.add_argument("--pdf", action="store_true", help="write report.pdf of every drive as well")
    parser.add_argument("--again", action="store_true", help="assess finished drives too")
    parser.add_argument("--list", action="store_true", help="list the drives with their files and end")
    parser.add_argument("--json", action="store_true", help="print the rows of all drives as JSON instead of a table")
    parser.add_argument("--fail-on", choices=("never", *LEVELS), default="never", help="exit 1 where the verdict of a drive is this level or worse")
    parser.add_argument("--quiet", action="store_true", help="no words beside errors")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Assess; return 1 where a drive failed or its verdict is at or below --fail-on."""
    from analyzer.batch.find import find_drives
    from analyzer.batch.run import run_batch
    from analyzer.batch.task import Options

    if args.list:
        refuse_idle(args, "batch", ONLY_ASSESSING, where="with --list, which only looks", instead="leave --list away to assess")
    if args.jobs is not None and args.jobs < 1:
        raise UsageError(f"--jobs {args.jobs}: expected 1 and more.")
    known_zone(args.time_zone)
    purpose = None if args.purpose is None and args.limit is None else chosen_purpose(args.purpose, args.limit)
    defaults = _defaults(args)
    if args.list:
        _list(find_drives(args.folders, defaults))
        return 0
    if args.out is None:
        raise UsageError("batch: --out RESULTS is missing; name the folder of results, or pass --list to only look.")
    teller = _Teller(quiet=args.quiet)
    try:
        done = run_batch(
            args.folders, args.out, workers=_workers(args), purpose=purpose, defaults=defaults,
            options=Options(pdf=args.pdf, time_zone=args.time_zone), again=args.again, progress=teller,
        )
    except KeyboardInterrupt:
        teller.end()
        say(f"postdrive: interrupted; finished drives stand in {args.out}, the same command goes on from there.")
        return 130
    teller.end()
    return _told(done, args)


def _workers(args: argparse.Namespace) -> AbstractContextManager[Workers]:
    from analyzer.batch.cluster import Cluster
    from analyzer.batch.local import LocalProcesses, usable_cores

    if args.cluster is not None:
        return Cluster(args.cluster)
    return LocalProcesses(args.jobs or usable_cores())


def _defaults(args: argparse.Namespace) -> Defaults:
    """Return what serves all drives; a faulty file is refused before anything is searched."""
    from analyzer.batch.find import Defaults
    from analyzer.parsers.column_map import load_column_map
    from analyzer.userfiles.setup_sheet import load_setup
    from analyzer.userfiles.tabular import read_check_points

    checks: list[tuple[Path | None, Callable[[Path], object]]] = [
        (args.setup, load_setup), (args.check_points, read_check_points), *((Path(c), load_column_map) for c in args.columns),
    ]
    for path, check in checks:
        if path is not None:
            check(path)
    return Defaults(
        setup=_absolute(args.setup), check_points=_absolute(args.check_points),
        columns=tuple(str(Path(c).absolute()) for c in args.columns), require_checksum=args.require_checksum, not_within=args.out,
    )


def _absolute(path: Path | None) -> str | None:
    return None if path is None else str(path.absolute())


def _list(found: Found) -> None:
    """Print the drives and their files."""
    for drive in found.drives:
        out(f"{drive.name}" + (f" (purpose {drive.purpose})" if drive.purpose else ""))
        for role, path in drive.files.by_role():
            out(f"    {role:18s} {path}")
    for note in found.notes:
        say(note)


def _told(done: BatchResult, args: argparse.Namespace) -> int:
    """Print the summary and return the exit code."""
    from analyzer.batch.overview import PAGE
    from analyzer.batch.run import repeated_words

    if args.json:
        out(json.dumps([dict(r) for r in done.rows], indent=1, ensure_ascii=False))
    elif done.rows:
        out(table(_lines(done), ("run", "date", "verdict", "trusted", "fixed", "age p95", "dropouts", "again", "")))
        for footnote in _footnotes(done):
            out(footnote)
    for drive in done.failed:
        say(f"{drive.name}: failed: {drive.sentence}")
        if drive.details and not args.quiet:
            say(drive.details.rstrip())
    if not args.quiet:
        for note in (*done.notes, *map(repeated_words, done.repeated)):
            say(note)
        say(f"{len(done.assessed)} drives assessed, {len(done.finished_before)} finished before, {len(done.failed)} failed; results in {args.out}, "
            f"open {args.out / PAGE}")
    bad = args.fail_on != "never" and any(LEVELS.index(r["verdict"]) >= LEVELS.index(args.fail_on) for r in done.rows)
    return 1 if done.failed or bad else 0


def _lines(done: BatchResult) -> list[list[str]]:
    """Return the rows of the summary table."""
    new = {r["run"] for r in done.assessed}

    def share(value: float | None) -> str:
        return "" if value is None else f"{100 * value:.1f} %"

    def seconds(value: float | None) -> str:
        return "" if value is None else f"{value:.1f} s"

    return [
        [r["run"], r["date"], r["verdict"].replace("_", " ") + (" *" if r.get("damage") else ""), share(r["share_trusted"]), share(r.get("share_time_fixed")),
         seconds(r.get("age_p95_s")), str(r["dropouts"]), f"{r['windows_to_repeat']} of {r['windows']}" if r["windows"] else "",
         "" if r["run"] in new else "finished before"]
        for r in done.rows
    ]


def _footnotes(done: BatchResult) -> list[str]:
    """Return what a reader of the table must know: which run ids stand for which of several alike names, and what is damaged."""
    from analyzer.batch.store import digits_of

    alike = {r["run"].removesuffix(f"-{digits_of(r['place'])}") for r in done.rows if r["run"].endswith(f"-{digits_of(r['place'])}")}
    named = [f"{r['run']} is {r['place']}" for r in done.rows if any(r["run"] in (a, f"{a}-{digits_of(r['place'])}") for a in alike)]
    return [*named, *(f"* {r['run']}: judged without what is damaged or was not read: {r['damage']}." for r in done.rows if r.get("damage"))]


class _Teller:
    """Shows progress on stderr: a bar that is redrawn on a terminal, else one line per drive."""

    def __init__(self, *, quiet: bool) -> None:
        self._quiet = quiet
        self._bar = sys.stderr.isatty()
        self._width = 0

    def __call__(self, pace: Pace) -> None:
        """Show the state."""
        if self._quiet:
            return
        if pace.last:
            self.end()
            say(f"{pace.last}; {pace.words()}" if not self._bar else pace.last)
        if self._bar:
            full = round(_BAR * pace.ended / max(pace.drives, 1))
            text = f"[{'#' * full}{'.' * (_BAR - full)}] {pace.words()}"
            sys.stderr.write("\r" + text.ljust(self._width))
            sys.stderr.flush()
            self._width = len(text)

    def end(self) -> None:
        """Clear the bar."""
        if self._bar and self._width:
            sys.stderr.write("\r" + " " * self._width + "\r")
            sys.stderr.flush()
            self._width = 0
