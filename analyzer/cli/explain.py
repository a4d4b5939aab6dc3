"""``postdrive explain``: the whole evidence for one moment, dropout or window of a result, in plain words."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analyzer.cli.words import out, verb
from analyzer.errors import UsageError

if TYPE_CHECKING:
    import pandas as pd


def add_parser(verbs: Any) -> None:
    """Add the verb."""
    parser = verb(verbs, "explain", "show the whole evidence for one moment, dropout or window of a result")
    parser.add_argument("result", metavar="DIR", type=Path, help="result folder that assess has written")
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--at", metavar="TIME", help="UTC time like 2026-03-24T09:12:33.4Z, or 09:12:33.4 on a day of the run")
    what.add_argument("--dropout", metavar="N", type=int, help="number of a dropout")
    what.add_argument("--window", metavar="NAME", help="name of a window")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Load the result and print the explanation."""
    from analyzer.results.load import load_result
    from analyzer.verdict.explain import Facts, explain_dropout, explain_time, explain_window

    result = load_result(args.result)
    tables = {name: result.table(name) for name in ("segments", "jumps", "dropouts", "windows", "standstills")}
    judged = result.summary["verdict"]
    decisions = [f["evidence"] for f in judged["findings"] if str(f.get("code")).startswith("decision_")]
    facts = Facts(run=result.run, epochs=result.epochs(), purpose=judged["purpose"], decisions=decisions, **tables)
    if args.dropout is not None:
        out(explain_dropout(facts, args.dropout))
    elif args.window is not None:
        out(explain_window(facts, args.window))
    else:
        out(explain_time(facts, parse_moment(args.at, facts.epochs.index)))
    return 0


def parse_moment(text: str, times: pd.Index) -> pd.Timestamp:
    """Return the UTC time that `text` names; a time of day is on the day on which the run passes it.

    Raises
    ------
    UsageError : `text` is no time, or a time of day that the run passes more than once.
    """
    from analyzer.userfiles.moments import TimeOfDay, read_moment

    found = read_moment(text)
    if found is None:
        raise UsageError(f"--at {text}: expected a UTC time like 2026-03-24T09:12:33Z, or a time of day like 09:12:33.")
    if not isinstance(found, TimeOfDay):
        return found
    moments = found.moments(times[0], times[-1]) if len(times) else []
    if len(moments) > 1:
        raise UsageError(f"--at {text}: the run passes this time of day {len(moments)} times; name the day, like {moments[0]:%Y-%m-%dT%H:%M:%SZ}.")
    if not moments:
        span = f"lasts from {times[0]:%Y-%m-%d %H:%M:%S} to {times[-1]:%Y-%m-%d %H:%M:%S} UTC" if len(times) else "holds no epoch"
        raise UsageError(f"--at {text}: lies outside the run, which {span}; choose a time within it.")
    return moments[0]
