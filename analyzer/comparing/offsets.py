"""The table of offsets: one row per set-up of the base and kind of evidence."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.comparing.frame_verdict import Answer
from analyzer.comparing.runs import Run
from analyzer.comparing.setups import Frames, Lever, Setup
from analyzer.metrics.base_site_shift import Shift

Array = NDArray[np.float64]
OFFSET_COLUMNS = (
    "setup",
    "day",
    "runs",
    "evidence",
    "east_m",
    "north_m",
    "up_m",
    "half_e_m",
    "half_n_m",
    "half_u_m",
    "p_value",
    "level",
    "found",
    "smallest_detectable_m",
    "detectable_e_m",
    "detectable_n_m",
    "detectable_u_m",
    "aligned_to",
    "note",
)


def offset_table(runs: Sequence[Run], found: Frames, told: Sequence[Answer]) -> pd.DataFrame:
    """Return offsets.csv: one row per set-up and kind of evidence, those without evidence included with the reason."""
    rows: list[dict[str, Any]] = []
    for setup in found.setups:
        base = {"setup": setup.index, "day": setup.day, "runs": " ".join(str(runs[i].name) for i in setup.runs)}
        if setup.index != found.reference:
            rows += [base | row for row in _against_reference(setup, found.not_linked(setup))]
        if setup.absolute is not None:
            rows.append(base | _shift("marks_absolute", setup.absolute, ""))
    return pd.DataFrame(rows).reindex(columns=list(OFFSET_COLUMNS))


def _against_reference(setup: Setup, not_linked: str) -> list[dict[str, Any]]:
    """Return what each kind of evidence says of a set-up against the reference; `not_linked` is why no mark does."""
    rows = [
        _entered(setup),
        _shift("marks", setup.marks, not_linked),
        _shift("common_stands", setup.parking, "no common parking place"),
        _base_log(setup),
    ]
    return rows if setup.lever is None else [*rows, _fixed_to_car(setup.lever)]


def _entered(setup: Setup) -> dict[str, Any]:
    """Return the difference of the entered base coordinates."""
    return _vector(
        "entered",
        None if setup.entered_m is None else tuple(setup.entered_m),
        "what was entered, not where the antenna stands",
        "the entered base position of this set-up or of the reference is not known",
    )


def _base_log(setup: Setup) -> dict[str, Any]:
    """Return the shift of the antenna by the logs at the base."""
    row = _shift(f"base_log_{setup.log_grade or 'none'}", setup.log, "no log at the base for both set-ups")
    if setup.log is None:
        return row
    note = (
        "displacement of the antenna, not of positions"
        if setup.log_grade == "centimetre"
        else "only shifts above the stated size would show"
    )
    return row | {"note": note}


def _fixed_to_car(lever: Lever) -> dict[str, Any]:
    """Return what turns with the car."""
    return _vector("fixed_to_car", (*lever.vector_m, np.nan), "forward and left, not east and north", "") | {
        "half_e_m": lever.half_width_m[0],
        "half_n_m": lever.half_width_m[1],
        "p_value": lever.p_value,
        "found": lever.found,
        "smallest_detectable_m": lever.detectable_m,
    }


def _vector(kind: str, vector: tuple[float, ...] | None, note: str, reason: str) -> dict[str, Any]:
    if vector is None:
        return {"evidence": kind, "note": f"not evaluated: {reason}"}
    return {"evidence": kind, "east_m": vector[0], "north_m": vector[1], "up_m": vector[2], "note": note}


def _shift(kind: str, shift: Shift | None, reason: str) -> dict[str, Any]:
    if shift is None:
        return {"evidence": kind, "note": f"not evaluated: {reason}"}
    note = "" if shift.found else f"no shift above {shift.detectable_m:.3f} m found"
    row = _vector(kind, shift.vector_m, note, "")
    for axis, half, size in zip("enu", shift.half_width_m, shift.detectable_axis_m, strict=True):
        row |= {f"half_{axis}_m": half, f"detectable_{axis}_m": size}
    return row | {
        "p_value": shift.p_value,
        "level": shift.level,
        "found": shift.found,
        "smallest_detectable_m": shift.detectable_m,
    }
