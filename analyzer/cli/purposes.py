"""``postdrive purposes``: what positions can be judged for, with limits, reasons and sources."""

from __future__ import annotations

import argparse
import json
from dataclasses import asdict
from typing import Any

from analyzer.cli.words import out, verb


def add_parser(verbs: Any) -> None:
    """Add the verb."""
    parser = verb(verbs, "purposes", "list the purposes that ship with the tool, with limits, reasons and sources")
    shown = parser.add_mutually_exclusive_group()
    shown.add_argument("--json", action="store_true", help="print as JSON")
    shown.add_argument("--blank", action="store_true", help="print a commented purpose to fill in, which shows every key")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Print every purpose."""
    from analyzer.verdict.purposes import blank_purpose, load_purpose, shipped_purposes

    if args.blank:
        out(blank_purpose().rstrip("\n"))
        return 0
    purposes = [load_purpose(name) for name in shipped_purposes()]
    if args.json:
        out(json.dumps([asdict(p) for p in purposes], indent=1, ensure_ascii=False))
        return 0
    for purpose in purposes:
        out(f"{purpose.name}: {purpose.title}")
        for limit in purpose.limits:
            read = {"95": "95 %", "sigma": "1 sigma", "rms": "RMS"}[limit.read_as]
            out(
                f"  {limit.quantity} {limit.axis if limit.axis != limit.quantity else ''}".rstrip()
                + f" {limit.value:g} {limit.unit} ({read}): {limit.reason}"
            )
            out(f"    source: {limit.source}")
        extra = [
            (purpose.largest_age_s, "largest age {:g} s"),
            (purpose.least_rate_hz, "least rate {:g} Hz"),
            (purpose.least_satellites, "least satellites {:g}"),
        ]
        for value, text in extra:
            if value is not None:
                out("  " + text.format(value))
    out("Own purposes: pass a TOML file to --purpose; postdrive purposes --blank prints one to fill in, with every key.")
    return 0
