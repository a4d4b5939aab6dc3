"""Assess many drives: find, skip what is finished, give the rest to workers, take their results in."""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from analyzer.assessment import Purpose
from analyzer.batch.find import Defaults, Drive, find_drives
from analyzer.batch.fingerprint import Fingerprint
from analyzer.batch.local import LocalProcesses, usable_cores
from analyzer.batch.overview import write_overview
from analyzer.batch.pace import Pace
from analyzer.batch.store import FailedDrive, Store, refuse_other
from analyzer.batch.task import Assessed, Failure, Options, Task, assess_drive, fingerprint_of
from analyzer.batch.workers import Lost, Workers
from analyzer.errors import AnalyzerError
from analyzer.verdict.purposes import load_purpose

Progress = Callable[[Pace], None]
#: Exit code of a drive whose worker went away: a fault of ours until shown otherwise.
_LOST_CODE = AnalyzerError.exit_code
#: The index is written anew after this time [s], so that engines see what is finished while the batch goes on.
_INDEX_EVERY_S = 30.0


@dataclass(frozen=True)
class BatchResult:
    """What a batch did.

    Attributes
    ----------
    folder : the folder of results.
    assessed, finished_before : rows of runs.parquet of the drives that were assessed now, and earlier.
    failed : drives without a result of their present content.
    repeated : pairs of a drive's place and the run that has the same content.
    notes : sentences on files that were left out.
    """

    folder: Path
    assessed: tuple[dict[str, Any], ...]
    finished_before: tuple[dict[str, Any], ...]
    failed: tuple[FailedDrive, ...]
    repeated: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def rows(self) -> tuple[dict[str, Any], ...]:
        """Rows of all drives that have a result, in order of time."""
        return tuple(sorted((*self.assessed, *self.finished_before), key=lambda r: (r["start_utc"], r["run"])))


def repeated_words(repeated: tuple[str, str]) -> str:
    """Return in words which place holds what was assessed already, and as which run."""
    return f"{repeated[0]} holds the same files as {repeated[1]} and was not assessed twice."


@dataclass
class _State:
    """What is known while the batch runs."""

    store: Store
    progress: Progress
    drives: int
    assessed: list[dict[str, Any]] = field(default_factory=list)
    finished: list[dict[str, Any]] = field(default_factory=list)
    failed: list[FailedDrive] = field(default_factory=list)
    repeated: list[tuple[str, str]] = field(default_factory=list)
    total_bytes: int = 0
    done_bytes: int = 0
    ended_s: float = 0.0
    began: float = field(default_factory=time.monotonic)
    index_written: float = field(default_factory=time.monotonic)

    def tell(self, last: str = "") -> None:
        """Report the state."""
        elapsed_s = time.monotonic() - self.began
        # What fails before anything was given to a worker says nothing about the rate.
        self.ended_s = elapsed_s if last and self.total_bytes else self.ended_s
        self.progress(Pace(
            self.drives, len(self.assessed), len(self.failed), len(self.finished) + len(self.repeated), self.total_bytes,
            self.done_bytes, elapsed_s, self.ended_s, last,
        ))

    def fail(self, task: Task, attempt: int, why: Failure | Lost) -> None:
        """Keep why a drive has no result."""
        if isinstance(why, Lost):
            times = "" if attempt == 1 else f" {attempt} times"
            why = Failure(f"no worker could finish it ({why.why}{times}): {why.advice}.", _LOST_CODE)
        drive, sentence = task.drive, why.sentence
        older = next((run for run, row in self.store.rows.items() if row["place"] == drive.place), None)
        if older is not None:
            sentence = f"{sentence.rstrip('.')}; the older result of this drive stays as run {older}."
        self.failed.append(FailedDrive(drive.name, drive.place, attempt, why.exit_code, sentence, why.details))
        self.tell(f"{drive.name}: failed: {sentence}")


def run_batch(
    folders: Sequence[str | Path],
    results: str | Path,
    *,
    workers: AbstractContextManager[Workers] | None = None,
    purpose: Purpose | str | Path | None = None,
    defaults: Defaults | None = None,
    options: Options | None = None,
    again: bool = False,
    progress: Progress | None = None,
) -> BatchResult:
    """Assess all drives in `folders` and keep them in `results` (DEVELOPERS.md, Batch).

    Drives whose content, options and versions are those of a finished run are skipped; a drive that fails costs itself.

    Parameters
    ----------
    folders : see `analyzer.batch.find.find_drives`.
    results : folder of results, new or of an earlier batch.
    workers : `LocalProcesses` or `Cluster`; default a process per usable core of this machine.
    purpose : for all drives, over what a list of drives says; default what that says, else lane, 0.10 m.
    defaults, options : what serves all drives.
    again : assess finished drives too.
    progress : called with a `Pace` after each drive and twice a second meanwhile.

    Raises
    ------
    InputError : a folder is missing or holds no drive, or the scheduler went away.
    UsageError : a purpose or a list of drives is faulty.
    OutputError : the results cannot be written.
    """
    place = Path(results).absolute()
    refuse_other(place)
    with workers or LocalProcesses(usable_cores()) as pool:
        found = find_drives(folders, replace(defaults or Defaults(), not_within=place))
        tasks = _tasks(found.drives, purpose, options or Options())
        with Store(place) as store:
            state = _State(store, progress or (lambda _pace: None), len(tasks))
            if again or not store.rows:
                # Nothing is finished, so workers will be needed: they start while files are fingerprinted.
                pool.prepare(len(tasks))
            try:
                _assess_all(pool, _unfinished(pool, tasks, state, again=again), state)
            finally:
                store.write_failed(state.failed)
                write_overview(place, store.rows.values(), state.failed, [*found.notes, *map(repeated_words, state.repeated)])
    return BatchResult(
        place, tuple(state.assessed), tuple(state.finished), tuple(state.failed), tuple(state.repeated), found.notes
    )


def _tasks(drives: Iterable[Drive], purpose: Purpose | str | Path | None, options: Options) -> list[Task]:
    """Return the drives as tasks; a faulty purpose is refused before anything is read."""
    loaded: dict[str, Purpose] = {}
    for name in {d.purpose or "lane" for d in drives} if purpose is None else ():
        loaded[name] = load_purpose(name)
    if purpose is not None:
        chosen = purpose if isinstance(purpose, Purpose) else load_purpose(purpose)
        return [Task(d, chosen, options) for d in drives]
    return [Task(d, loaded[d.purpose or "lane"], options) for d in drives]


def _unfinished(pool: Workers, tasks: Sequence[Task], state: _State, *, again: bool) -> list[Task]:
    """Return the tasks that remain, each with its fingerprint and the id of its run, the largest first."""
    known: dict[int, Fingerprint] = {}
    for answered in pool.run_light(fingerprint_of, tasks):
        if answered is None:
            state.tell()
        elif isinstance(answered.answer, Fingerprint):
            known[answered.number] = answered.answer
        else:
            state.fail(tasks[answered.number], answered.attempt, answered.answer)
    alike: dict[str, list[Task]] = defaultdict(list)
    for number in sorted(known):
        alike[known[number].sha256].append(replace(tasks[number], known=known[number]))
    todo, finished = [], state.store.finished()
    for sha256, same in alike.items():
        row = finished.get(sha256)
        if row is not None and not again:
            state.finished.append(row)
        else:
            todo.append(same[0])
        run = row["run"] if row is not None else same[0].drive.name
        state.repeated += [(t.drive.place, run) for t in same[1:]]
    ids = state.store.new_ids([t.drive for t in todo])
    ready = [replace(t, run=i, building=str(state.store.building)) for t, i in zip(todo, ids, strict=True)]
    # The largest first: a long drive that began last would keep one worker busy alone at the end.
    return sorted(ready, key=lambda t: -_size(t))


def _assess_all(pool: Workers, tasks: Sequence[Task], state: _State) -> None:
    """Give the tasks to the workers and take in what comes back."""
    state.total_bytes = sum(map(_size, tasks))
    state.began = time.monotonic()
    state.tell()
    for answered in pool.run(assess_drive, tasks):
        if answered is None:
            state.tell()
            continue
        task = tasks[answered.number]
        state.done_bytes += _size(task)
        if not isinstance(answered.answer, Assessed):
            state.fail(task, answered.attempt, answered.answer)
            continue
        state.store.take_in(answered.answer)
        state.assessed.append(answered.answer.row)
        _index_now_and_then(state)
        state.tell(f"{task.drive.name}: {answered.answer.row['verdict'].replace('_', ' ')}")


def _index_now_and_then(state: _State) -> None:
    now = time.monotonic()
    if now - state.index_written > _INDEX_EVERY_S:
        state.store.write_index()
        state.index_written = now


def _size(task: Task) -> int:
    return task.known.input_bytes if task.known is not None else 0
