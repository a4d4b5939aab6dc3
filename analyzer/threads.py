"""How many threads one process uses: by default as many as help, in a batch one, since there each drive has a process.

Libraries of numerics read the environment when they are loaded, so `environment` has to be in force before that.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any, TypeVar

Answer = TypeVar("Answer")

#: Variables by which libraries of numerics are told how many threads to use.
VARIABLES = (
    "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "BLIS_NUM_THREADS", "NUMEXPR_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
)
#: Set where this package's own reading must not work beside itself either.
OWN = "POSTDRIVE_ONE_THREAD"


@contextmanager
def environment() -> Iterator[None]:
    """Give this process's own reading, and processes that are started meanwhile altogether, one thread each."""
    names = (*VARIABLES, OWN)
    before = {name: os.environ.get(name) for name in names}
    os.environ.update(dict.fromkeys(names, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


@contextmanager
def one_thread() -> Iterator[None]:
    """Keep this process to one thread meanwhile, as far as libraries can be told once they are loaded."""
    import pyarrow as pa

    before = pa.cpu_count(), pa.io_thread_count()
    pa.set_cpu_count(1)
    pa.set_io_thread_count(1)
    try:
        with environment():
            yield
    finally:
        pa.set_cpu_count(before[0])
        pa.set_io_thread_count(before[1])


def beside() -> Executor:
    """Return what does work beside the main thread: one more thread, or none where one thread is all there may be."""
    return _AtOnce() if os.environ.get(OWN) == "1" else ThreadPoolExecutor(1)


class _AtOnce(Executor):
    """Does the work when it is given."""

    def submit(self, fn: Callable[..., Answer], /, *args: Any, **kwargs: Any) -> Future[Answer]:
        """Do the work and return its answer as a future that is done."""
        done: Future[Answer] = Future()
        try:
            done.set_result(fn(*args, **kwargs))
        except Exception as error:
            done.set_exception(error)
        return done
