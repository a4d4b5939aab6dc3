"""What is not one drive with one clock is refused: its faults would be put down to fixes or to the base."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analyzer.errors import InputError
from analyzer.recording import Recording
from analyzer.settings import thresholds

_DAY_S = 86_400.0
#: A time of day this many usual intervals after the last one, or this long [s] after it, runs on.
_RUNS_ON_INTERVALS, _RUNS_ON_S = 5.0, 2.0


def refuse_several_drives(recording: Recording) -> None:
    """Raise where epochs lie so far apart in time that they cannot be of one drive, in several files or in one.

    Raises
    ------
    InputError : names the files, or the file and the byte, and the two days.
    """
    words = several_drives(recording)
    if words:
        raise InputError(words)


def several_drives(recording: Recording) -> str:
    """Return the sentence on a pause that is too long for one drive; empty where there is none."""
    times = pd.DatetimeIndex(recording.fixes.index)
    apart_s = np.diff(times.asi8) / 1e6
    far = np.flatnonzero(apart_s > thresholds("analyzer.verdict")["drive.longest_pause"])
    if not len(far):
        return ""
    at = int(far[0])
    source = recording.fixes["source_id"].to_numpy(np.int64)[at: at + 2]
    if source[0] != source[1]:
        first, second = (recording.sources[int(x)].name for x in source)
        return (f"{first} ends on {times[at]:%Y-%m-%d} and {second} begins on {times[at + 1]:%Y-%m-%d}: "
                "these are several drives; assess each by itself.")
    name = recording.sources[int(source[0])].name if int(source[0]) < len(recording.sources) else "the recording"
    usual_s = float(np.median(apart_s))
    over_s = float(apart_s[at] % _DAY_S)
    runs_on = over_s <= max(_RUNS_ON_INTERVALS * usual_s, _RUNS_ON_S)
    doubt = " (or, as the time of day runs on, one drive whose date is wrong in one part)" if runs_on else ""
    return (f"{name} holds nothing from {times[at]:%Y-%m-%d %H:%M:%S} to {times[at + 1]:%Y-%m-%d %H:%M:%S}{_place(recording, at + 1)}: "
            f"these are several drives{doubt}; cut the file there and assess each by itself.")


def refuse_stepped_clock(recording: Recording) -> None:
    """Raise where the clock of a rover log steps back over times at which the log already holds other positions.

    Raises
    ------
    InputError : says where, how far the positions are apart, and what to do.
    """
    rovers = {source.name for source in recording.sources if source.place == "rover"}
    for finding in recording.findings:
        name = finding.evidence.get("source")
        if finding.code == "clock_stepped" and name in rovers:
            raise InputError(f"{name}: {finding.text} Cut the file there and assess each part by itself.")


def _place(recording: Recording, row: int) -> str:
    """Return the byte at which an epoch begins, where the log is one of bytes."""
    source = int(recording.fixes["source_id"].iloc[row])
    in_bytes = source < len(recording.sources) and recording.sources[source].ledger.unit == "byte"
    return f" (byte {int(recording.fixes['byte_offset'].iloc[row])})" if in_bytes else ""
