"""Write drives with truth into folders."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analyzer.demo.base_log import make_base_log
from analyzer.demo.channel_files import write_inertial, write_measurement
from analyzer.demo.corrections import write_corrections
from analyzer.demo.drive import Drive, simulate
from analyzer.demo.nmea import write_nmea
from analyzer.demo.scenario import BASE_ENU_M
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
        if "corrections" in drive.spec.outputs:
            write_corrections(drive, place)
        if "inertial" in drive.spec.outputs:
            write_inertial(drive, place)
        write_measurement(drive, place)
        if "base_log" in drive.spec.outputs:
            _write_base_log(drive, place / "base_log.nmea")
        if "check_points" in drive.spec.outputs or drive.spec.marks:
            write_check_points(drive, place / "check_points.csv")
    except OSError as error:
        reason = error.strerror or error
        raise OutputError(f"cannot write the drive into {place}: {reason}; choose another folder.") from error
    return place


def _write_base_log(drive: Drive, path: Path) -> None:
    """Write what the base receiver logged in the 15 minutes before its coordinates were taken, 40 minutes earlier."""
    begin = drive.start - pd.Timedelta(minutes=40)
    east, north, up = (drive.base_enu_m - np.array(BASE_ENU_M)).tolist()
    make_base_log(
        path, seed=drive.spec.seed, duration_s=900.0, start_utc=begin.strftime("%Y-%m-%dT%H:%M:%S"),
        settled=drive.plan.one("base_not_settled") is None, antenna_moved_m=(east, north, up),
    )
