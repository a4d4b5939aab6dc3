"""Columns of a windows file that nothing reads: they are named, so that nobody takes a limit of a manoeuvre for judged."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from analyzer.recording import Finding

#: Parts of names of columns by which someone states what a manoeuvre is for, or how good it has to be.
_OF_PURPOSE = ("purpose", "limit", "tolerance", "margin", "accuracy", "bound")
#: Code of the finding on limits that are not read; it stands on the first screen.
LIMITS_UNUSED = "windows_limits_unused"


def unused_columns(header: Iterable[str], known: Iterable[str], path: str | Path) -> tuple[Finding, ...]:
    """Return findings on columns of `header` beside `known`: a warning where they state a limit or purpose, else a note."""
    known = set(known)
    rest = [name for name in header if name and name not in known]
    stated = [name for name in rest if any(word in name.lower() for word in _OF_PURPOSE)]
    out = []
    if stated:
        text = (f"Not used in {Path(path).name}: {_columns(stated)}. All manoeuvres of a run are judged for its one purpose; "
                "assess again with --purpose or --limit for those that need another.")
        out.append(Finding(LIMITS_UNUSED, "warning", text, {"columns": stated}))
    if other := [name for name in rest if name not in stated]:
        out.append(Finding("windows_columns_unused", "note", f"Not used in {Path(path).name}: {_columns(other)}.", {"columns": other}))
    return tuple(out)


def _columns(names: list[str]) -> str:
    """Return "column limit_m" or "columns limit_m, purpose"."""
    return f"{'column' if len(names) == 1 else 'columns'} {', '.join(names)}"
