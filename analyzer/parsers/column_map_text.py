"""Write a column map as TOML that a user can read, check and edit."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence

from analyzer.settings import thresholds

Row = tuple[str, str, str, float, str]
_SURE = thresholds("analyzer.parsers", "thresholds_sources.toml")["recognise.sure_confidence"]


def map_text(file_name: str, table: str, rows: Sequence[Row], *, clock: tuple[str, str, float, str] | None,
             others: Sequence[str], stamped: bool, week: str | None = None, second: str | None = None,
             state: tuple[str, list[str]] | None = None, beside: Sequence[str] = (), ticks: tuple[str | None, float] = (None, float("nan"))) -> str:
    """Return the TOML of a proposed column map.

    Parameters
    ----------
    file_name : str
        The file it was made from; its name is the pattern.
    table : str
        Table the rows become.
    rows : sequence of (our name, column, unit, confidence, why)
    clock : (column, scale, confidence, why), optional
    others : sequence of str
        Columns that are not mapped; listed as a comment.
    stamped : bool
        Whether rows carry a stamp of the logger, so that a clock column is not required.
    week : str, optional
        Column of the GPS week.
    second : str, optional
        A further time column; perhaps the time of arrival at the logger.
    state : (column, codes seen), optional
        Column of fix states; the codes are left to the user.
    beside : sequence of str
        Columns of the car that the table cannot hold and a measurement could.
    ticks : (unit or None, number)
        Unit that the file states for the clock, and how far apart its rows lie in numbers of it.
    """
    sure = [c for *_, c, _ in rows] + ([clock[2]] if clock else [])
    lowest = min(sure, default=0.0)
    lines = [
        (
            f"# Proposed from {_plain(file_name)}; the least sure line is sure to {lowest:.0%}. Check every line, above"
            " all those"
        ),
        f"# marked CHECK (below {_SURE:.0%}), then pass this file with --columns.",
        f"files = [{_quoted(file_name)}]",
        f'table = "{table}"' + ("  # CHECK" if beside else ""),
        *([f"# CHECK: {', '.join(map(_plain, beside))} would be kept by table = \"measurement\", which has no rates but the yaw rate and no",
           "# vertical acceleration; for both give the file twice, with a map each (--table measurement prints the other)"] if beside else []),
        "",
    ]
    lines += _clock_lines(clock, stamped, week, ticks)
    if second is not None:
        lines += [f"# CHECK: {_plain(second)} is a time too; if the logger wrote it at arrival, add", "# [arrival]",
                  f"# column = {_quoted(second)}", '# scale = "…"', ""]
    if table in ("inertial", "attitude", "measurement"):
        down = any("down" in column.lower() or "right" in column.lower() for _, column, *_ in rows)
        lines += [
            "[axes]",
            f'frame = "{"forward_right_down" if down else "iso8855"}"  # CHECK: iso8855 is forward, left, up',
            "",
        ]
    lines += _value_lines(rows)
    lines += _state_lines(state) if table == "fixes" else []
    if others:
        lines += ["# not mapped: " + ", ".join(map(_plain, others))]
    return "\n".join(lines).rstrip() + "\n"


def _value_lines(rows: Sequence[Row]) -> list[str]:
    """Return one table per quantity, or an example where none was recognised."""
    lines: list[str] = []
    for name, column, unit, confidence, why in rows:
        mark = "" if confidence >= _SURE else "  CHECK"
        lines += [f"[columns.{name}]  # {confidence:.0%} by {why}{mark}", f"column = {_quoted(column)}",
                  f"unit = {_quoted(unit)}", ""]
    if rows:
        return lines
    return [
        "# CHECK: no column was recognised; add one table [columns.NAME] per quantity, for example",
        "# [columns.speed_mps]", '# column = "…"', '# unit = "m/s"', "",
    ]


def _clock_lines(
    clock: tuple[str, str, float, str] | None, stamped: bool, week: str | None, ticks: tuple[str | None, float]
) -> list[str]:
    """Return the table [time]."""
    if clock is None:
        note = "the rows carry the stamp of the logger" if stamped else "CHECK: no time column was recognised; name it"
        head = [f"[time]  # {note}"] + ([] if stamped else ['column = ""'])
        return [*head, 'scale = "relative"', ""]
    column, scale, confidence, why = clock
    lines = [
        f"[time]  # {confidence:.0%} by {why}{'' if confidence >= _SURE else '  CHECK'}",
        f"column = {_quoted(column)}",
        f'scale = "{scale}"',
    ]
    if scale == "gps_week_seconds":
        lines.append(
            f"week_column = {_quoted(week)}" if week else "week = 0  # CHECK: no column of GPS weeks was recognised"
        )
    if scale == "relative":
        unit, step = ticks
        apart = f': its rows then lie {step:g} s apart; write "ms", "us" or "min" where that is not so' if math.isfinite(step) else ""
        lines += [
            f"unit = {_quoted(unit)}" if unit else f'unit = "s"  # CHECK{apart}',
            "# CHECK: this clock is not UTC; place it by its start or by one pair of clock value and UTC:",
            '# start_utc = "2026-01-31T12:00:00.000Z"',
            "# anchor_clock = 0.0",
            '# anchor_utc = "2026-01-31T12:00:00.000Z"',
        ]
    if scale == "time_of_day":
        lines.append('# date = "2026-01-31"  # or date_column, or --date')
    return [*lines, ""]


def _state_lines(state: tuple[str, list[str]] | None) -> list[str]:
    """Return a commented table [fix_state] with the codes that occur; an example where no column was recognised."""
    none = "# CHECK: no column of a fix state was recognised, and without one no position is evaluated; where there is one, name it and"
    column, codes = state if state is not None else ("…", ["4", "5"])
    return [
        *([none] if state is None else []),
        (
            "# CHECK: say what the codes mean (fixed, precise, float, differential, autonomous, estimated, manual,"
            " simulated,"
        ),
        "# no_fix), then take the # away:",
        "# [fix_state]",
        f"# column = {_quoted(column)}",
        "# [fix_state.codes]",
        *(f'# {_quoted(code)} = "…"' for code in codes),
        "",
    ]


def _plain(text: str) -> str:
    """Return a name for a comment: without line ends, which would end the comment."""
    return " ".join(text.split())


def _quoted(text: str) -> str:
    """Return a TOML string."""
    return json.dumps(text, ensure_ascii=False)
