"""The results of a batch on disk: what is finished, what is taken in, what is swept away.

The record ``runs/ID/batch.json`` says what belongs to a run; a run counts as finished only where its record and all its
parts are there, so that whatever was interrupted is done again. Only one batch at a time works in a folder of results.
"""

from __future__ import annotations

import csv
import hashlib
import json
import shutil
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any

from analyzer.batch.find import Drive, run_id
from analyzer.batch.lock import NAME as LOCK
from analyzer.batch.lock import FolderLock
from analyzer.batch.task import PARTS, RESULT, Assessed
from analyzer.errors import OutputError
from analyzer.results.dataset import EPOCHS, INDEX, RECORD, RUNS, part_path, run_folders, write_index

BUILDING = ".building"
FAILED = "failed.csv"
_FAILED_COLUMNS = ("name", "place", "attempts", "exit_code", "sentence", "details")


@dataclass(frozen=True)
class FailedDrive:
    """A drive without a result: how often it was tried, and why it failed."""

    name: str
    place: str
    attempts: int
    exit_code: int
    sentence: str
    details: str = ""


@dataclass
class Store:
    """The folder of results, open for one batch: ``with Store(path) as store``."""

    folder: Path
    rows: dict[str, dict[str, Any]] = field(default_factory=dict)
    _lock: FolderLock | None = None

    @property
    def building(self) -> Path:
        """Folder of unfinished results; not below ``epochs/``, where an engine could read them."""
        return self.folder / BUILDING

    def __enter__(self) -> Store:
        """Make or open the folder, sweep away what was interrupted, and read what is finished.

        Raises
        ------
        OutputError : the folder holds something else, cannot be written, or another batch works in it.
        """
        refuse_other(self.folder)
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            self._lock = FolderLock(self.folder)
            self._lock.take()
            shutil.rmtree(self.building, ignore_errors=True)
            for name in (BUILDING, RUNS, EPOCHS):
                (self.folder / name).mkdir(exist_ok=True)
            self._load()
            self.write_index()
        except OSError as error:
            self._release()
            raise OutputError(f"results {self.folder}: {error.strerror or error}; choose a folder you may write to.") from error
        except BaseException:
            self._release()
            raise
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        """Write the index, sweep away what is unfinished, and let the folder go."""
        try:
            self.write_index()
            shutil.rmtree(self.building, ignore_errors=True)
        finally:
            self._release()

    def finished(self) -> dict[str, dict[str, Any]]:
        """Return the rows of finished runs by their fingerprint."""
        return {row["fingerprint"]: row for row in self.rows.values()}

    def new_ids(self, drives: Sequence[Drive]) -> list[str]:
        """Return the run ids of drives that are to be assessed: the one of their place, else a new one."""
        by_place = {row["place"]: run for run, row in self.rows.items()}
        # Without regard to case, since some media keep none.
        taken = {run.casefold() for run in self.rows}
        out = []
        for drive in drives:
            run = by_place.get(drive.place) or run_id(drive.name)
            if drive.place not in by_place and run.casefold() in taken:
                run = f"{run}-{digits_of(drive.place)}"
            taken.add(run.casefold())
            out.append(run)
        return out

    def take_in(self, done: Assessed) -> None:
        """Put an assessed drive into its place: parts first, then its result folder, whose record makes it finished.

        Raises
        ------
        OutputError : what the worker wrote is not where it should be, or it cannot be moved.
        """
        built, run = Path(done.folder), str(done.row["run"])
        if not (built / RESULT / RECORD).is_file():
            raise OutputError(
                f"{built}: the worker's result is not there; the folder of results must be one that all workers see under "
                "the same path."
            )
        try:
            self._place(built, run, done)
        except OSError as error:
            raise OutputError(f"results {self.folder}: run {run} cannot be put into its place ({error.strerror or error}).") from error
        self.rows[run] = done.row

    def _place(self, built: Path, run: str, done: Assessed) -> None:
        target = self.folder / RUNS / run
        if target.exists():
            # Without its record the older result counts as unfinished from here on.
            (target / RECORD).unlink(missing_ok=True)
            target.rename(built / "older")
        for date in done.dates:
            part = part_path(self.folder, date, run)
            part.parent.mkdir(parents=True, exist_ok=True)
            (built / PARTS / f"{date}.parquet").replace(part)
        self._drop_parts(run, keep=set(done.dates))
        (built / RESULT).rename(target)
        shutil.rmtree(built, ignore_errors=True)

    def _drop_parts(self, run: str, keep: set[str]) -> None:
        for folder in (self.folder / EPOCHS).glob(f"date=*/run={run}"):
            if folder.parent.name.removeprefix("date=") not in keep:
                _drop(folder)

    def write_index(self) -> None:
        """Write runs.parquet anew."""
        write_index(list(self.rows.values()), self.folder / INDEX)

    def write_failed(self, failed: Sequence[FailedDrive]) -> None:
        """Write failed.csv, or remove it where nothing failed."""
        path = self.folder / FAILED
        if not failed:
            path.unlink(missing_ok=True)
            return
        beside = path.with_name(f".{FAILED}.building")
        with beside.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(_FAILED_COLUMNS)
            writer.writerows([getattr(f, c) for c in _FAILED_COLUMNS] for f in failed)
        beside.replace(path)

    def _load(self) -> None:
        """Read the records; runs without one, or with a part missing, and parts of no run are swept away."""
        for folder in run_folders(self.folder):
            row = _record(folder / RECORD)
            if row is not None and all(part_path(self.folder, d, folder.name).is_file() for d in row["dates"]):
                self.rows[_id_of(folder)] = row
        for folder in (self.folder / RUNS).iterdir():
            if folder.is_dir() and _id_of(folder) not in self.rows:
                shutil.rmtree(folder, ignore_errors=True)
        for folder in (self.folder / EPOCHS).glob("date=*/run=*"):
            row = self.rows.get(_id_of(folder).removeprefix("run="))
            if row is None or folder.parent.name.removeprefix("date=") not in row["dates"]:
                _drop(folder)

    def _release(self) -> None:
        if self._lock is not None:
            self._lock.release()
            self._lock = None


def digits_of(place: str) -> str:
    """Return the eight digits that tell a drive from another of the same name, from its place."""
    return hashlib.sha256(place.encode(errors="surrogateescape")).hexdigest()[:8]


def _id_of(folder: Path) -> str:
    """Return the name of a folder as run ids are written: some media store letters decomposed."""
    return unicodedata.normalize("NFC", folder.name)


def _record(path: Path) -> dict[str, Any] | None:
    """Return the record of a run, None where it is damaged."""
    try:
        row = json.loads(path.read_text(encoding="utf-8"))
        return row if {"run", "place", "fingerprint", "dates", "start_utc", "verdict"} <= set(row) else None
    except (OSError, ValueError, TypeError):
        return None


def _drop(folder: Path) -> None:
    """Remove the partition of a run, and that of its date where nothing else is in it."""
    shutil.rmtree(folder, ignore_errors=True)
    if not any(folder.parent.iterdir()):
        folder.parent.rmdir()


def refuse_other(folder: Path) -> None:
    """Raise OutputError where a folder holds something that no batch has written."""
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"results {folder}: a file of that name stands there; choose another name.")
    if folder.exists() and any(e.name != LOCK for e in folder.iterdir()) and not (folder / INDEX).is_file() and not (folder / BUILDING).is_dir():
        raise OutputError(
            f"results {folder}: it holds other files and no {INDEX}; choose a new folder, or one that a batch has written."
        )
