"""Real worker processes on this machine and of a real scheduler, one of them killed in the middle."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pyarrow.parquet as pq
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "batch"))

from batch_places import end_always, end_once, log_text, square, threads_of, wait_long

from analyzer.batch.cluster import Cluster
from analyzer.batch.local import LocalProcesses
from analyzer.batch.workers import Answered, Lost
from analyzer.errors import InputError
from analyzer.threads import VARIABLES

pytestmark = pytest.mark.environment

ROOT = Path(__file__).resolve().parents[2]
COUNT = 6


@pytest.fixture(scope="module")
def drives(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six logs of different length."""
    place = tmp_path_factory.mktemp("logs")
    for number in range(COUNT):
        (place / f"log{number}.nmea").write_bytes(log_text(f"{8 + number:02d}1000.00", 600 + 200 * number))
    return place


class Batch:
    """``postdrive batch`` as a program of its own, its lines on stderr read as they come."""

    def __init__(self, *words: object) -> None:
        command = [sys.executable, "-m", "analyzer", "batch", *map(str, words)]
        self.process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        self.lines: list[str] = []
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.lines.append(line.rstrip("\n"))

    def wait_for(self, ended: int) -> None:
        """Wait until that many drives have ended."""
        wait(lambda: any(f"; {ended} of " in line for line in self.lines) or self.process.poll() is not None, "the first drives")
        assert self.process.poll() is None, self.lines

    def end(self) -> int:
        """Wait for its end and return the exit code."""
        code = self.process.wait(180)
        self._reader.join(30)
        assert self.process.stderr is not None
        self.process.stderr.close()
        return code


def wait(until: object, what: str, most_s: float = 120.0) -> None:
    began = time.monotonic()
    while not until():  # type: ignore[operator]
        assert time.monotonic() - began < most_s, f"waited too long for {what}"
        time.sleep(0.02)


def whole(results: Path, count: int = COUNT) -> None:
    """Check that every drive stands there once, complete, and nothing half."""
    assert sorted(p.name for p in (results / "runs").iterdir()) == [f"log{k}" for k in range(count)]
    table = pq.read_table(results / "runs.parquet")
    assert sorted(table.column("run").to_pylist()) == [f"log{k}" for k in range(count)]
    for row in table.to_pylist():
        folder = results / row["folder"]
        assert json.loads((folder / "summary.json").read_text())["epochs"] == row["epochs"]
        parts = list((results / "epochs").glob(f"date=*/run={row['run']}/part.parquet"))
        assert sum(pq.read_metadata(p).num_rows for p in parts) == row["epochs"]
    assert not (results / ".building").exists() and not (results / "failed.csv").exists()


def spawned(pid: int | None = None) -> list[psutil.Process]:
    """Return the worker processes of a process, without the helper that Python itself keeps beside them."""
    return [c for c in psutil.Process(pid).children() if "spawn_main" in " ".join(c.cmdline())]


# --- processes on this machine ----------------------------------------------------------------------------------------


def answers(workers: LocalProcesses | Cluster, function: object, tasks: list[object]) -> dict[int, Answered]:
    found = [a for a in workers.run(function, tasks) if a is not None]  # type: ignore[arg-type]
    assert len(found) == len(tasks)
    return {a.number: a for a in found}


def test_work_is_shared_by_processes() -> None:
    with LocalProcesses(2) as workers:
        found = answers(workers, square, list(range(20)))
    assert [found[k].answer[0] for k in range(20)] == [k * k for k in range(20)]
    assert len({a.answer[1] for a in found.values()} - {os.getpid()}) == 2
    assert not spawned()


def test_a_killed_process_costs_nothing(tmp_path: Path) -> None:
    with LocalProcesses(2) as workers:
        found = answers(workers, end_once, [(k, str(tmp_path)) for k in range(12)])
    assert [found[k].answer[0] for k in range(12)] == [k * k for k in range(12)]
    assert found[3].attempt == 2 and all(a.attempt == 1 for k, a in found.items() if k != 3)


def test_work_that_always_ends_its_process_is_given_up_after_two_attempts() -> None:
    with LocalProcesses(2) as workers:
        found = answers(workers, end_always, list(range(8)))
    assert found[3].answer == Lost("ended by SIGKILL") and found[3].attempt == 2
    assert [found[k].answer[0] for k in range(8) if k != 3] == [k * k for k in range(8) if k != 3]


def test_processes_end_at_once_where_the_batch_is_interrupted() -> None:
    began = time.monotonic()
    with pytest.raises(KeyboardInterrupt), LocalProcesses(2) as workers:
        for _ in workers.run(wait_long, [1, 2]):
            raise KeyboardInterrupt
    assert time.monotonic() - began < 30 and not spawned()


def test_every_process_has_one_thread() -> None:
    with LocalProcesses(1) as workers:
        told, arrow, beside = answers(workers, threads_of, [0])[0].answer
    assert told == dict.fromkeys(VARIABLES, "1") and arrow == 1 and beside == 0


def test_a_batch_loses_nothing_by_a_killed_worker(drives: Path, tmp_path: Path) -> None:
    batch = Batch(drives, "--out", tmp_path / "r", "--jobs", 2)
    batch.wait_for(1)
    children = spawned(batch.process.pid)
    assert len(children) == 2
    children[0].kill()
    assert batch.end() == 0, batch.lines
    whole(tmp_path / "r")


def test_an_interrupted_batch_goes_on_where_it_was(drives: Path, tmp_path: Path) -> None:
    batch = Batch(drives, "--out", tmp_path / "r", "--jobs", 2)
    batch.wait_for(2)
    batch.process.send_signal(signal.SIGINT)
    assert batch.end() == 130 and "the same command goes on from there" in batch.lines[-1]
    finished = {p.name: (p / "summary.json").stat().st_mtime_ns for p in (tmp_path / "r/runs").iterdir()}
    assert 2 <= len(finished) < COUNT and not (tmp_path / "r/.building").exists()
    assert pq.read_table(tmp_path / "r/runs.parquet").num_rows == len(finished)
    second = Batch(drives, "--out", tmp_path / "r", "--jobs", 2)
    assert second.end() == 0 and f"{len(finished)} finished before" in second.lines[-1]
    whole(tmp_path / "r")
    assert all((tmp_path / "r/runs" / n / "summary.json").stat().st_mtime_ns == t for n, t in finished.items())


def test_a_batch_that_is_killed_itself_leaves_no_half_result_and_no_process(drives: Path, tmp_path: Path) -> None:
    batch = Batch(drives, "--out", tmp_path / "r", "--jobs", 2)
    batch.wait_for(1)
    children = psutil.Process(batch.process.pid).children(recursive=True)
    batch.process.kill()
    batch.end()
    _, alive = psutil.wait_procs(children, timeout=60)
    assert not alive, "workers end by themselves when nobody listens any more"
    second = Batch(drives, "--out", tmp_path / "r", "--jobs", 2)
    assert second.end() == 0, second.lines
    whole(tmp_path / "r")


# --- a scheduler ------------------------------------------------------------------------------------------------------


class Engine:
    """A scheduler and two workers with one thread each, as programs of their own on loopback."""

    def __init__(self, place: Path) -> None:
        self.file = place / "scheduler.json"
        self._place = place
        self._all = [self._start("scheduler", "--port", "0", "--host", "127.0.0.1", "--no-dashboard")]
        wait(self.file.exists, "the scheduler")
        self.workers = [self.add_worker(), self.add_worker()]
        self.address = json.loads(self.file.read_text())["address"]
        with Cluster(self.address) as cluster:
            wait(lambda: len(cluster.workers()) == 2, "two workers")

    def add_worker(self) -> subprocess.Popen[bytes]:
        """Start a worker that nobody starts again."""
        return self._start("worker", "--nthreads", "1", "--no-nanny", "--no-dashboard", "--host", "127.0.0.1")

    def _start(self, kind: str, *words: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", "dask", kind, "--scheduler-file", str(self.file), *words]
        log = (self._place / f"{kind}.log").open("ab")
        process = subprocess.Popen(command, cwd=self._place, stdout=log, stderr=log, env=os.environ | {"PYTHONPATH": os.pathsep.join(
            [str(ROOT), str(ROOT / "tests/batch")])})
        log.close()
        self.__dict__.setdefault("_all", []).append(process)
        return process

    def end(self) -> None:
        """End everything that was started."""
        for process in self._all:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            process.wait(30)


@pytest.fixture
def engine(tmp_path: Path) -> Iterator[Engine]:
    pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
    started = Engine(tmp_path)
    yield started
    started.end()


def test_a_batch_on_a_scheduler_loses_nothing_by_a_killed_worker(engine: Engine, drives: Path, tmp_path: Path) -> None:
    batch = Batch(drives, "--out", tmp_path / "r", "--cluster", engine.address)
    batch.wait_for(1)
    engine.workers[0].kill()
    assert batch.end() == 0, batch.lines
    whole(tmp_path / "r")
    again = Batch(drives, "--out", tmp_path / "r", "--cluster", engine.address)
    assert again.end() == 0 and f"0 drives assessed, {COUNT} finished before, 0 failed" in again.lines[-1]


def test_work_that_kills_its_worker_is_given_up_by_the_scheduler(engine: Engine) -> None:
    more = [engine.add_worker() for _ in range(4)]
    with Cluster(engine.address) as cluster:
        wait(lambda: len(cluster.workers()) == 6, "six workers")
        found = answers(cluster, end_always, list(range(8)))
    assert len(more) == 4 and isinstance(found[3].answer, Lost) and "KilledWorker" in found[3].answer.why
    assert [found[k].answer[0] for k in range(8) if k != 3] == [k * k for k in range(8) if k != 3]


def test_an_answer_that_went_with_its_worker_is_computed_again(engine: Engine) -> None:
    with Cluster(engine.address) as cluster:
        asked = cluster.run(square, list(range(9)))
        found = [a for a in (next(asked) for _ in range(3)) if a is not None]
        time.sleep(1.0)  # what is under way is done and waits with its workers
        for worker in engine.workers:
            worker.kill()
        engine.add_worker()
        found += [a for a in asked if a is not None]
    assert sorted(a.answer[0] for a in found) == [k * k for k in range(9)]


def test_a_scheduler_that_goes_away_is_said(engine: Engine) -> None:
    with Cluster(engine.address) as cluster, pytest.raises(InputError, match="went away"):
        for _ in cluster.run(wait_long, [1, 2]):
            engine.end()
