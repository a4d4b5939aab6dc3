"""The fixed small set of invented drives that ships in data_demo, and its README."""

from __future__ import annotations

import gzip
import json
import zipfile
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

from analyzer.demo.base_log import make_base_log
from analyzer.demo.kinds import families, kind_of
from analyzer.demo.make import make_drive
from analyzer.demo.route import MARK_NAMES
from analyzer.demo.spec import DriveSpec, Fault


@dataclass(frozen=True)
class DemoDrive:
    """One drive of the set: its specification, what it is for, and how its large files are packed.

    `packing` is ``none``, ``gz`` (each large file on its own) or ``zip`` (the rover log in an archive).
    """

    spec: DriveSpec
    story: str
    packing: str = "gz"


#: File endings that are worth packing; everything else stays as it is.
_LARGE = ("rover.nmea", "truth.csv", "inertial.csv", "measurement.csv")
#: In the first drive a newcomer opens the log and the truth as they are.
_FIRST_PLAIN = ("rover.nmea", "truth.csv")

DEMO: dict[str, DemoDrive] = {
    "day1_run01": DemoDrive(DriveSpec(
        seed=108, run="run 01", start_utc="2026-04-14T08:10:00", duration_s=720.0, rate_hz=10.0, marks=2,
        mark_rest_s=35.0, windows=14, hold_s=24.0, start_rest_s=70.0, family="day1_run01",
        faults=(Fault("radio_loss", start_s=226.0, duration_s=38.0),
                Fault("radio_loss", start_s=575.0, duration_s=19.0), "underpass", "trees"),
        outputs=("corrections", "inertial", "measurement_parquet", "check_points"), measurement_rate_hz=50.0,
    ), "The drive to begin with: RTK start-up, two correction outages, an underpass and a forest road, stands on two "
       "marks, fourteen manoeuvres.", "first"),
    "day1_run02": DemoDrive(DriveSpec(
        seed=112, run="run 02", start_utc="2026-04-14T09:05:00", duration_s=300.0, rate_hz=10.0, family="day1_run02",
        faults=(Fault("second_base", start_s=130.0, duration_s=70.0, size=0.8),
                Fault("spikes", start_s=240.0, size=1.4), Fault("spikes", start_s=262.0, size=0.5)),
        outputs=("corrections",),
    ), "A second base comes up on the same channel; two single spikes later."),
    "day1_run03": DemoDrive(DriveSpec(
        seed=113, run="run 03", start_utc="2026-04-14T10:20:00", duration_s=420.0, rate_hz=10.0, family="day1_run03",
        faults=(Fault("wrong_fix", start_s=140.0, duration_s=60.0, size=0.34),
                Fault("slow_multipath", start_s=245.0, duration_s=130.0, size=0.19)), reverse=True,
    ), "A wrong integer fix for a minute, then slow multipath; reported fixed almost throughout."),
    "day2_run01": DemoDrive(DriveSpec(
        seed=121, run="run 01", start_utc="2026-04-15T08:12:00", duration_s=300.0, rate_hz=20.0, solution_kind="fused",
        family="day2_run01", faults=(Fault("wrong_fix_fused", start_s=160.0, duration_s=70.0, size=0.42),),
        outputs=("inertial",), sky_sentences=False,
    ), "A fused solution slews into a wrong fix within seconds and its velocity agrees; raw inertial data beside it."),
    "day2_run02": DemoDrive(DriveSpec(
        seed=122, run="run 02", start_utc="2026-04-15T09:40:00", duration_s=420.0, rate_hz=10.0, marks=1,
        family="day2_run02", faults=(Fault("logger_gap", start_s=130.0, duration_s=7.0),
                                     Fault("receiver_restart", start_s=185.0, duration_s=9.0),
                                     Fault("base_resurveyed", start_s=290.0, size=0.61)),
        outputs=("corrections",), sky_sentences=False,
    ), "A logger gap, a receiver restart, then the base loses power and is surveyed anew: its coordinates change."),
    "day2_run03": DemoDrive(DriveSpec(
        seed=123, run="run 03", start_utc="2026-04-15T11:00:00", duration_s=600.0, rate_hz=5.0, family="day2_run03",
        faults=(Fault("damaged_bytes", start_s=120.0, duration_s=8.0, size=0.05),
                Fault("frozen_output", start_s=190.0, duration_s=9.0),
                Fault("stale_corrections", start_s=300.0, duration_s=95.0, size=2.2),
                Fault("base_pause", start_s=470.0, duration_s=33.0)), sky_sentences=False,
    ), "Bytes damaged on the wire, frozen output, corrections 95 s old while fixed is held, the base off for a while.",
       "zip"),
    "day2_run04": DemoDrive(DriveSpec(
        seed=124, run="run 04", start_utc="2026-04-15T13:30:00", duration_s=240.0, rate_hz=10.0, family="day2_run04",
        solution_kind="fused", faults=(Fault("not_aligned", duration_s=140.0, size=65.0),), start_rest_s=50.0,
        sky_sentences=False,
    ), "The inertial part of a fused solution is not aligned for the first minutes; the heading sentence says so."),
    "day3_run01": DemoDrive(DriveSpec(
        seed=131, run="run 01", start_utc="2026-04-16T08:05:00", duration_s=720.0, rate_hz=5.0, marks=2,
        mark_rest_s=35.0, both_ways=True, family="day3_run01",
        faults=(Fault("base_moved", size=0.11), "radio_shadow"), outputs=("check_points",), sky_sentences=False,
    ), "The base antenna was knocked overnight; marks visited both ways; the far side is in radio shadow."),
    "day3_run02": DemoDrive(DriveSpec(
        seed=132, run="run 02", start_utc="2026-04-16T09:30:00", duration_s=240.0, rate_hz=10.0, family="day3_run02",
        faults=("clock_leap_seconds", Fault("clock_offset", size=0.045), Fault("clock_drift", size=40.0)),
        outputs=("measurement_csv", "measurement_mf4"), measurement_rate_hz=50.0, sky_sentences=False,
        start_rest_s=55.0,
    ), "The measurement clock is 18 s and some milliseconds off and drifts."),
    "day3_run03": DemoDrive(DriveSpec(
        seed=133, run="run 03", start_utc="2026-04-16T12:15:00", duration_s=420.0, rate_hz=10.0, family="day3_run03",
        faults=("halls", Fault("optimistic_claims", size=3.2), Fault("base_off", start_s=350.0)), sky_sentences=False,
    ), "A street between halls, claims three times too good, and the base is switched off before the end."),
    "day3_run04": DemoDrive(DriveSpec(
        seed=134, run="run 04", start_utc="2026-04-16T13:00:00", duration_s=180.0, rate_hz=10.0, family="day3_run04",
        faults=("never_fixed", Fault("base_not_settled", size=1.1)), outputs=("corrections",), sky_sentences=False,
        start_rest_s=50.0,
    ), "Corrections are fresh but incomplete, so the rover never fixes; the base was read before it had settled."),
    "day3_run05": DemoDrive(DriveSpec(
        seed=135, run="run 05", start_utc="2026-04-16T14:10:00", duration_s=300.0, rate_hz=10.0, marks=1,
        family="day3_run05", faults=(Fault("lever_arm_wrong", size=0.06),), solution_kind="fused", sky_sentences=False,
        outputs=("check_points",), mark_rest_s=40.0,
    ), "The antenna offset was entered 6 cm wrong; positions of the rear axle are shifted with the car."),
}
#: Base logs of the set: file, seed, start, grade, settled.
BASE_LOGS = (
    ("day1_base.nmea", 151, "2026-04-14T07:30:00", "centimetre", True),
    ("day3_base.nmea", 153, "2026-04-16T07:20:00", "metre", False),
)
BASE_LOG_S = 900.0


def make_demo_set(folder: str | Path, *, skip: tuple[str, ...] = ()) -> Path:
    """Write the whole set into `folder`; the same on every run.

    Parameters
    ----------
    skip : outputs to leave out, e.g. ``measurement_mf4`` where the optional package is missing.
    """
    place = Path(folder)
    for name, drive in DEMO.items():
        kept = tuple(o for o in drive.spec.outputs if o not in skip)
        values = {f: getattr(drive.spec, f) for f in drive.spec.__dataclass_fields__} | {"outputs": kept}
        make_drive(place / name, DriveSpec(**values))
        _pack(place / name, drive.packing)
    for file, seed, start, grade, settled in BASE_LOGS:
        make_base_log(place / file, seed=seed, start_utc=start, grade=grade, settled=settled, duration_s=BASE_LOG_S)
        _gzip(place / file)
    made = json.dumps(library_versions(), indent=1, sort_keys=True)
    (place / "made_with.json").write_text(made + "\n", encoding="ascii", newline="\n")
    (place / "README.md").write_text(readme(place), encoding="utf-8", newline="\n")
    return place


def library_versions() -> dict[str, str]:
    """Return the versions of the libraries whose arithmetic may move a last printed digit."""
    return {name: metadata.version(name) for name in ("numpy", "pandas", "pyproj", "scipy")}


def _pack(folder: Path, packing: str) -> None:
    """Pack the large files of a drive."""
    for name in _LARGE:
        file = folder / name
        if not file.exists() or (packing == "first" and name in _FIRST_PLAIN):
            continue
        if packing == "zip" and name == "rover.nmea":
            _zip(file)
        else:
            _gzip(file)


def _gzip(file: Path) -> None:
    """Replace a file by its gzip, without name and time in it."""
    with (file.parent / f"{file.name}.gz").open("wb") as raw, gzip.GzipFile("", "wb", 9, raw, mtime=0) as packed:
        packed.write(file.read_bytes())
    file.unlink()


def _zip(file: Path) -> None:
    """Replace a file by an archive that holds it, with a fixed time."""
    entry = zipfile.ZipInfo(file.name, date_time=(2026, 4, 14, 0, 0, 0))
    entry.compress_type = zipfile.ZIP_DEFLATED
    with zipfile.ZipFile(file.parent / f"{file.stem}.zip", "w", compresslevel=9) as archive:
        archive.writestr(entry, file.read_bytes())
    file.unlink()


def readme(folder: Path) -> str:
    """Return the README of the set: every drive and every planted fault, from the fault lists themselves."""
    lines = [
        "# Invented drives", "",
        "Made by `analyzer.demo` with fixed seeds; nothing here is a real place, base, car or satellite. "
        f"One proving ground, base \"Hut\", car A, three test days, marks {', '.join(MARK_NAMES)}.", "",
        "Per drive: the rover log, `setup.toml`, `windows.csv`, and where listed corrections, inertial data, "
        "measurement with column maps and check points. `truth.csv` holds the true position and error of every epoch, "
        "`faults.json` every planted fault and every dropout with its true cause. Large files are packed. "
        "Make more with `postdrive demo DIR`; rebuild this set with "
        "`python -c \"from analyzer.demo import make_demo_set; make_demo_set('data_demo')\"`.", "",
    ]
    for name, drive in DEMO.items():
        lines += _drive_section(folder / name, name, drive)
    lines += ["## Base logs", ""]
    for file, _, start, grade, settled in BASE_LOGS:
        state = "settled" if settled else "logged from switching on, still drifting"
        lines.append(f"- `{file}.gz`: from {start}Z, {BASE_LOG_S / 60:.0f} min at 1 Hz, {grade} grade, {state}.")
    lines += ["", "## Kinds of fault", ""]
    lines += [f"- `{kind}`: {meaning}" for kind, meaning in families().items()]
    return "\n".join(lines) + "\n"


def _drive_section(folder: Path, name: str, drive: DemoDrive) -> list[str]:
    """Return the section of one drive."""
    spec = drive.spec
    content = json.loads((folder / "faults.json").read_text(encoding="ascii"))
    kind = "satellites alone" if spec.solution_kind == "gnss" else "satellites and inertial in one solution"
    lines = [f"## {name}", "", drive.story, "",
             f"{spec.start_utc}Z, {spec.duration_s:g} s at {spec.rate_hz:g} Hz, {kind}. "
             + ("Further files: " + ", ".join(spec.outputs) + "." if spec.outputs else ""), "",
             "| planted | from (UTC) | to | size | dropout | cause |", "|---|---|---|---|---|---|"]
    for fault in content["faults"]:
        if fault["kind"] in ("start_up", "late_message", "short"):
            continue
        size = "" if fault["size"] is None else f"{fault['size']:g} {fault['unit'] or ''}".strip()
        lines.append(
            f"| {fault['kind']} | {fault['start_utc'][11:21]} | {fault['end_utc'][11:21]} | {size} | "
            f"{fault['dropout_kind'] or ''} | {fault['cause'] or ''} |"
        )
    return [line.rstrip() for line in lines] + [""]


def planted_kinds() -> set[str]:
    """Return every kind of fault that the set plants."""
    return {kind_of(k).name for drive in DEMO.values() for k in drive.spec.kinds}
