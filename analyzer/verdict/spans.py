"""From a windows file to windows in time: as written, or the passes between crossing lines."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import cast

import numpy as np
import pandas as pd

from analyzer import wording
from analyzer.errors import UsageError
from analyzer.evidence.claim import has_position
from analyzer.geodesy import distances, to_enu
from analyzer.recording import Finding
from analyzer.settings import thresholds
from analyzer.userfiles.moments import dated
from analyzer.userfiles.tabular import LINE_COLUMNS, WINDOW_COLUMNS, WindowFile
from analyzer.verdict.passes import crossed_in_gaps, crossings, nearest_end_m, passes

#: Code of the finding on lines that no pass was made of.
NOT_CROSSED = "lines_not_crossed"


def undriven(findings: Iterable[Finding]) -> list[str]:
    """Return the names of crossing lines that no pass was made of."""
    return [str(name) for f in findings if f.code == NOT_CROSSED for name in cast("list[object]", f.evidence["names"])]


def window_spans(windows: WindowFile | None, fixes: pd.DataFrame) -> tuple[pd.DataFrame, tuple[Finding, ...]]:
    """Return windows as ``name start_utc end_utc``, and findings on lines that no pass was made of.

    Parameters
    ----------
    windows : windows by time, crossing lines, or None.
    fixes : rows of `tables.FIXES`, at least one with a position.

    Raises
    ------
    UsageError : there are crossing lines, and not one pass between them; or a window has no date and the drive gives it none.
    """
    if windows is None:
        return pd.DataFrame(columns=list(WINDOW_COLUMNS)), ()
    if windows.lines.empty:
        return _with_dates(windows, fixes), windows.findings
    _refuse_long(windows.lines)
    again = windows.lines[windows.lines.duplicated()]
    if len(again):
        raise UsageError(f"windows file: the crossing line '{again['name'].iloc[0]}' stands in it twice with the same ends; give the way in and the way out.")
    placed = fixes[has_position(fixes)]
    origin = (float(placed["latitude_deg"].iloc[0]), float(placed["longitude_deg"].iloc[0]), 0.0)
    lines = windows.lines[["name"]].copy()
    for end in ("from", "to"):
        places = _local(windows.lines[f"{end}_latitude_deg"], windows.lines[f"{end}_longitude_deg"], origin)
        lines[f"{end}_east_m"], lines[f"{end}_north_m"] = places.T
    seconds = np.asarray((placed.index - placed.index[0]) / pd.Timedelta(seconds=1), dtype=np.float64)
    track = _local(placed["latitude_deg"], placed["longitude_deg"], origin)
    found = passes(lines, seconds, track, placed.index[0])
    _refuse_two_of_one_name(found)
    findings = (*windows.findings, *_in_gaps(lines, seconds, track, start=placed.index[0]), *_too_short(lines, track))
    names = lines["name"].astype(str).drop_duplicates().tolist()
    idle = [n for n in names if not found["name"].str.fullmatch(rf"{re.escape(n)} \d+( \(opposite\))?").any()]
    if not idle:
        return found, findings
    told = "; ".join(_why_no_pass(n, lines[(lines["name"].astype(str) == n).to_numpy()], seconds, track, start=placed.index[0]) for n in idle)
    if len(idle) == len(names):
        raise UsageError(f"windows file: no pass lies between the crossing lines: {told}; two lines of one name are the way in and the way out, "
                         "a single line is passed from one crossing to the next.")
    finding = Finding(NOT_CROSSED, "warning", f"No pass was made of these crossing lines: {told}.", {"names": idle})
    return found, (*findings, finding)


def _refuse_long(lines: pd.DataFrame) -> None:
    """Raise where a crossing line is longer than any across a road: an end lies elsewhere."""
    longest_m = thresholds("analyzer.verdict")["passes.longest_line"]
    length_m = distances(*(lines[c].to_numpy(np.float64) for c in LINE_COLUMNS[1:]))
    for name, length in zip(lines["name"], length_m, strict=True):
        if length > longest_m:
            raise UsageError(f"windows file: the crossing line '{name}' is {wording.length(float(length))} long; expected {longest_m:g} m at the most: "
                             "check latitude and longitude of both ends.")


def _in_gaps(lines: pd.DataFrame, seconds: np.ndarray, track: np.ndarray, *, start: pd.Timestamp) -> list[Finding]:
    """Return which lines were crossed where no position was logged, so that nobody knows when."""
    ends = lines[["from_east_m", "from_north_m", "to_east_m", "to_north_m"]].to_numpy(np.float64)
    gaps = [(str(name), gap) for name, line in zip(lines["name"], ends, strict=True) for gap in crossed_in_gaps(line, seconds, track)]
    if not gaps:
        return []
    told = wording.few(dict.fromkeys(f"{name} {_clock(a, start)} to {_clock(b, start)} UTC" for name, (a, b) in gaps), 3)
    text = (f"{wording.count(len(gaps), 'crossing')} of lines {'lies' if len(gaps) == 1 else 'lie'} where no position was logged ({told}): when the line was crossed, "
            "if the car drove straight on at all, is not known; the pass takes in all of that time.")
    return [Finding("line_crossed_in_gap", "warning", text, {"crossings": len(gaps)})]


def _too_short(lines: pd.DataFrame, track: np.ndarray) -> list[Finding]:
    """Return which lines end so near the track that a lap may miss them."""
    limit_m = thresholds("analyzer.verdict")["passes.near_end"]
    ends = lines[["from_east_m", "from_north_m", "to_east_m", "to_north_m"]].to_numpy(np.float64)
    names = [str(name) for name, line in zip(lines["name"], ends, strict=True) if nearest_end_m(line, track) < limit_m]
    if not names:
        return []
    text = (f"The route passes an end of these crossing lines within {limit_m:g} m: {wording.few(dict.fromkeys(names), 5)}. A lap may miss it by as much "
            "and make one pass with the next; lengthen the line.")
    return [Finding("line_too_short", "warning", text, {"names": names})]


def _clock(second: float, start: pd.Timestamp) -> str:
    return f"{start + pd.Timedelta(seconds=second):%H:%M:%S}"


def _refuse_two_of_one_name(found: pd.DataFrame) -> None:
    """Raise where passes of different lines come to the same name, like pass 1 of A 1 and pass 1 1 of A."""
    twice = found["name"][found["name"].duplicated()]
    if len(twice):
        raise UsageError(f"windows file: two passes would be called '{twice.iloc[0]}'; give the lines names that do not end in a number.")


def _why_no_pass(name: str, lines: pd.DataFrame, seconds: np.ndarray, track: np.ndarray, *, start: pd.Timestamp) -> str:
    """Say why the lines of one name made no pass: how often the route crosses each, when, and how far away it stays."""
    ends = lines[["from_east_m", "from_north_m", "to_east_m", "to_north_m"]].to_numpy(np.float64)
    at = [crossings(line, seconds, track) for line in ends]
    words = [_how_often(times, start) for times in at]
    if not all(map(len, at)):
        missed = _nearest_m(ends[[not len(times) for times in at]], track)
        where = f" ({_how_near(missed)})"
    else:
        where = ", so there is no pass between two crossings" if len(ends) == 1 else ", but not one after the other through the stretch between them"
    told = [w for w in words if w != "never"]
    if not told:
        return f"{name} is never crossed{where}"
    if len(told) < len(words):
        return f"{name} is crossed on one line {told[0]}, and never on the other{where}"
    return f"{name} is crossed {' and '.join(words)}{where}"


def _how_near(missed_m: float) -> str:
    """Say how near the route comes to a line that it does not cross, and what to check."""
    if missed_m > (clear_m := thresholds("analyzer.verdict")["passes.clear"]):
        return f"the route comes within {wording.length(missed_m)}: check latitude and longitude of both ends"
    return (f"the route reaches it but does not go on by {clear_m:g} m beyond it: the car turned or stopped there, or passed its end; "
            "move the line to where the car drives on, or lengthen it")


def _how_often(times_s: np.ndarray, start: pd.Timestamp) -> str:
    """Return "only once, at 09:12:33 UTC", "never", or how often."""
    if len(times_s) > 1:
        return f"{len(times_s)} times"
    return f"only once, at {start + pd.Timedelta(seconds=float(times_s[0])):%H:%M:%S} UTC" if len(times_s) else "never"


def _with_dates(windows: WindowFile, fixes: pd.DataFrame) -> pd.DataFrame:
    """Return windows by time, those without a date on the day of the drive."""
    times = windows.times.copy()
    for at, window in windows.undated.items():
        found = dated(window, fixes.index[0], fixes.index[-1])
        if isinstance(found, str):
            raise UsageError(f"{window.where}: {found}")
        times.loc[times.index[at], ["start_utc", "end_utc"]] = list(found)
    return times


def _local(latitude: pd.Series, longitude: pd.Series, origin: tuple[float, float, float]) -> np.ndarray:
    """Return east and north [m], shape (n, 2)."""
    east, north, _ = to_enu(latitude.to_numpy(), longitude.to_numpy(), np.zeros(len(latitude)), origin=origin)
    return np.column_stack([east, north])


def _nearest_m(lines: np.ndarray, track: np.ndarray) -> float:
    """Return the least distance of the route from any of the lines [m]."""
    out = np.inf
    for row in lines:
        along = row[2:] - row[:2]
        share = np.clip((track - row[:2]) @ along / max(float(along @ along), 1e-9), 0.0, 1.0)
        out = min(out, float(np.hypot(*(track - row[:2] - share[:, None] * along).T).min()))
    return out
