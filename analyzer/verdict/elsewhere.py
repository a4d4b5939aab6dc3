"""Windows that lie outside the recording, wholly or in part: nothing to drive again, but a sheet to check."""

from __future__ import annotations

import pandas as pd

from analyzer import wording

#: How the reason of a window begins that lies beside the recording altogether.
NOT_HERE = "not in this recording"
#: Whole hours by which local times differ from UTC at most.
_MOST_HOURS = 14


def lies_beside(reason: object) -> bool:
    """Return whether the `reason` of a window says that it lies beside the recording altogether."""
    return isinstance(reason, str) and reason.startswith(NOT_HERE)


def not_here(windows: pd.DataFrame) -> pd.Series:
    """Return per judged window whether it lies beside the recording altogether; a decision on it stands over that."""
    if "reason" not in windows:
        return pd.Series(False, index=windows.index, dtype=bool)
    return windows["reason"].astype(object).map(lies_beside).astype(bool)


def beside(start: pd.Timestamp, end: pd.Timestamp, times: pd.DatetimeIndex) -> str:
    """Return in words that a window lies beside the recording altogether, empty where it does not."""
    if not len(times) or not (end < times[0] or start > times[-1]):
        return ""
    return f"{NOT_HERE} ({times[0]:%Y-%m-%d %H:%M:%S} to {times[-1]:%Y-%m-%d %H:%M:%S} UTC): check day and time zone in the windows file"


def beyond_ends(start: pd.Timestamp, end: pd.Timestamp, times: pd.DatetimeIndex) -> list[str]:
    """Return in words by how much a window reaches beyond the recording, where that is more than a second."""
    before, after = (times[0] - start).total_seconds(), (end - times[-1]).total_seconds()
    return [f"the recording {verb} {wording.duration(part)} {when} this window does"
            for verb, when, part in (("begins", "after", before), ("ends", "before", after)) if part > 1.0]


def with_shift(windows: pd.DataFrame, times: pd.DatetimeIndex) -> pd.DataFrame:
    """Return judged windows whose reasons name the one shift by whole hours that puts all of them into the recording, where there is one."""
    out = not_here(windows)
    if not out.any():
        return windows
    first, last = windows["start_utc"].min() - times[0], windows["end_utc"].max() - times[-1]
    hours = [h for h in range(-_MOST_HOURS, _MOST_HOURS + 1) if first + pd.Timedelta(hours=h) >= pd.Timedelta(0) >= last + pd.Timedelta(hours=h)]
    if len(hours) != 1:
        return windows
    told = f"; {abs(hours[0])} h {'earlier' if hours[0] < 0 else 'later'} all windows would lie in it, as local times written as UTC would"
    return windows.assign(reason=windows["reason"].where(~out, windows["reason"].astype(str) + told))
