"""``postdrive formats``: list the formats that can be read."""

from __future__ import annotations

import argparse
from importlib.util import find_spec
from typing import Any

from analyzer.cli.words import out, verb

#: Packages that the extras of readers bring.
NEEDS = {"mdf4": "asammdf"}


def add_parser(verbs: Any) -> None:
    """Add the verb."""
    parser = verb(verbs, "formats", "list the formats that can be read")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Print one line per reader, and how files are opened."""
    from analyzer.parsers.registry import builtin_readers, readers

    own = {reader.name for reader in builtin_readers()}
    for reader in readers():
        notes = [] if reader.name in own else ["from another package"]
        if reader.extra and find_spec(NEEDS.get(reader.extra, reader.extra)) is None:
            notes.append(f"not installed: pip install 'postdrive[{reader.extra}]'")
        out(f"{reader.name:<12}{reader.title}" + (f" ({'; '.join(notes)})" if notes else ""))
    out("Files are told apart by content; gzip, bzip2, xz and zip are unpacked, folders are read with all they hold.")
    return 0
