"""Folders of drives for the tests of a batch, workers within this process, and work that ends its process."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

from analyzer.batch.workers import Answered
from analyzer.demo import make_drive


class InProcess:
    """Workers of this process, one task after the other."""

    def __init__(self) -> None:
        self.given: list[Any] = []

    def __enter__(self) -> InProcess:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        pass

    def prepare(self, count: int) -> None:
        """Nothing is to be prepared."""

    def run(self, function: Callable[[Any], Any], tasks: Sequence[Any]) -> Iterator[Answered | None]:
        """Yield the answers in order."""
        for number, task in enumerate(tasks):
            self.given.append(task)
            yield None
            yield Answered(number, 1, function(task))

    def run_light(self, function: Callable[[Any], Any], tasks: Sequence[Any]) -> Iterator[Answered | None]:
        """Yield the answers in order."""
        return (Answered(number, 1, function(task)) for number, task in enumerate(tasks))


def small_drive(folder: Path, seed: int, *, day: int = 14, time: str = "08:00:00", seconds: float = 150.0, **more: Any) -> Path:
    """Write a short drive with truth."""
    return make_drive(folder, seed=seed, run=f"run {seed:02d}", start_utc=f"2026-04-{day}T{time}", duration_s=seconds,
                      rate_hz=5.0, marks=0, windows=2, faults=(), sky_sentences=False, **more)


def log_text(start: str = "081000.00", count: int = 30, date: str = "140426") -> bytes:
    """Return sentences of a vehicle that drives north at 10 m/s, one epoch per second."""
    hours, minutes, seconds = int(start[:2]), int(start[2:4]), float(start[4:])
    out = []
    for k in range(count):
        whole = hours * 3600 + minutes * 60 + seconds + k
        clock = f"{int(whole // 3600) % 24:02d}{int(whole // 60) % 60:02d}{whole % 60:05.2f}"
        place = f"48{10 + k * 10 / 1852:010.7f},N,01130.0000000,E"
        out += [f"GPGGA,{clock},{place},4,12,0.8,500.0,M,46.0,M,1.0,0017", f"GPRMC,{clock},A,{place},19.438,0.0,{date},,,R"]
    return b"".join(sentence(body) for body in out)


def sentence(body: str) -> bytes:
    """Return a sentence with its checksum."""
    code = 0
    for byte in body.encode():
        code ^= byte
    return f"${body}*{code:02X}\r\n".encode()


# Work for real processes; the answer names the process that did it.


def square(number: int) -> tuple[int, int]:
    """Return the square of a number."""
    time.sleep(0.05)
    return number * number, os.getpid()


def end_once(place: tuple[int, str]) -> tuple[int, int]:
    """End this process the first time that number 3 comes; `place` is a number and a folder that remembers."""
    number, folder = place
    mark = Path(folder) / "ended"
    if number == 3 and not mark.exists():
        mark.write_text("")
        os.kill(os.getpid(), signal.SIGKILL)
    return square(number)


def end_always(number: int) -> tuple[int, int]:
    """End this process whenever number 3 comes."""
    if number == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return square(number)


def wait_long(number: int) -> int:
    """Work for a minute."""
    time.sleep(60.0)
    return number


def threads_of(number: int) -> tuple[dict[str, str | None], int, int]:
    """Return what this process tells libraries about threads, those of Arrow, and those of its own reading."""
    import pyarrow as pa

    from analyzer import threads

    with threads.one_thread(), threads.beside() as beside:
        own = beside.submit(int, "7")
        return {name: os.environ.get(name) for name in threads.VARIABLES}, pa.cpu_count(), 0 if own.done() else 1
