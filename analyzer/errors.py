"""Everything this package raises on purpose.

::

    AnalyzerError                 base; every message is one sentence: what, where, what was expected, what to do
    ├── UsageError                the call or a user's own file (set-up sheet, purpose, windows …) is wrong     exit 2
    │   └── MissingExtraError     an optional package is needed; the message holds the install line            exit 2
    ├── InputError                a log cannot be read, dated, or holds no positions                            exit 3
    ├── OutputError               a result cannot be written or already exists                                  exit 5
    └── RefusedError              the data forbid the answer (clocks disagree, runs not comparable)             exit 6

Policy: a bad line never costs the file and a bad file of a folder never costs the run; both are accounted for in the
ledger or as findings. An exception is raised only where nothing honest can be returned.
"""

from __future__ import annotations


class AnalyzerError(Exception):
    """Base of all errors a user can act on."""

    exit_code = 4


class UsageError(AnalyzerError):
    """The call, or a file that the user wrote, is wrong."""

    exit_code = 2


class MissingExtraError(UsageError):
    """An optional package is needed for this format."""

    def __init__(self, package: str, *, extra: str, purpose: str) -> None:
        super().__init__(
            f"{purpose} needs the package {package}, which is not installed: run pip install 'postdrive[{extra}]'."
        )


class InputError(AnalyzerError):
    """A log is unreadable, cannot be dated, or holds no positions."""

    exit_code = 3


class OutputError(AnalyzerError):
    """A result cannot be written, or would overwrite one."""

    exit_code = 5


class RefusedError(AnalyzerError):
    """The data forbid the answer that was asked for."""

    exit_code = 6
