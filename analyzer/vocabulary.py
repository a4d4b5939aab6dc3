"""The vocabulary as Markdown, made from the table schemas, so that the contributor guide cannot drift from the code.

``python -m analyzer.vocabulary DEVELOPERS.md`` renews the part between the two marks of that file.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from analyzer import tables
from analyzer.errors import AnalyzerError, OutputError, UsageError

BEGIN = "<!-- vocabulary: made by python -m analyzer.vocabulary DEVELOPERS.md; do not edit by hand -->"
END = "<!-- end of vocabulary -->"
WHERE = {
    "fixes": "`Recording.fixes`, one row per position instant", "satellites": "`Recording.satellites`",
    "attitude": "`Recording.attitude`", "inertial": "`Recording.inertial`", "corrections": "`Recording.corrections`",
    "measurement": "`Recording.measurement`", "epochs": "`Assessment.epochs` and epochs.parquet",
    "segments": "`Assessment.segments` and segments.parquet", "jumps": "`Assessment.jumps` and jumps.csv",
    "windows": "`Assessment.windows` and windows.csv", "runs": "runs.parquet of a batch",
}
WORDS = {
    "Fix states, best first": tables.FIX_STATES, "Trust of an epoch": tables.TRUST,
    "Verdicts, best first": tables.VERDICTS, "Kinds of dropouts": tables.DROPOUT_KINDS,
    "Causes of dropouts": tables.CAUSES,
}


def vocabulary() -> str:
    """Return the lists of words and one Markdown table per schema of `analyzer.tables`."""
    words = "\n".join(f"- {title}: {', '.join(f'`{word}`' for word in listed)}" for title, listed in WORDS.items())
    return "\n\n".join([words, *(_table(table) for table in schemas())])


def schemas() -> tuple[tables.Table, ...]:
    """Return every table schema, in the order of the data flow."""
    found = [value for value in vars(tables).values() if isinstance(value, tables.Table)]
    return tuple(sorted(found, key=lambda t: list(WHERE).index(t.name) if t.name in WHERE else len(WHERE)))


def renewed(text: str) -> str:
    """Return `text` with the part between the marks made anew.

    Raises
    ------
    UsageError : the marks are not there, or not once each and in order.
    """
    if text.count(BEGIN) != 1 or text.count(END) != 1 or text.index(BEGIN) > text.index(END):
        raise UsageError(f"the marks '{BEGIN}' and '{END}' are not there once each and in this order: put them back.")
    before, rest = text.split(BEGIN)
    return f"{before}{BEGIN}\n\n{vocabulary()}\n\n{END}{rest.split(END)[1]}"


def main(arguments: Sequence[str]) -> int:
    """Renew the file that is named and return the exit code."""
    if len(arguments) != 1:
        sys.stderr.write("usage: python -m analyzer.vocabulary FILE.md\n")
        return UsageError.exit_code
    path = Path(arguments[0])
    try:
        text = path.read_text(encoding="utf-8")
        path.write_text(renewed(text), encoding="utf-8", newline="\n")
    except OSError as error:
        sys.stderr.write(f"{path}: it cannot be read or written ({error.strerror}); check the path.\n")
        return OutputError.exit_code
    except AnalyzerError as error:
        sys.stderr.write(f"{path}: {error}\n")
        return error.exit_code
    return 0


def _table(table: tables.Table) -> str:
    """Return one schema as a Markdown table."""
    index = "; index `time_utc`" if table.timed else ""
    title = f"**{table.name}**: {WHERE.get(table.name, 'a table')}{index}"
    head = [title, "", "| column | type | unit | meaning |", "|---|---|---|---|"]
    rows = [f"| `{c.name}` | {c.dtype} | {'' if c.unit == '-' else c.unit} | {c.meaning} |" for c in table.columns]
    return "\n".join([*head, *rows])


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
