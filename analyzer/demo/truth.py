"""What is known of a simulated drive: truth.csv and faults.json."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.demo.drive import Drive, frame_offset, lever_offset
from analyzer.demo.dropouts import SURE_S, Dropout, true_dropouts
from analyzer.demo.planted import acting, acting_end_s
from analyzer.demo.scenario import to_geodetic
from analyzer.demo.sky import OPEN
from analyzer.demo.states import FIXED, NO_FIX, STATE_NAMES

Flags = NDArray[np.bool_]

_HEADER = "time_utc,lat_deg,lon_deg,height_m,state,error_h_m,error_v_m,cause,logged,error_e_m,error_n_m,error_u_m"


def utc_text(start: pd.Timestamp, seconds: float) -> str:
    """Return the moment `seconds` after `start` as ISO 8601 with milliseconds."""
    moment = start + pd.Timedelta(milliseconds=round(seconds * 1000.0))
    return moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{moment.microsecond // 1000:03d}Z"


def utc_texts(start: pd.Timestamp, seconds: NDArray[np.float64]) -> list[str]:
    """Return many moments as ISO 8601 with milliseconds."""
    base = round(start.timestamp()) * 1000
    stamps = np.asarray(np.rint(seconds * 1000.0).astype(np.int64) + base, dtype="datetime64[ms]")
    return [f"{text}Z" for text in np.datetime_as_string(stamps).tolist()]


def write_truth(drive: Drive, logged: Flags, path: Path) -> None:
    """Write truth.csv: true position of the output point and the error of what was logged, per epoch."""
    latitude, longitude, height = to_geodetic(drive.true_enu_m)
    error = drive.error_m
    cause = acting(drive.plan, drive.time_s, drive.sky.obstruction[drive.tick], OPEN)
    rows = zip(
        utc_texts(drive.start, drive.time_s), latitude.tolist(), longitude.tolist(), height.tolist(),
        drive.state.tolist(), np.hypot(error[:, 0], error[:, 1]).tolist(), np.abs(error[:, 2]).tolist(), cause,
        logged.astype(int).tolist(), *error.T.tolist(), strict=True,
    )
    with path.open("w", encoding="ascii", newline="\n") as file:
        file.write(_HEADER + "\n")
        file.writelines(_truth_row(row) for row in rows)


def _truth_row(row: tuple[str, float, float, float, int, float, float, str, int, float, float, float]) -> str:
    """Return one line of truth.csv; without a fix there is no error."""
    time, lat, lon, height, state, horizontal, vertical, cause, logged, east, north, up = row
    head = f"{time},{lat:.10f},{lon:.10f},{height:.4f},{STATE_NAMES[state]},"
    if state == NO_FIX:
        return f"{head},,{cause},{logged},,,\n"
    return f"{head}{horizontal:.4f},{vertical:.4f},{cause},{logged},{east:.4f},{north:.4f},{up:.4f}\n"


def faults_of(drive: Drive, logged: Flags) -> dict[str, object]:
    """Return the content of faults.json.

    Every planted fault stands there once without a dropout kind; every dropout that followed stands there with its
    kind and causes. Entries of kind ``start_up``, ``late_message`` and ``short`` are natural and no fault.
    """
    dropouts = true_dropouts(drive, logged)
    faults = [_planted(drive, number) for number in range(len(drive.plan.events))]
    faults += [_dropout(drive, d) for d in dropouts]
    seen = np.flatnonzero(logged)
    fixed = seen[drive.state[seen] == FIXED]
    out: dict[str, object] = {"family": drive.spec.family_name, "run": drive.spec.run, "seed": drive.spec.seed}
    if len(fixed):
        first = float(drive.time_s[fixed[0]] - drive.time_s[seen[0]])
        out["time_to_first_fixed_s"] = round(first, 2)
        faults.append(_entry(drive, "start_up", 0.0, float(drive.time_s[fixed[0]])))
    faults += _late(drive, dropouts)
    offset = frame_offset(drive.spec, drive.plan)
    out |= {f"offset_{axis}_m": round(float(v), 4) for axis, v in zip("enu", offset, strict=True)}
    arm = lever_offset(drive.plan)
    if arm.any():
        names = ("forward", "left", "up")
        out |= {f"offset_{name}_m": round(float(v), 4) for name, v in zip(names, arm, strict=True)}
    out["faults"] = sorted(faults, key=lambda f: (str(f["start_utc"]), str(f["kind"])))
    return out


def _entry(drive: Drive, kind: str, start: float, end: float, **more: object) -> dict[str, object]:
    """Return one entry of the fault list."""
    base: dict[str, object] = {
        "kind": kind, "start_utc": utc_text(drive.start, start), "end_utc": utc_text(drive.start, end), "size": None,
        "unit": None, "dropout_kind": None, "cause": None, "cause_without_recordings": None,
    }
    return base | more


def _planted(drive: Drive, number: int) -> dict[str, object]:
    """Return the entry of a planted fault."""
    event = drive.plan.events[number]
    end = min(acting_end_s(event), drive.spec.duration_s)
    return _entry(drive, event.kind, event.start_s, end, size=event.size, unit=event.unit or None)


def _dropout(drive: Drive, dropout: Dropout) -> dict[str, object]:
    """Return the entry of a dropout; short ones carry no kind, since readers may or may not count them."""
    length = dropout.end_s - dropout.start_s
    if length < SURE_S:
        return _entry(drive, "short", dropout.start_s, dropout.end_s, size=round(length, 2), unit="s")
    return _entry(
        drive, dropout.fault, dropout.start_s, dropout.end_s, size=round(length, 2), unit="s",
        dropout_kind=dropout.kind, cause=dropout.cause, cause_without_recordings=dropout.cause_without_recordings,
    )


def _late(drive: Drive, dropouts: list[Dropout]) -> list[dict[str, object]]:
    """Return entries for single late or lost correction sets outside any dropout."""
    arrival = drive.link.arrival_s[drive.link.received]
    at = np.flatnonzero(np.diff(arrival) > 1.6 * drive.link.interval_s)
    out = []
    for k in at:
        start, end = float(arrival[k]), float(arrival[k + 1])
        inside = any(d.start_s - 2.0 <= start <= d.end_s for d in dropouts)
        if not inside and 0.0 < start < drive.spec.duration_s:
            out.append(_entry(drive, "late_message", start, min(end, drive.spec.duration_s)))
    return out


def write_faults(drive: Drive, logged: Flags, path: Path) -> None:
    """Write faults.json."""
    path.write_text(json.dumps(faults_of(drive, logged), indent=1) + "\n", encoding="ascii", newline="\n")
