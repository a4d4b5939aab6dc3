"""Processes on this machine, each with one task at a time, so that one that is killed costs its own task only.

A pool of the standard library gives up every task when one of its processes is killed; here the process is replaced and
its task given once more.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from multiprocessing import connection
from types import TracebackType
from typing import Any

from analyzer import threads
from analyzer.batch.workers import MOST_ATTEMPTS, Answered, Lost

_WAIT_S = 0.5
_END_S = 10.0


class LocalProcesses:
    """Worker processes on this machine: ``with LocalProcesses(2) as workers``.

    Processes are spawned, so a script that uses this needs ``if __name__ == "__main__":`` around its own work.
    """

    def __init__(self, count: int) -> None:
        self._count = count
        self._workers: list[_Process] = []

    def __enter__(self) -> LocalProcesses:
        """Start nothing yet: where all is finished, no process is needed; see `prepare`."""
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        """End the processes: at once where something went wrong."""
        for worker in self._workers:
            worker.end(at_once=kind is not None)
        self._workers = []

    def prepare(self, count: int) -> None:
        """Start the processes for that many tasks; they load what they need meanwhile."""
        self._workers += [_Process() for _ in range(min(self._count, count) - len(self._workers))]

    def run(self, function: Callable[[Any], Any], tasks: Sequence[Any]) -> Iterator[Answered | None]:
        """Yield the answers in the order in which they come, and None twice a second meanwhile.

        Parameters
        ----------
        function : stands at the top of a module.
        tasks : what it is called with.
        """
        waiting = deque((number, 1) for number in range(len(tasks)))
        self.prepare(len(tasks))
        while waiting or any(w.busy is not None for w in self._workers):
            for worker in self._workers:
                if worker.busy is None and waiting:
                    worker.give(waiting.popleft(), function, tasks)
            heard = self._listen()
            if not heard:
                yield None
            for worker in heard:
                number, attempt = worker.taken()
                try:
                    answer = worker.pipe.recv()
                except (EOFError, OSError):
                    why = worker.how_it_ended()
                    self._workers[self._workers.index(worker)] = _Process()
                    if attempt < MOST_ATTEMPTS:
                        waiting.append((number, attempt + 1))
                        continue
                    answer = Lost(why)
                yield Answered(number, attempt, answer)

    def run_light(self, function: Callable[[Any], Any], tasks: Sequence[Any]) -> Iterator[Answered | None]:
        """Yield the answers in order, worked out by threads of this process: for work that mostly waits for files."""
        with ThreadPoolExecutor(self._count) as pool:
            for number, answer in enumerate(pool.map(function, tasks)):
                yield Answered(number, 1, answer)

    def _listen(self) -> list[_Process]:
        """Return the busy processes that answered or ended."""
        busy: dict[Any, _Process] = {w.pipe: w for w in self._workers if w.busy is not None}
        return [busy[pipe] for pipe in connection.wait(list(busy), timeout=_WAIT_S)]


class _Process:
    """One worker process and the pipe to it."""

    def __init__(self) -> None:
        spawn = multiprocessing.get_context("spawn")
        self.pipe, theirs = spawn.Pipe()
        self.busy: tuple[int, int] | None = None
        with threads.environment():
            self.process = spawn.Process(target=serve, args=(theirs,), daemon=True, name="postdrive-batch")
            self.process.start()
        theirs.close()

    def give(self, task: tuple[int, int], function: Callable[[Any], Any], tasks: Sequence[Any]) -> None:
        """Give it a task: its number and which attempt this is."""
        self.busy = task
        # Where it has ended already, reading from the pipe will say so.
        with contextlib.suppress(OSError):
            self.pipe.send((function, tasks[task[0]]))

    def taken(self) -> tuple[int, int]:
        """Return its task and count it as free."""
        assert self.busy is not None
        task, self.busy = self.busy, None
        return task

    def end(self, *, at_once: bool) -> None:
        """End the process: it stops by itself once its pipe is closed and its task is done."""
        self.pipe.close()
        if at_once:
            self.process.terminate()
        self.process.join(_END_S)
        if self.process.is_alive():
            self.process.kill()
            self.process.join()

    def how_it_ended(self) -> str:
        """Return in words how the process ended whose pipe broke."""
        self.pipe.close()
        self.process.join(_END_S)
        if self.process.is_alive():
            self.process.kill()
            self.process.join()
        code = self.process.exitcode or 0
        return f"ended by {signal.Signals(-code).name}" if code < 0 else f"ended with exit code {code}"


def serve(pipe: connection.Connection) -> None:
    """Do tasks until the other side of the pipe is gone; runs in a process of its own."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    from analyzer.batch.task import warm_up

    warm_up()
    while True:
        try:
            function, task = pipe.recv()
        except (EOFError, OSError):
            return
        answer = function(task)
        try:
            pipe.send(answer)
        except OSError:
            return


def usable_cores() -> int:
    """Return how many processor cores this process may use."""
    allowed = getattr(os, "sched_getaffinity", None)
    return len(allowed(0)) if allowed is not None else os.cpu_count() or 1
