"""Windows from a marker: one for each run of equal value that is neither zero nor empty.

A marker is a level: 0 and 1, the number of the manoeuvre, or its name as text. A row holds until the next one. Where the
channel writes an explicit zero (``0``, ``off``, ``none``, ``false``) and its values mostly stand in single rows, rows without a
value are rows at which it was not sampled, and the level holds; else an empty row ends the run. Runs shorter than `marker.shortest` are bounces of a contact. A pause of the measurement ends a run.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import intervals
from analyzer.attaching.signals import LIMITS, Array
from analyzer.errors import UsageError
from analyzer.settings import thresholds
from analyzer.userfiles.tabular import WINDOW_COLUMNS

OFF = 0
OFF_WORDS = frozenset({"off", "none", "false"})
MISSING_WORDS = frozenset({"", "nan", "null", "<na>"})
LONGEST_NAME = 80


@dataclass(frozen=True)
class MarkedRuns:
    """`windows` as ``name start_utc end_utc``; `bounces` is how many shorter runs were taken as bounces of a contact."""

    windows: pd.DataFrame
    bounces: int


def marked_runs(times: pd.DatetimeIndex, values: pd.Series, *, channel: str) -> MarkedRuns:
    """Return the windows of a marker channel.

    Parameters
    ----------
    times : of each row, in any order; rows without a time are left out.
    values : numbers, booleans or text, one per row.
    channel : what errors call it.

    Raises
    ------
    UsageError : the channel never holds a level, holds too many values, or changes too fast to be a marker.
    """
    known = ~np.asarray(times.isna())
    order = np.argsort(times.asi8[known], kind="stable")
    at = times[known][order]
    codes, labels = _levels(pd.Series(values).reset_index(drop=True)[known].iloc[order], channel)
    seconds = (at.asi8 - at.asi8[0]) / 1e6 if len(at) else np.empty(0)
    breaks = _pauses(seconds, codes)
    steady, bounces = _without_bounces(seconds, codes, breaks, channel)
    rows = []
    seen: dict[str, int] = {}
    for start, end in _runs(steady, breaks):
        if steady[start] == OFF:
            continue
        last = _end(seconds, breaks, end)
        if last <= seconds[start]:
            continue
        rows.append((_name(labels[steady[start]], seen), at[start], at[0] + pd.Timedelta(microseconds=round(last * 1e6))))
    if not rows:
        raise UsageError(f"{channel} holds no level: it never is other than zero or empty for longer than "
                         f"{thresholds(LIMITS)['marker.shortest']:g} s; name the channel that marks the manoeuvres.")
    return MarkedRuns(pd.DataFrame(rows, columns=list(WINDOW_COLUMNS)), bounces)


def _levels(values: pd.Series, channel: str) -> tuple[NDArray[np.int64], list[str]]:
    """Return a code per row (`OFF`, or an index into the labels; rows without a sample hold the one before), and the labels."""
    plain = values.astype(float) if pd.api.types.is_bool_dtype(values.dtype) else pd.to_numeric(values, errors="coerce")
    numbers = np.array(plain.to_numpy(dtype=np.float64, na_value=np.nan), dtype=np.float64)
    text = values.astype(object).where(values.notna(), "").astype(str).map(lambda v: " ".join(v.split())[:LONGEST_NAME])
    lower = text.str.lower()
    unknown = np.isnan(numbers)
    missing = unknown & lower.isin(MISSING_WORDS).to_numpy(dtype=bool)
    worded = unknown & ~missing & ~lower.isin(OFF_WORDS).to_numpy(dtype=bool)
    numbers = numbers if worded.any() else _steady(numbers)
    off = (numbers == 0) | (unknown & ~missing & ~worded)
    words = np.where(worded, text, [f"marker {v:g}" for v in numbers])
    words = np.where(off | missing, "", words)
    kinds, codes = np.unique(words.astype(str), return_inverse=True)
    labels = ["", *(str(k) for k in kinds if k)]
    most = thresholds(LIMITS)["marker.most"]
    if len(labels) - 1 > most:
        raise UsageError(f"{channel} holds {len(labels) - 1} different values and is no marker: expected a level, the number or the name of "
                         f"the manoeuvre, at most {most:.0f} of them; name another channel.")
    return _filled(codes + (0 if "" in kinds else 1), missing & (off.any() and _single(~missing))), labels


def _single(present: NDArray[np.bool_]) -> bool:
    """Return whether values mostly stand in single rows, as of a channel slower than its table, or written at changes."""
    spans = intervals.runs(present)
    return len(spans) > 0 and float(np.median(spans[:, 1] - spans[:, 0])) <= 1.0


def _steady(numbers: Array) -> Array:
    """Return a level that was measured as a voltage without its noise: whole numbers, or 0 and 1 for two levels of any size."""
    limits = thresholds(LIMITS)
    known = numbers[np.isfinite(numbers)]
    if not len(known):
        return numbers
    whole = np.abs(numbers - np.rint(numbers)) <= limits["marker.near"]
    some = 1.0 - limits["marker.between"]
    low, high = float(known.min()), float(known.max())
    edge = limits["marker.edge"] * (high - low)
    at_ends = np.mean((known <= low + edge) | (known >= high - edge))
    if not whole[np.isfinite(numbers)].all() and len(np.unique(known)) > 2 and at_ends >= some:
        return np.where(np.isfinite(numbers), (numbers > (low + high) / 2).astype(np.float64), np.nan)
    return np.where(whole, np.rint(numbers) + 0.0, numbers) if whole[np.isfinite(numbers)].mean() >= some else numbers


def _filled(codes: NDArray[np.int64], held: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return codes with those of held rows taken from the row before, `OFF` at the start."""
    last = np.maximum.accumulate(np.where(held, -1, np.arange(len(codes))))
    return np.where(last >= 0, codes[np.maximum(last, 0)], OFF).astype(np.int64)


def _pauses(seconds: Array, codes: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return which rows begin anew after a pause; a channel that is written at changes only has none."""
    out = np.zeros(len(seconds), dtype=bool)
    if len(seconds) < 3 or np.mean(codes[1:] == codes[:-1]) <= 0.5:
        return out
    limits = thresholds(LIMITS)
    step = np.diff(seconds)
    out[1:] = step > max(limits["marker.pause_steps"] * float(np.median(step)), limits["marker.pause"])
    return out


def _runs(codes: NDArray[np.int64], breaks: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return the runs of equal code, cut at pauses."""
    if not len(codes):
        return []
    part = np.cumsum(np.r_[False, (codes[1:] != codes[:-1]) | breaks[1:]])
    return [(int(a), int(b)) for a, b in intervals.equal_runs(part)]


def _end(seconds: Array, breaks: NDArray[np.bool_], end: int) -> float:
    """Return when the run that ends before row `end` is over: at the next row, but one step later before a pause or the end."""
    if end < len(seconds) and not breaks[end]:
        return float(seconds[end])
    step = float(np.median(np.diff(seconds))) if len(seconds) > 1 else 0.0
    return float(seconds[end - 1]) + (step if end < len(seconds) else 0.0)


def _without_bounces(
    seconds: Array, codes: NDArray[np.int64], breaks: NDArray[np.bool_], channel: str
) -> tuple[NDArray[np.int64], int]:
    """Return codes in which short runs between two of one level take that level and others are off, and how many there were.

    What lies between two different levels is a contact that bounces at the edge, or a voltage on its way.
    """
    shortest = thresholds(LIMITS)["marker.shortest"]
    runs = _runs(codes, breaks)
    short = [b < len(seconds) and not breaks[b] and _end(seconds, breaks, b) - seconds[a] < shortest for a, b in runs]
    if sum(b - a for (a, b), s in zip(runs, short, strict=True) if s) > 0.5 * len(codes):
        raise UsageError(f"{channel} changes faster than every {shortest:g} s and is no marker: expected a level that lasts as long as the "
                         "manoeuvre; name another channel.")
    after = [OFF] * len(runs)
    for k in range(len(runs) - 2, -1, -1):
        follows = runs[k + 1]
        after[k] = OFF if breaks[follows[0]] else after[k + 1] if short[k + 1] else int(codes[follows[0]])
    out, before, count = codes.copy(), OFF, 0
    for (start, end), brief, follows_level in zip(runs, short, after, strict=True):
        before = OFF if breaks[start] else before
        if brief:
            level = before if before == follows_level else OFF
            count += int((codes[start:end] != level).any() and before == follows_level)
            out[start:end] = level
        else:
            before = int(codes[start])
    return out, count


def _name(label: str, seen: dict[str, int]) -> str:
    """Return a name that no earlier window has: ``marker 3``, then ``marker 3 (2)``."""
    seen[label] = seen.get(label, 0) + 1
    name = label if seen[label] == 1 else f"{label} ({seen[label]})"
    return name if name == label or name not in seen else _name(label, seen)
