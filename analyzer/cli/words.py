"""Results go to stdout, words and progress to stderr."""

from __future__ import annotations

import sys

TYPE_CHECKING = False  # known to type checkers; importing typing would lengthen every start
if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable, Sequence


def out(text: str) -> None:
    """Print a result to stdout."""
    print(text)  # noqa: T201


def say(text: str) -> None:
    """Print words to stderr."""
    print(text, file=sys.stderr)  # noqa: T201


def progress(quiet: bool) -> Callable[[str], None]:
    """Return a function that shows what is being done: on a terminal only, and never when `quiet`."""
    if quiet or not sys.stderr.isatty():
        return lambda _text: None
    return say


def verb(verbs: argparse._SubParsersAction[argparse.ArgumentParser], name: str, text: str) -> argparse.ArgumentParser:
    """Add the parser of a verb; `text` is its one-line help and description."""
    return verbs.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".", allow_abbrev=False)


def table(rows: Sequence[Sequence[str]], header: Sequence[str]) -> str:
    """Return rows as aligned plain text."""
    whole = [list(header), *[list(r) for r in rows]]
    widths = [max(len(r[i]) for r in whole) for i in range(len(header))]
    return "\n".join("  ".join(c.ljust(w) for c, w in zip(r, widths, strict=True)).rstrip() for r in whole)
