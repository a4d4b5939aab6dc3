"""What runs tasks elsewhere, as the batch sees it: processes on this machine, or a cluster."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

#: A drive whose worker was killed is given to another one once.
MOST_ATTEMPTS = 2


@dataclass(frozen=True)
class Lost:
    """No worker could finish the task, as often as it may be tried; `why` says how it ended, `advice` what may help."""

    why: str
    advice: str = "it may need more memory than there is"


@dataclass(frozen=True)
class Answered:
    """The answer to a task: its number, which attempt it was, and what came back, `Lost` where nothing did."""

    number: int
    attempt: int
    answer: Any


class Workers(Protocol):
    """Runs a function on tasks elsewhere and yields answers as they come, None from time to time meanwhile."""

    def prepare(self, count: int) -> None:
        """Get ready for that many tasks."""
        ...

    def run(self, function: Callable[[Any], Any], tasks: Sequence[Any]) -> Iterator[Answered | None]:
        """Yield one answer per task."""
        ...

    def run_light(self, function: Callable[[Any], Any], tasks: Sequence[Any]) -> Iterator[Answered | None]:
        """Yield one answer per task, for work that mostly waits for files."""
        ...
