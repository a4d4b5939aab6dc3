"""What a worker does with one drive: fingerprint it, or assess it into a folder of its own.

Everything here goes to other processes, perhaps on other machines: tasks and answers are plain values, functions stand
at the top of this module, and no function raises but for interrupts.
"""

from __future__ import annotations

import json
import shutil
import tempfile
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Lock
from typing import Any, TypeVar

import pandas as pd

from analyzer import __version__
from analyzer.assessment import Assessment, Purpose
from analyzer.batch.find import Drive
from analyzer.batch.fingerprint import Fingerprint, fingerprint, refuse_changed
from analyzer.errors import AnalyzerError, OutputError, UsageError
from analyzer.results.dataset import RECORD, RUNS, row_of, write_parts
from analyzer.threads import one_thread
from analyzer.verdict.judge import RULES_VERSION

Answer = TypeVar("Answer")
RESULT, PARTS = "result", "parts"
#: Drawing keeps state in the process: a worker with several threads assesses one drive at a time all the same.
_ALONE = Lock()


@dataclass(frozen=True)
class Options:
    """What all drives share and a result depends on beside its files; `versions` are those of who gave the task."""

    pdf: bool = False
    time_zone: str | None = None
    versions: tuple[str, str] = (__version__, RULES_VERSION)

    def text(self, purpose: Purpose) -> str:
        """Return it as text for the fingerprint."""
        return json.dumps([self.pdf, self.time_zone, purpose.sha256, purpose.margin])


@dataclass(frozen=True)
class Task:
    """One drive to be assessed.

    Attributes
    ----------
    drive, purpose, options : what is assessed, for what, how.
    run : id of the run; empty while it is only fingerprinted.
    building : folder for unfinished results, on the medium of the results.
    known : its fingerprint, None while it is only fingerprinted.
    """

    drive: Drive
    purpose: Purpose
    options: Options
    run: str = ""
    building: str = ""
    known: Fingerprint | None = None


@dataclass(frozen=True)
class Failure:
    """Why a drive could not be assessed, in one sentence; `exit_code` as `assess` would have ended, `details` for us."""

    sentence: str
    exit_code: int
    details: str = ""


@dataclass(frozen=True)
class Assessed:
    """A drive that was assessed: its row of runs.parquet, its UTC dates, and the folder that holds its results."""

    row: dict[str, Any]
    dates: tuple[str, ...]
    folder: str


def warm_up() -> None:
    """Load what the first drive would load."""
    import analyzer.report.html
    import analyzer.whole_drive  # noqa: F401


def fingerprint_of(task: Task) -> Fingerprint | Failure:
    """Return the fingerprint of a drive."""
    return _guarded(lambda: fingerprint(task.drive.files, task.options.text(task.purpose)))


def assess_drive(task: Task) -> Assessed | Failure:
    """Assess a drive into a new folder below `task.building`; what fails leaves nothing there."""
    with _ALONE, one_thread():
        return _guarded(lambda: _assess(task))


def _guarded(work: Callable[[], Answer]) -> Answer | Failure:
    """Return what `work` returns, or the failure in one sentence."""
    try:
        return work()
    except AnalyzerError as error:
        return Failure(str(error), error.exit_code)
    except OSError as error:
        place = error.filename or "a file"
        return Failure(f"{place}: {error.strerror or error}; check the place and its permissions.", OutputError.exit_code)
    except MemoryError:
        return Failure("memory was not enough for this drive: assess fewer at once with a smaller --jobs.", AnalyzerError.exit_code)
    except Exception as error:
        words = f"a fault of ours ({type(error).__name__}: {error}); report it with the details."
        return Failure(words, AnalyzerError.exit_code, traceback.format_exc())


def _assess(task: Task) -> Assessed:
    """Assess and write; raises what is wrong."""
    # Loaded where the work is done: who only gives tasks needs neither scipy nor pictures.
    from analyzer.whole_drive import assess_files

    assert task.known is not None
    if task.options.versions != (__version__, RULES_VERSION):
        raise UsageError(
            f"the worker has postdrive {__version__} with rules {RULES_VERSION}, expected {task.options.versions[0]} with rules "
            f"{task.options.versions[1]}: install the same version on all workers."
        )
    began = time.perf_counter()
    assessment = _called(assess_files(task.drive.files, purpose=task.purpose), task.drive.name)
    refuse_changed(task.known.stamps)
    # A worker that is killed leaves this folder behind; who gave the task sweeps it away.
    folder = Path(tempfile.mkdtemp(prefix=f"{task.run}.", dir=task.building))
    folder.chmod(0o755)
    try:
        return _written(assessment, task, folder, began)
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise


def _written(assessment: Assessment, task: Task, folder: Path, began: float) -> Assessed:
    """Write the result, its epochs by date and its record into `folder`; the record is the last."""
    from analyzer.results.write import write_results

    assert task.known is not None
    result = folder / RESULT
    write_results(assessment, result, pdf=task.options.pdf, time_zone=task.options.time_zone)
    dates = tuple(write_parts(result / "epochs.parquet", folder / PARTS))
    summary = json.loads((result / "summary.json").read_text(encoding="utf-8"))
    row = row_of(summary) | {
        "run": task.run,
        "place": task.drive.place,
        "dates": list(dates),
        "input_bytes": task.known.input_bytes,
        "fingerprint": task.known.sha256,
        "assessed_utc": pd.Timestamp.now("UTC").isoformat(),
        "elapsed_s": round(time.perf_counter() - began, 3),
        "folder": f"{RUNS}/{task.run}",
    }
    (result / RECORD).write_text(json.dumps(row, indent=1, allow_nan=False) + "\n", encoding="utf-8", newline="\n")
    return Assessed(row, dates, str(folder))


def _called(assessment: Assessment, name: str) -> Assessment:
    """Return the assessment called by the drive's place where no set-up sheet names the run: logs are often named alike."""
    if assessment.setup.get("run"):
        return assessment
    return replace(assessment, setup={**assessment.setup, "run": name})
