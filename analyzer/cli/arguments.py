"""What is refused of a call before anything is read: empty arguments, options given twice, options without effect."""

from __future__ import annotations

from analyzer.errors import UsageError

TYPE_CHECKING = False  # known to type checkers; importing typing would lengthen every start
if TYPE_CHECKING:
    import argparse
    from collections.abc import Sequence


def refuse_empty(words: Sequence[str]) -> None:
    """Refuse an argument without a character: as a path it would be the working folder with all that lies below."""
    for place, word in enumerate(words):
        if not word.strip():
            before = words[place - 1] if place else "postdrive"
            raise _empty(words, f"an argument is empty (after {before})")
        if word.startswith("--") and word.endswith("="):
            raise _empty(words, f"{word[:-1]} is empty")


def _empty(words: Sequence[str], what: str) -> UsageError:
    verb = f"{words[0]}: " if words[0].strip() else ""
    return UsageError(f"{verb}{what}; expected a file, a name or a number: often a shell variable is not set; give the value or leave it out.")


def refuse_repeated(words: Sequence[str], args: argparse.Namespace) -> None:
    """Refuse an option that takes one value and is given twice: the last would stand, without a word about the first."""
    ended = words.index("--") if "--" in words else len(words)
    named = [word.partition("=")[0] for word in words[:ended] if word.startswith("--")]
    for option in dict.fromkeys(named):
        if named.count(option) > 1 and not isinstance(_value(args, option), list):
            raise UsageError(f"{words[0]}: {option} is given {_times(named.count(option))}; expected once: leave all but one away.")


def refuse_idle(args: argparse.Namespace, verb: str, options: Sequence[str], *, where: str, instead: str) -> None:
    """Refuse those of `options` that are given, as they have no effect `where`; `instead` says what to do beside leaving them away."""
    idle = [option for option in options if _given(_value(args, option))]
    if idle:
        verb_form = "has" if len(idle) == 1 else "have"
        raise UsageError(f"{verb}: {', '.join(idle)} {verb_form} no effect {where}; {instead}, or leave {'it' if len(idle) == 1 else 'them'} away.")


def _given(value: object) -> bool:
    """Return whether a value is another than that of an option left away; a 0 is given."""
    return value is not None and value is not False and value not in ([], "never")


def _value(args: argparse.Namespace, option: str) -> object:
    return getattr(args, option.removeprefix("--").replace("-", "_"), None)


def _times(number: int) -> str:
    return "twice" if number == 2 else f"{number} times"
