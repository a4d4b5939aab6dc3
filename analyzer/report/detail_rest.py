"""Tables of what was measured at rest, and of the stretches and jumps that the evidence found."""

from __future__ import annotations

import pandas as pd

from analyzer import wording
from analyzer.assessment import Assessment
from analyzer.report.detail import Cell, jump_of, real, rows_of, text, whole
from analyzer.report.model import Section, Table
from analyzer.wording import Clock


def standstills(assessment: Assessment, clock: Clock) -> Section:
    """Return the scatter at rest, which is repeatability and never accuracy."""
    frame = assessment.standstills
    if not len(frame):
        return Section(
            "standstills", "Standstills", ("The vehicle never stood long enough to measure scatter at rest.",)
        )
    table = rows_of(
        frame,
        "Scatter at rest",
        _standstill_cells(clock),
        numeric=("length", "epochs", "independent", "half within", "95 % within", "height, 1σ"),
        label=lambda r: f"S{text(r.get('standstill_id'))}",
    )
    return Section(
        "standstills",
        "Standstills: short-term repeatability",
        ("Scatter while the vehicle stood. It shows how well positions repeat over that time, not how true they are; "
         "nothing smaller than the last digit of the logged position is told.",),
        tables=(table,),
    )


def _standstill_cells(clock: Clock) -> dict[str, Cell]:
    """Return the columns of the table of standstills."""
    return {
        "stop": lambda r: f"S{text(r.get('standstill_id'))}",
        "from, UTC": lambda r: clock.time(r.get("start_utc")),
        "length": _lasting,
        "fix state": lambda r: wording.words(r.get("fix_state")),
        "epochs": lambda r: whole(r.get("n")),
        "independent": lambda r: (
            wording.ABSENT if real(r.get("n_eff")) is None else wording.faithful(float(r["n_eff"]))
        ),
        "half within": lambda r: wording.length(real(r.get("cep50_m"))),
        "95 % within": lambda r: wording.length(real(r.get("r95_m"))),
        "height, 1σ": _sigma_up,
        "mark": lambda r: text(r.get("check_point")),
    }


def _lasting(row: pd.Series) -> str:
    """Return how long the row's stretch lasts."""
    jump = jump_of(row, "")
    return wording.ABSENT if jump is None else wording.duration((jump.end_ms - jump.start_ms) / 1000.0)


def _sigma_up(row: pd.Series) -> str:
    """Return the standard deviation of height."""
    variance = real(row.get("var_uu_m2"))
    return wording.ABSENT if variance is None or variance < 0 else wording.length(variance**0.5)


def segments(assessment: Assessment, clock: Clock) -> Section:
    """Return stretches of one fix state with an offset, and the jumps between them."""
    parts, jumps = assessment.segments, assessment.jumps
    tables = []
    if len(parts):
        tables.append(_stretches(parts, clock))
    if len(jumps):
        tables.append(_jumps(jumps, clock))
    words = () if tables else ("No step of the position was found that motion does not explain.",)
    return Section("steps", "Claimed against shown: stretches and jumps", words, tables=tuple(tables))


def _stretches(parts: pd.DataFrame, clock: Clock) -> Table:
    """Return the table of stretches with their offsets."""
    return rows_of(
        parts,
        "Stretches of one fix state and the offset found for each",
        {
            "stretch": lambda r: text(r.get("segment_id")),
            "from, UTC": lambda r: clock.time(r.get("start_utc")),
            "length": _lasting,
            "fix state": lambda r: wording.words(r.get("fix_state")),
            "offset east, north, up": lambda r: _by_axis(r, "offset_{}_m"),
            "1σ east, north, up": lambda r: _by_axis(r, "sigma_{}_m"),
            "decision": lambda r: wording.words(r.get("decision")),
            "evidence": lambda r: text(r.get("evidence")),
        },
        numeric=("length",),
        wide=("evidence",),
        label=lambda r: f"stretch {text(r.get('segment_id'))}",
    )


def _jumps(jumps: pd.DataFrame, clock: Clock) -> Table:
    """Return the table of jumps between stretches."""
    return rows_of(
        jumps,
        "Jumps of the position",
        {
            "at, UTC": lambda r: clock.time(r.get("time_utc")),
            "from": lambda r: wording.words(r.get("from_state")),
            "to": lambda r: wording.words(r.get("to_state")),
            "step east, north, up": lambda r: _by_axis(r, "d{}_m"),
            "1σ in plan, height": lambda r: ", ".join(wording.length(real(r.get(c))) for c in ("sigma_m", "sigma_u_m")),
            "decision": lambda r: wording.words(r.get("decision")),
        },
    )


def _by_axis(row: pd.Series, column: str) -> str:
    """Return the lengths east, north and up of the columns that `column` names with a gap for the axis."""
    return ", ".join(wording.length(real(row.get(column.format(axis)))) for axis in "enu")
