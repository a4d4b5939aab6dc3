"""From the files of one drive to its assessment: what `assess` does for one drive and a batch does for many."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import replace
from pathlib import Path

from analyzer.assessment import Assessment, Purpose
from analyzer.attaching.marker_windows import read_marker_windows, split_channel
from analyzer.drive_files import DriveFiles
from analyzer.errors import InputError, UsageError
from analyzer.evidence.claim import has_position
from analyzer.evidence.result import checked_kinds
from analyzer.judging import assess
from analyzer.parsers.column_map import load_column_map
from analyzer.parsers.reading import read
from analyzer.recording import Recording
from analyzer.scratch import Scratch
from analyzer.userfiles.accept import read_accept
from analyzer.userfiles.setup_sheet import Setup, load_setup
from analyzer.userfiles.tabular import WindowFile, read_check_points, read_windows
from analyzer.verdict.channel_names import refuse_unknown

Progress = Callable[[str], None]


def assess_files(
    files: DriveFiles, *, purpose: Purpose | str | Path | None = None, progress: Progress | None = None, scratch: Scratch | None = None,
    without: Collection[str] = (),
) -> Assessment:
    """Read the files of a drive and judge it; the user's own files first, so that a faulty one is refused at once.

    Parameters
    ----------
    files : what was recorded.
    purpose : see `analyzer.assess`.
    progress : called with a sentence before each step.
    scratch : temporary files for the columns of very long drives; default where the system keeps such files.
    without : kinds of evidence to leave out, see `analyzer.assess`.

    Raises
    ------
    UsageError : a name in `without` is no kind of evidence, a file of the user is faulty, or a base log comes together with base coordinates.
    InputError : a log cannot be read, holds no date or no positions.
    """
    say = progress or (lambda _text: None)
    left_out = checked_kinds(without)
    if files.base_log is not None and files.base is not None:
        raise UsageError("assess: --base and --base-log both say where the base is; give one of them.")
    if isinstance(purpose, Purpose) and not files.measurement and not files.columns:
        refuse_unknown(purpose, ())  # before a long log is read
    setup = setup_of(files)
    windows = read_windows(Path(files.windows)) if files.windows else None
    marked = split_channel(files.windows_from) if files.windows_from is not None else None
    decisions = read_accept(files.accept) if files.accept else ()
    marks = read_check_points(Path(files.check_points)) if files.check_points else None
    base_log = _further_log(files, files.base_log, "--base-log", say)
    second = _further_log(files, files.second_rover, "--second-rover", say)
    scratch = scratch if scratch is not None else Scratch()
    recording = read_drive(files, setup, scratch=scratch, progress=say)
    say("judging")
    return assess(
        recording,
        purpose=purpose,
        setup=setup,
        windows=windows if marked is None else _marked_windows(files, recording, marked),
        base=files.base if base_log is None else _place_of(base_log),
        check_points=marks,
        decisions=decisions,
        base_log=base_log,
        second_rover=second,
        scratch=scratch,
        without=left_out,
    )


def _marked_windows(files: DriveFiles, recording: Recording, marked: tuple[Path, str | None]) -> WindowFile:
    """Return the windows of the marker channel `marked` of a measurement."""
    maps, bus = [load_column_map(name) for name in files.columns], Path(files.bus) if files.bus else None
    return read_marker_windows(recording, *marked, maps=maps, bus=bus)


def setup_of(files: DriveFiles) -> Setup | None:
    """Return the set-up sheet of a drive, or None; a line rate that is given stands over the sheet's."""
    setup = load_setup(files.setup) if files.setup else None
    return setup if files.line_rate is None else replace(setup or Setup(), line_rate=files.line_rate)


def read_drive(
    files: DriveFiles, setup: Setup | None, *, allow_undated: bool = False, progress: Progress | None = None,
    scratch: Scratch | None = None,
) -> Recording:
    """Read everything that was recorded on a drive; see `analyzer.read`."""
    if files.bus is not None and not Path(files.bus).is_file():
        raise UsageError(f"--bus {files.bus}: there is no such file; name the bus description.")
    return read(
        files.logs,
        date=files.date,
        inertial=files.inertial,
        measurement=files.measurement,
        corrections=files.corrections,
        maps=[load_column_map(name) for name in files.columns],
        bus=Path(files.bus) if files.bus else None,
        solution_kind=(setup.solution_kind if setup else None) or "unknown",
        require_checksum=files.require_checksum,
        allow_undated=allow_undated,
        scratch=scratch,
        progress=progress,
    )


def _place_of(base_log: Recording) -> tuple[float, float, float] | None:
    """Return where the base log says the base stands: medians of latitude, longitude [deg] and height [m], or None."""
    placed = base_log.fixes[has_position(base_log.fixes)]
    if not len(placed):
        return None
    height = float(placed["height_m"].median())
    return float(placed["latitude_deg"].median()), float(placed["longitude_deg"].median()), height if height == height else 0.0


def _further_log(files: DriveFiles, path: str | None, flag: str, progress: Progress) -> Recording | None:
    """Read the log of another receiver; one without epochs is refused."""
    if path is None:
        return None
    found = read([path], date=files.date, require_checksum=files.require_checksum, progress=progress)
    if not len(found.fixes):
        raise InputError(f"{flag} {path}: it holds no epochs; expected a log with positions, as the receiver wrote it.")
    return found
