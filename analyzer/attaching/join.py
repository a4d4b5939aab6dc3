"""Quality of the positions on the rows of a measurement, by stated rules."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import tables
from analyzer.attaching.signals import LIMITS, Array, Flags
from analyzer.settings import thresholds
from analyzer.verdict.windows import window_of

#: What is joined, in the order in which it is written: name, unit, meaning, rule.
COLUMNS = (
    ("fix_state", "-", "fix state of the position", "held from the last epoch at or before the row"),
    ("correction_age_s", "s", "age of the last correction used", "held from the last epoch at or before the row"),
    ("satellites_used", "-", "satellites used", "held from the last epoch at or before the row"),
    ("horizontal_bound_m", "m", "95 % bound on the horizontal error, relative to the base",
     "the larger of the epochs around the row, plus speed times the half-width of the clock's 95 % interval"),
    ("vertical_bound_m", "m", "95 % bound on the height error",
     "the larger of the epochs around the row, plus climb rate times the half-width of the clock's 95 % interval"),
    ("trust", "-", "trusted, doubtful, rejected or not_evaluated for the purpose",
     "held from the last epoch at or before the row; doubtful where that is trusted and the bound of the row exceeds the limit"),
    ("dropout_id", "-", "number of the dropout in dropouts.csv, missing where none",
     "the dropout whose interval holds the row: start included, end not"),
    ("window", "-", "window the row lies in", "the first window whose interval holds the row, both ends included"),
)
NAMES = tuple(c[0] for c in COLUMNS)
NOT_EVALUATED = "not_evaluated"
EPOCH_COLUMNS = ("fix_state", "correction_age_s", "satellites_used", "horizontal_bound_m", "vertical_bound_m", "trust",
                 "speed_mps", "height_m")
WORDS = {"fix_state": (*tables.FIX_STATES, NOT_EVALUATED), "trust": tables.TRUST}


@dataclass(frozen=True)
class Quality:
    """What is known of the positions, ready to be joined.

    `epochs` has `EPOCH_COLUMNS` and a unique increasing ``time_utc`` index; `dropouts` ``dropout_id start_utc end_utc``;
    `windows` ``name start_utc end_utc``.
    """

    epochs: pd.DataFrame
    dropouts: pd.DataFrame
    windows: pd.DataFrame
    nominal_s: float = field(default=np.nan)

    @property
    def interval_s(self) -> float:
        """Usual time between epochs [s]."""
        if np.isfinite(self.nominal_s):
            return self.nominal_s
        step = np.diff(pd.DatetimeIndex(self.epochs.index).as_unit("us").asi8)
        return float(np.median(step)) * 1e-6 if len(step) else 1.0


def join(quality: Quality, times: pd.DatetimeIndex, *, half_width_s: Array | float = 0.0,
         tolerance_s: float | None = None, speed_mps: Array | None = None, around: Around | None = None) -> pd.DataFrame:
    """Return quality on the rows of a measurement, one row per time and in their order.

    Parameters
    ----------
    quality : epochs, dropouts and windows.
    times : UTC of each row, in any order, NaT where a row has none.
    half_width_s : what is not known of the clock (95 %), for all rows or for each [s].
    tolerance_s : an epoch is held for so long; default 1.5 intervals of the recording, into a gap one interval [s].
    speed_mps : speed of the measurement, used where the recording has none [m/s].
    around : what `find_around` found for the same times and tolerance, where it is at hand.

    Returns
    -------
    Columns `NAMES` with a plain index. Beyond the tolerance and across gaps numbers are NaN and states
    ``not_evaluated``; ``dropout_id`` and ``window`` come from their intervals and hold there too.
    """
    rows = around or find_around(quality, times, tolerance_s)
    frame = quality.epochs
    speed = _pair(frame, "speed_mps", rows)
    if speed_mps is not None:
        speed = np.where(np.isfinite(speed), speed, speed_mps)
    climb = _climb(quality, rows)
    out: dict[str, object] = {
        "fix_state": _held_words(frame, "fix_state", rows),
        "correction_age_s": _held(frame, "correction_age_s", rows),
        "satellites_used": _held(frame, "satellites_used", rows).astype(np.float32),
        "horizontal_bound_m": (_pair(frame, "horizontal_bound_m", rows)
                               + _widening(speed, half_width_s)).astype(np.float32),
        "vertical_bound_m": (_pair(frame, "vertical_bound_m", rows) + _widening(climb, half_width_s)).astype(np.float32),
        "trust": _held_words(frame, "trust", rows),
        "dropout_id": _dropout(quality.dropouts, times),
        "window": _window(quality.windows, times),
    }
    return pd.DataFrame(out)


@dataclass(frozen=True)
class Around:
    """For each row the epoch before it and the one to compare with, and whether the row may be answered."""

    before: NDArray[np.int64]
    after: NDArray[np.int64]
    good: Flags


def find_around(quality: Quality, times: pd.DatetimeIndex, tolerance_s: float | None = None) -> Around:
    """Find the epochs around each row; in a gap and at an epoch both are the one before."""
    epoch = pd.DatetimeIndex(quality.epochs.index).as_unit("us").asi8
    moment = times.as_unit("us").asi8
    before = np.searchsorted(epoch, moment, side="right") - 1
    at = np.clip(before, 0, max(len(epoch) - 1, 0))
    if not len(epoch):
        return Around(at, at, np.zeros(len(moment), dtype=bool))
    nominal = quality.interval_s * 1e6
    limit = thresholds(LIMITS)["join.gap_factor"] * nominal
    allowed = limit if tolerance_s is None else tolerance_s * 1e6
    step = np.r_[np.diff(epoch).astype(np.float64), np.inf]
    gap = step > limit + 1.0
    since = (moment - epoch[at]).astype(np.float64)
    good = ~np.asarray(times.isna()) & (before >= 0) & (since <= np.where(gap[at], np.minimum(allowed, nominal), allowed) + 1.0)
    between = good & ~gap[at] & (since > 0)
    return Around(at, np.where(between, at + 1, at), good)


def places(quality: Quality, times: pd.DatetimeIndex, rows: Around) -> dict[str, int]:
    """Return how many rows of a measurement lie ``within`` the recording, ``outside`` of it, ``in_gaps``, or are ``without_time``."""
    dated = ~np.asarray(times.isna())
    epoch = pd.DatetimeIndex(quality.epochs.index).as_unit("us").asi8
    moment = times.as_unit("us").asi8
    spanned = dated & (moment >= epoch[0]) & (moment <= epoch[-1]) if len(epoch) else np.zeros(len(moment), dtype=bool)
    return {"within": int(rows.good.sum()), "outside": int((dated & ~rows.good & ~spanned).sum()),
            "in_gaps": int((spanned & ~rows.good).sum()), "without_time": int((~dated).sum())}


def _held(frame: pd.DataFrame, name: str, rows: Around) -> Array:
    if name not in frame or not len(frame):
        return np.full(len(rows.good), np.nan)
    values = frame[name].to_numpy(dtype=np.float64, na_value=np.nan)
    return np.where(rows.good, values[rows.before], np.nan)


def _pair(frame: pd.DataFrame, name: str, rows: Around) -> Array:
    """Return the larger of both epochs, so that a change between them never makes a row look better than either."""
    if name not in frame or not len(frame):
        return np.full(len(rows.good), np.nan)
    values = frame[name].to_numpy(dtype=np.float64, na_value=np.nan)
    larger = np.fmax(values[rows.before], values[rows.after])
    known = np.isfinite(values[rows.before])
    return np.where(rows.good & known, larger, np.nan)


def _climb(quality: Quality, rows: Around) -> Array:
    """Return the rate of height between the epochs around each row, 0 where unknown [m/s]."""
    frame = quality.epochs
    if "height_m" not in frame or len(frame) < 2:
        return np.zeros(len(rows.good))
    height = frame["height_m"].to_numpy(dtype=np.float64, na_value=np.nan)
    step = np.diff(pd.DatetimeIndex(frame.index).as_unit("us").asi8) * 1e-6
    rate = np.abs(np.diff(height)) / np.maximum(step, 1e-6)
    return np.asarray(np.nan_to_num(np.r_[rate, rate[-1]][np.minimum(rows.before, len(rate))]))


def _widening(rate: Array, half_width_s: Array | float) -> Array:
    """Return what an error of the clock moves a position [m]; at rest nothing, and nothing where the clock is exact."""
    width = np.broadcast_to(np.asarray(half_width_s, dtype=np.float64), rate.shape)
    return np.where(width == 0.0, 0.0, np.abs(rate) * width)


def _held_words(frame: pd.DataFrame, name: str, rows: Around) -> pd.Categorical[Any]:
    words = WORDS[name]
    missing = words.index(NOT_EVALUATED)
    if name not in frame or not len(frame):
        return pd.Categorical.from_codes(np.full(len(rows.good), missing), categories=pd.Index(words))
    column = frame[name].astype(pd.CategoricalDtype(list(words)))
    codes = column.cat.codes.to_numpy(dtype=np.int64)
    held = np.where(rows.good, codes[rows.before], missing)
    return pd.Categorical.from_codes(np.where(held < 0, missing, held), categories=pd.Index(words))


def _dropout(dropouts: pd.DataFrame, times: pd.DatetimeIndex) -> pd.arrays.IntegerArray:
    """Return the number of the dropout that holds each time; dropouts never overlap."""
    out = np.zeros(len(times), dtype=np.int64)
    moment = times.as_unit("us").asi8
    dated = ~np.asarray(times.isna())
    if len(dropouts):
        ends = [pd.DatetimeIndex(dropouts[c]).as_unit("us").asi8 for c in ("start_utc", "end_utc")]
        for number, low, high in zip(dropouts["dropout_id"], *ends, strict=True):
            out[dated & (moment >= low) & (moment < high)] = int(number)
    return pd.arrays.IntegerArray(out.astype(np.int32), out == 0)


def _window(windows: pd.DataFrame, times: pd.DatetimeIndex) -> pd.Categorical:
    """Return the window of each time, in the order of the times; none for rows without a time."""
    names = list(dict.fromkeys(str(n) for n in windows["name"])) if len(windows) else []
    if not names:
        return pd.Categorical([None] * len(times), categories=names)
    dated = ~np.asarray(times.isna())
    order = np.argsort(times[dated].asi8, kind="stable")
    found = window_of(windows.assign(name=windows["name"].astype(str)), times[dated][order])
    out = np.full(len(times), None, dtype=object)
    out[np.flatnonzero(dated)[order]] = np.asarray(found, dtype=object)
    return pd.Categorical(out, categories=names)
