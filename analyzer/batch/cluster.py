"""Workers of an existing Dask scheduler. The package is an optional extra and loaded only here."""

from __future__ import annotations

import logging
import queue
import time
import uuid
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError
from types import TracebackType
from typing import Any

from analyzer.batch.workers import Answered, Lost
from analyzer.errors import InputError, MissingExtraError, UsageError

_WAIT_S = 0.5
_CONNECT_S = 15
#: How often the scheduler is asked for its workers [s]: some may come while the batch runs.
_LOOK_S = 5.0
#: Times a task is handed over again that was lost with the connection and not with its worker.
_ATTEMPTS = 3


class Cluster:
    """Workers of the scheduler at an address: ``with Cluster("tcp://10.0.0.5:8786") as workers``.

    The scheduler itself gives a task whose worker was killed to another one, as often as its own setting
    ``distributed.scheduler.allowed-failures`` says. No more tasks than workers and one are under way at a time, so that
    a drive that kills its worker takes no other drive's attempts with it.

    Raises
    ------
    MissingExtraError : the package is not installed.
    UsageError : the address is none, or no scheduler answers there.
    """

    def __init__(self, address: str) -> None:
        kind, mark, place = address.partition("://")
        if kind not in ("tcp", "tls") or not mark or not place.rpartition(":")[2].isdigit():
            raise UsageError(f"--cluster {address}: expected the address of a scheduler like tcp://10.0.0.5:8786.")
        try:
            import distributed
        except ImportError:
            raise MissingExtraError("distributed", extra="cluster", purpose="--cluster") from None
        self._address = address
        self._library: Any = distributed
        self._client: Any = None

    def __enter__(self) -> Cluster:
        """Connect to the scheduler; what its library would log of a lost connection is said in a sentence instead."""
        logging.getLogger("distributed.client").setLevel(logging.CRITICAL)
        try:
            self._client = self._library.Client(self._address, timeout=_CONNECT_S, set_as_default=False)
        except (OSError, ValueError) as error:
            raise UsageError(
                f"--cluster {self._address}: no scheduler answers there ({type(error).__name__}): check that it runs and can be reached."
            ) from error
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        """Let the scheduler go; what is under way there is given up."""
        self._client.close()

    def workers(self) -> list[int]:
        """Return the number of threads of each worker that the scheduler has; empty while it cannot be reached."""
        try:
            return [int(n) for n in self._client.nthreads().values()] if self._client.status == "running" else []
        except OSError:
            return []

    def prepare(self, count: int) -> None:
        """Do nothing: the workers are there."""

    def run(self, function: Callable[[Any], Any], tasks: Sequence[Any]) -> Iterator[Answered | None]:
        """Yield the answers in the order in which they come, and None twice a second meanwhile.

        Raises
        ------
        InputError : the scheduler went away.
        """
        answers: queue.Queue[Any] = queue.Queue()
        under_way: dict[str, tuple[int, Any]] = {}
        rest, attempts = deque(range(len(tasks))), [0] * len(tasks)
        left, places, looked = len(tasks), 0, -_LOOK_S
        while left:
            if time.monotonic() - looked > _LOOK_S:
                places, looked = len(self.workers()), time.monotonic()
            while len(under_way) <= places and rest:
                number = rest.popleft()
                attempts[number] += 1
                future = self._client.submit(function, tasks[number], key=f"postdrive-{uuid.uuid4().hex}", pure=False)
                under_way[future.key] = number, future
                future.add_done_callback(answers.put)
            try:
                future = answers.get(timeout=_WAIT_S)
            except queue.Empty:
                self._refuse_gone()
                yield None
                continue
            if future.status in ("pending", "lost"):
                # done, but its worker ended before the answer was fetched: the scheduler computes it once more
                future.add_done_callback(answers.put)
                continue
            number, _ = under_way.pop(future.key)
            if future.status == "cancelled" and attempts[number] < _ATTEMPTS and self._reached():
                # the connection broke and was made again: the scheduler forgot the task, the drive is as it was
                rest.append(number)
                continue
            left -= 1
            yield Answered(number, attempts[number], self._answer(future))

    def run_light(self, function: Callable[[Any], Any], tasks: Sequence[Any]) -> Iterator[Answered | None]:
        """Yield the answers of work that mostly waits for files: by the workers too, which are near to the files."""
        return self.run(function, tasks)

    def _reached(self) -> bool:
        return self._client.status in ("running", "connecting")

    def _refuse_gone(self) -> None:
        if not self._reached():
            raise self._gone()

    def _gone(self) -> InputError:
        return InputError(
            f"the scheduler at {self._address} went away: start it and run the same command again, finished drives are kept."
        )

    def _answer(self, future: Any) -> Any:
        """Return what came back, or that it was lost and why; a task that is given up went with its scheduler."""
        if future.status == "cancelled":
            raise self._gone()
        try:
            return future.result()
        except CancelledError:
            raise self._gone() from None
        except Exception as error:  # what the function raised there, or the end of its workers
            if future.status != "error":
                self._refuse_gone()
            why = f"{type(error).__name__}: {(str(error).splitlines() or [''])[0][:200].rstrip('.')}"
            killed = type(error).__name__ == "KilledWorker"
            return Lost(why) if killed else Lost(why, "install postdrive in the same version on all workers")
