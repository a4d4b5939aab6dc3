"""Write drives with truth into folders."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from analyzer.demo.drive import Drive, simulate
from analyzer.demo.nmea import write_nmea
from analyzer.demo.sheets import write_check_points, write_setup, write_windows
from analyzer.demo.spec import DriveSpec, Fault, option_names
from analyzer.demo.truth import write_faults, write_truth
from analyzer.errors import OutputError, UsageError


def make_drive(
    folder: str | Path, spec: DriveSpec | None = None, *, seed: int = 1, faults: tuple[str | Fault, ...] = (),
    **options: Any,
) -> Path:
    """Simulate one drive and write its files into `folder`, which is created.

    Parameters
    ----------
    folder : where to write; existing files of the same names are replaced.
    spec : the drive; or give its parameters as keywords.
    seed, faults, options : parameters of `DriveSpec` where `spec` is not given.

    Returns
    -------
    The folder, with rover.nmea, truth.csv, faults.json, setup.toml, windows.csv and what ``outputs`` asks for.

    Raises
    ------
    UsageError : unknown parameter, fault or output.
    OutputError : the folder cannot be written.
    """
    if spec is None:
        unknown = sorted(set(options) - set(option_names()))
        if unknown:
            raise UsageError(f"unknown parameter {', '.join(unknown)}; expected some of {', '.join(option_names())}.")
        spec = DriveSpec(seed=seed, faults=tuple(faults), **options)
    return write_drive(simulate(spec), folder)


def write_drive(drive: Drive, folder: str | Path) -> Path:
    """Write every file of a simulated drive into `folder`."""
    place = Path(folder)
    try:
        place.mkdir(parents=True, exist_ok=True)
        logged = write_nmea(drive, place / "rover.nmea")
        write_truth(drive, logged, place / "truth.csv")
        write_faults(drive, logged, place / "faults.json")
        write_setup(drive, place / "setup.toml")
        write_windows(drive, place / "windows.csv")
        if "check_points" in drive.spec.outputs or drive.spec.marks:
            write_check_points(drive, place / "check_points.csv")
    except OSError as error:
        raise OutputError(f"cannot write the drive into {place}: {error.strerror or error}; choose another folder.") from error
    return place
