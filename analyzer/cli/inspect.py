"""``postdrive inspect``: what was recorded, without judgement."""

from __future__ import annotations

import argparse
import json
from typing import TYPE_CHECKING, Any

from analyzer.cli.arguments import refuse_idle
from analyzer.cli.inputs import add_inputs, read_recording, read_setup
from analyzer.cli.words import out, table, verb

if TYPE_CHECKING:
    import pandas as pd

    from analyzer.recording import Finding, Recording, Source


def add_parser(verbs: Any) -> None:
    """Add the verb."""
    parser = verb(verbs, "inspect", "show formats, time span, rates and the account of every byte; no judgement")
    add_inputs(parser)
    parser.add_argument("--json", action="store_true", help="print as JSON")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Read and show."""
    refuse_idle(args, "inspect", ("--line-rate",), where="here, where nothing is judged", instead="give it to assess")
    recording = read_recording(args, read_setup(args), allow_undated=True)
    findings = [*recording.findings, *_several(recording)]
    if args.json:
        from analyzer.results.summary import json_safe, source_entry

        content = {
            "sources": [source_entry(s) for s in recording.sources],
            "tables": _spans(recording),
            "findings": [{"code": f.code, "level": f.level, "text": f.text} for f in findings],
        }
        out(json.dumps(json_safe(content), indent=1, ensure_ascii=False))
        return 0
    for source in recording.sources:
        out(_source_text(source))
    for row in _spans(recording):
        out(f"table {row['table']}: {row['rows']} rows, {row['start_utc']} to {row['end_utc']}, {row['rate']}")
    for finding in findings:
        out(f"{finding.level}: {finding.text}")
    return 0


def _several(recording: Recording) -> list[Finding]:
    """Return the finding that the log holds several drives, which `assess` refuses."""
    from analyzer.recording import Finding
    from analyzer.verdict.one_drive import several_drives

    words = several_drives(recording)
    return [Finding("several_drives", "problem", words)] if words else []


def _source_text(source: Source) -> str:
    """Return one source with its ledger as text."""
    ledger = source.ledger
    lines = [
        f"{source.name}: {source.format} (confidence {source.confidence:.2f}), {source.unpacked_size} bytes"
        + (f" unpacked from {source.stored_size}" if source.stored_size != source.unpacked_size else "")
    ]
    rows = [
        [
            entry.kind,
            entry.tag,
            str(entry.count),
            str(entry.size),
            f"{entry.cases[0].start}: {entry.cases[0].excerpt}" if entry.cases and entry.kind != "accepted" else "",
        ]
        for entry in ledger.entries
    ]
    unit = "bytes" if ledger.unit == "byte" else "cells"
    lines.append(table(rows, ("kind", "tag", "count", unit, "first case")))
    state = "every one accounted for" if ledger.balanced else "the account does not balance: a fault of ours"
    lines.append(f"sum {sum(e.size for e in ledger.entries)} of {ledger.size} {unit}: {state}")
    if ledger.unused:
        lines.append(f"not used: {', '.join(ledger.unused)}")
    return "\n".join(lines) + "\n"


def _spans(recording: Recording) -> list[dict[str, Any]]:
    """Return rows, span and rate of every table that holds something; times of day where the log holds no date."""
    undated = any(f.code == "undated" for f in recording.findings)
    found = []
    for name in ("fixes", "satellites", "attitude", "inertial", "corrections", "measurement"):
        frame: pd.DataFrame = getattr(recording, name)
        if len(frame):
            found.append(
                {
                    "table": name,
                    "rows": len(frame),
                    "start_utc": _moment(frame, 0, undated),
                    "end_utc": _moment(frame, -1, undated),
                    "rate": _rate(frame),
                }
            )
    return found


def _moment(frame: pd.DataFrame, row: int, undated: bool) -> str:
    """Return the time of a row in words; correction messages carry a time of week and no date."""
    import pandas as pd

    time = frame.index[row]
    if pd.isna(time):
        return f"second {frame['epoch_s'].dropna().iloc[row]:.1f}" if frame["epoch_s"].notna().any() else "no time"
    return f"{time:%H:%M:%S}" if undated else str(time)


def _rate(frame: pd.DataFrame) -> str:
    import numpy as np
    import pandas as pd

    if frame.index.isna().all():
        return "of the message's own time scale, no date"
    steps = np.diff(pd.DatetimeIndex(frame.index.unique()).asi8) / 1e6
    steps = steps[steps > 0]
    return f"{1 / np.median(steps):.3g} Hz" if len(steps) else "a single time"
