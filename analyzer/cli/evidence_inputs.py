"""Arguments that bring further evidence and decisions to ``assess``: marks, base log, second rover, accepted windows."""

from __future__ import annotations

import argparse
from pathlib import Path


def add_evidence_inputs(parser: argparse.ArgumentParser) -> None:
    """Add --check-points, --accept, --base-log and --second-rover."""
    parser.add_argument("--check-points", metavar="F", type=Path, help="CSV with known marks on which the vehicle stood, or which it passed at "
                        "known moments (see: postdrive setup check-points)")
    parser.add_argument("--accept", metavar="F", type=Path, help="TOML with windows to accept and stretches to exclude, by whom and why (see: postdrive setup accept)")
    parser.add_argument("--base-log", metavar="F", type=Path, help="log of the receiver at the base: its gaps prove outages of the base")
    parser.add_argument("--second-rover", metavar="F", type=Path, help="log of another rover on the same base: corrections lost in both cars were lost at the base")
