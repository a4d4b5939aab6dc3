"""The table of offsets: one row per set-up of the base and kind of evidence."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.comparing.frame_verdict import Answer
from analyzer.comparing.frames import Frames
from analyzer.comparing.runs import Run
from analyzer.metrics.base_site_shift import Shift

if TYPE_CHECKING:
    pass

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
    rows = []
    for setup in found.setups:
        if setup.index == found.reference and setup.absolute is None:
            continue
        base = {"setup": setup.index, "day": setup.day, "runs": " ".join(str(runs[i].name) for i in setup.runs)}
        if setup.index != found.reference:
            entered = setup.entered_m
            rows.append(
                base
                | _vector(
                    "entered",
                    None if entered is None else tuple(entered),
                    "what was entered, not where the antenna stands",
                    "the entered base position of this set-up or of the reference is not known",
                )
            )
            rows.append(base | _shift("marks", setup.marks, "no common mark was visited"))
            rows.append(base | _shift("common_stands", setup.parking, "no common parking place"))
            kind = f"base_log_{setup.log_grade or 'none'}"
            note = (
                "displacement of the antenna, not of positions"
                if setup.log_grade == "centimetre"
                else "only shifts above the stated size would show"
            )
            rows.append(
                base
                | _shift(kind, setup.log, "no log at the base for both set-ups")
                | ({"note": note} if setup.log else {})
            )
            if setup.lever is not None:
                rows.append(
                    base
                    | _vector(
                        "fixed_to_car", (*setup.lever.vector_m, np.nan), "forward and left, not east and north", ""
                    )
                    | {
                        "half_e_m": setup.lever.half_width_m[0],
                        "half_n_m": setup.lever.half_width_m[1],
                        "p_value": setup.lever.p_value,
                        "found": setup.lever.found,
                        "smallest_detectable_m": setup.lever.detectable_m,
                    }
                )
        if setup.absolute is not None:
            rows.append(base | _shift("marks_absolute", setup.absolute, ""))
    return pd.DataFrame(rows).reindex(columns=list(OFFSET_COLUMNS))


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
