"""Windows from a marker channel of a measurement, on the clock of the recording, and how the two clocks were tied."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from analyzer.attaching.clock_words import unusable, unwatched
from analyzer.attaching.clocks import measured_offset
from analyzer.attaching.decide import Applied, decide
from analyzer.attaching.marker_runs import marked_runs
from analyzer.attaching.measured import Measured, Named
from analyzer.attaching.measured_files import open_measurement_file
from analyzer.attaching.time_offset import TimeOffset
from analyzer.attaching.time_offset_estimate import NAMES
from analyzer.errors import InputError, RefusedError, UsageError
from analyzer.parsers.column_map import ColumnMap
from analyzer.recording import Finding, Recording
from analyzer.userfiles.tabular import LINE_COLUMNS, WindowFile


@dataclass(frozen=True)
class Tie:
    """How the clock of a measurement is tied to that of the recording: in words, and what is taken out, if anything."""

    words: str
    level: str = "note"
    applied: Applied | None = None


def split_channel(text: str) -> tuple[Path, str | None]:
    """Return file and channel of ``FILE`` or ``FILE:CHANNEL``.

    Raises
    ------
    UsageError : there is no such file, or nothing stands behind the colon.
    """
    if text and Path(text).exists():
        return Path(text), None
    at = text.rfind(":")
    while at > 0:
        if Path(text[:at]).is_file():
            if not text[at + 1 :].strip():
                raise UsageError(f"--windows-from {text}: no channel stands behind the colon; write FILE:CHANNEL, or FILE alone where the "
                                 "column map names the marker.")
            return Path(text[:at]), text[at + 1 :].strip()
        at = text.rfind(":", 0, at)
    raise UsageError(f"--windows-from {text}: there is no such file; expected a measurement as FILE:CHANNEL, or FILE alone where the "
                     "column map names the marker.")


def read_marker_windows(
    recording: Recording, measurement: str | Path, channel: str | None = None, *, maps: Sequence[ColumnMap] = (),
    bus: Path | None = None,
) -> WindowFile:
    """Return the windows that a marker channel of a measurement marks, for `assess`.

    Parameters
    ----------
    recording : the drive; its speed proves the clock of the measurement.
    measurement : delimited text, Parquet or ASAM MDF 4.
    channel : the marker; None takes the column that the column map calls ``marker``.
    maps : column maps, those for other files are left aside; without one it is proposed from names and units.
    bus : bus description for raw bus recordings.

    Raises
    ------
    UsageError : no such channel, or one that is no marker.
    RefusedError : the measurement's clock is no UTC, and no signal ties it to the recording.
    InputError : the measurement cannot be read.
    """
    if recording.fixes.empty:
        raise InputError("the recording holds no epochs, so that no window can be laid on it: expected a log with positions.")
    # an archive is served by what it holds
    names = {Path(measurement).name, Path(measurement).stem}
    fitting = [m for m in maps if m.table == "measurement" and any(m.serves(n) for n in names)]
    named = Named(marker=channel or "", rate_of=channel)
    start = pd.Timestamp(recording.fixes.index[0])
    opened = open_measurement_file(measurement, fitting, named, start=start, bus=bus)
    assert opened.marker is not None
    label = f"{opened.raw.name}: channel '{opened.marker.name}'"
    runs = marked_runs(opened.marker.times, opened.marker.values, channel=label)
    found = measured_offset(recording.fixes, opened.measured)
    tie = tie_of(found, opened.measured)
    windows = runs.windows
    if tie.applied is not None:
        utc = {c: tie.applied.utc(pd.DatetimeIndex(windows[c])) for c in ("start_utc", "end_utc")}
        windows = windows.assign(**utc)
    bounces = f"; changes too short for a manoeuvre, taken as bounces of a contact: {runs.bounces}" if runs.bounces else ""
    count = "1 window was" if len(windows) == 1 else f"{len(windows)} windows were"
    text = f"{count} taken from channel '{opened.marker.name}' of {opened.raw.name}; {tie.words}{bounces}."
    evidence = {"source": opened.raw.name, "channel": opened.marker.name, "windows": len(windows), "offset_s": found.offset_s,
                "interval_s": found.interval_s, "taken_out": tie.applied is not None}
    return WindowFile(windows, pd.DataFrame(columns=list(LINE_COLUMNS)), (Finding("windows_from_marker", tie.level, text, evidence),))


def tie_of(found: TimeOffset, measured: Measured) -> Tie:
    """Return how the clock is tied: UTC by its own stamps where nothing contradicts, else by the offset that was found.

    Raises
    ------
    RefusedError : the clock is no UTC and its offset, or the interval of it, is not known; or no one offset holds for the marker.
    """
    line = found.line
    certain = line is not None and np.isfinite(line.half_width_s)
    if not measured.placed and not certain:
        why = found.not_evaluated or "the interval of its offset is not known"
        raise RefusedError(f"{measured.name}: its clock is no UTC and nothing ties it to the recording: {why}; name a column with UTC or "
                           "one with the vehicle's speed in the column map.")
    if line is None or not certain:
        return Tie(f"its clock is UTC by its own stamps and is taken at its word: {found.not_evaluated or 'no interval is known'}", "warning")
    if (refused := unusable(found)) is not None:
        raise RefusedError(f"{measured.name}: {refused}.")
    signal = NAMES[found.apparent.kind] if found.apparent is not None else "motion"
    size = f"{line.offset_s:+.3f} s (95 % {line.offset_s - line.half_width_s:+.3f} to {line.offset_s + line.half_width_s:+.3f} s)"
    if not measured.placed:
        applied = decide(found, None, name=measured.name, placed=False)
        return Tie(f"its clock is no UTC and was placed by its {signal}, certain to {1000 * line.half_width_s:.1f} ms (95 %)"
                   f"{unwatched(found)}", "note", applied)
    if found.clock_off and found.suspicion is None and not found.outside_band:
        return Tie(f"its clock is UTC by its own stamps, but off by {size}: other signals show that this is the clock's; the windows keep its "
                   "stamps", "warning")
    if found.suspicion is None and not found.outside_band:
        return Tie(f"its clock is UTC by its own stamps, and its {signal} agrees with the recording: apart by {size}{unwatched(found)}")
    named = f", that is {found.suspicion}" if found.suspicion else ""
    applied = decide(found, "auto", name=measured.name, placed=True)
    return Tie(f"its stamps are no UTC of the recording: its {signal} shows its clock ahead by {size}{named}, which was taken out of the "
               "windows", "warning", applied)
