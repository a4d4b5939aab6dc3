"""Arguments that bring further evidence and decisions to ``assess``: marks, base log, second rover, accepted windows."""

from __future__ import annotations

import argparse
from pathlib import Path

#: What --accept takes, by key.
ACCEPT = (
    'TOML with your own decisions, one [[entry]] each: action = "accept" (what is doubtful counts as usable) or "exclude" (is not judged); '
    'window = "M03", or start_utc and end_utc like "2026-03-24T09:12:00Z"; by = who decided; reason = why. All stay in every output (a blank file: postdrive setup accept)'
)


def add_evidence_inputs(parser: argparse.ArgumentParser) -> None:
    """Add --check-points, --accept, --base-log and --second-rover."""
    parser.add_argument("--check-points", metavar="F", type=Path, help="CSV with known marks on which the vehicle stood, or which it passed at "
                        "known moments (see: postdrive setup check-points)")
    parser.add_argument("--accept", metavar="F", type=Path, help=ACCEPT)
    parser.add_argument("--base-log", metavar="F", type=Path, help="log of the receiver at the base: its gaps prove outages of the base")
    parser.add_argument("--second-rover", metavar="F", type=Path, help="log of another rover on the same base: corrections lost in both cars were lost at the base")
