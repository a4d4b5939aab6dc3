"""``postdrive columns FILE``: print a proposed column map."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from analyzer.cli.words import out, say, verb

TABLES = ("fixes", "satellites", "attitude", "inertial", "measurement")


def add_parser(verbs: Any) -> None:
    """Add the verb."""
    parser = verb(verbs, "columns", "propose a column map for a table from its names, units and values")
    parser.add_argument("file", metavar="FILE", help="delimited text, Parquet, measurement file; - for standard input")
    parser.add_argument("--bus", type=Path, metavar="F", help="bus description for raw bus recordings")
    parser.add_argument("--table", choices=TABLES, help="what it shall become (default: what its columns speak for)")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Print the proposal to stdout, and what is open to stderr."""
    from analyzer.parsers.column_map_propose import propose_column_map

    proposal = propose_column_map(args.file, bus=args.bus, table=args.table)
    out(proposal.text.rstrip("\n"))
    if proposal.map is None:
        say("the proposal is not complete: fill in the lines marked CHECK before you use it")
    return 0
