"""Results go to stdout, words and progress to stderr."""

from __future__ import annotations

import os
import sys

TYPE_CHECKING = False  # known to type checkers; importing typing would lengthen every start
if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable, Sequence
    from typing import TextIO


def out(text: str) -> None:
    """Print a result to stdout; a reader that stopped listening misses it and changes nothing else."""
    _print(text, sys.stdout)


def say(text: str) -> None:
    """Print words to stderr, as `out` does."""
    _print(text, sys.stderr)


def flush() -> None:
    """Send what others have printed to stdout, as `out` does."""
    _print("", sys.stdout, end="")


def _print(text: str, stream: TextIO | None, end: str = "\n") -> None:
    """Print at once: what is only held would fail when the program ends, where no exit code can be kept."""
    if stream is None:  # closed before the program began
        return
    try:
        print(text, file=stream, end=end, flush=True)
    except BrokenPipeError:
        _silence(stream)


def _silence(stream: TextIO) -> None:
    """Lead a stream that nobody reads any more to nowhere, with what it still holds."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, stream.fileno())
    os.close(nowhere)


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
