"""Arguments that bring further evidence and decisions to ``assess``: marks, base log, second rover, accepted windows."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from analyzer.cli.words import progress
from analyzer.errors import InputError, UsageError

if TYPE_CHECKING:
    import pandas as pd

    from analyzer.recording import Recording
    from analyzer.userfiles.accept import Decision


@dataclass(frozen=True)
class EvidenceInputs:
    """What the arguments brought; None and empty where not given."""

    check_points: pd.DataFrame | None = None
    decisions: tuple[Decision, ...] = ()
    base_log: Recording | None = None
    second_rover: Recording | None = None


def add_evidence_inputs(parser: argparse.ArgumentParser) -> None:
    """Add --check-points, --accept, --base-log and --second-rover."""
    parser.add_argument("--check-points", metavar="F", type=Path, help="CSV with known marks on which the vehicle stood")
    parser.add_argument("--accept", metavar="F", type=Path, help="TOML with windows to accept and stretches to exclude, by whom and why")
    parser.add_argument("--base-log", metavar="F", type=Path, help="log of the receiver at the base: its gaps prove outages of the base")
    parser.add_argument("--second-rover", metavar="F", type=Path, help="log of another rover on the same base: corrections lost in both cars were lost at the base")


def read_decisions(args: argparse.Namespace) -> tuple[Decision, ...]:
    """Return the decisions of --accept; a faulty file is refused before any log is read."""
    from analyzer.userfiles.accept import read_accept

    return read_accept(args.accept) if args.accept else ()


def read_marks(args: argparse.Namespace) -> pd.DataFrame | None:
    """Return the check points of --check-points."""
    from analyzer.userfiles.tabular import read_check_points

    return read_check_points(args.check_points) if args.check_points else None


def read_evidence_inputs(args: argparse.Namespace) -> EvidenceInputs:
    """Read everything that the arguments name: first the user's own files, then the logs.

    Raises
    ------
    UsageError : a file of the user is faulty, or a base log comes together with base coordinates.
    InputError : a log cannot be read or holds no epochs.
    """
    if args.base_log is not None and getattr(args, "base", None):
        raise UsageError("assess: --base and --base-log both say where the base is; give one of them.")
    decisions, marks = read_decisions(args), read_marks(args)
    base_log, second = (_log(args, getattr(args, key), flag) for key, flag in (
        ("base_log", "--base-log"), ("second_rover", "--second-rover")))
    return EvidenceInputs(marks, decisions, base_log, second)


def base_place(base_log: Recording) -> tuple[float, float, float] | None:
    """Return where the base log says the base stands: medians of latitude, longitude [deg] and height [m], or None."""
    from analyzer.evidence.claim import has_position

    placed = base_log.fixes[has_position(base_log.fixes)]
    if not len(placed):
        return None
    height = float(placed["height_m"].median())
    return float(placed["latitude_deg"].median()), float(placed["longitude_deg"].median()), height if height == height else 0.0


def _log(args: argparse.Namespace, path: Path | None, flag: str) -> Recording | None:
    """Read one further log."""
    if path is None:
        return None
    from analyzer.cli.inputs import parse_date
    from analyzer.parsers.reading import read

    found = read([path], date=parse_date(args.date), require_checksum=args.require_checksum, progress=progress(args.quiet))
    if not len(found.fixes):
        raise InputError(f"{flag} {path}: it holds no epochs; expected a log with positions, as the receiver wrote it.")
    return found
