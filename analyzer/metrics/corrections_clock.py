"""Message time of a correction stream: one rising axis per place, repeats marked, anchored to UTC where possible.

A bare stream tells the time of week or of day only. The week comes from the rover log, else from a given date, else
from the messages 1013 and 1029, which carry a date; never from today's date.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date as Date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import tables, timebase
from analyzer.intervals import equal_runs
from analyzer.settings import thresholds

WEEK_S = 604_800.0
DAY_S = 86_400.0
_KEY = ["message_type", "station_id", "epoch_s", "size_byte", "crc"]
_STRETCHES = ["place", "source_id", "start_byte", "end_byte", "messages", "start_s", "end_s", "duration_s"]
_Float = NDArray[np.float64]


@dataclass(frozen=True)
class TimedMessages:
    """Messages with their place on a time axis.

    Attributes
    ----------
    messages : the rows in stream order, index ``time_utc`` (NaT where not anchored), and further columns ``message_s``
        (GPS seconds on a rising axis [s]; messages without a time take the one before) and ``repeated`` (the same
        message came before at this place).
    stretches : repeated stretches, one row each time a stretch comes again: ``place source_id start_byte end_byte
        messages start_s end_s duration_s``.
    origin : what anchored the axis: ``rover_log``, ``date``, ``stream`` or ``none``.
    """

    messages: pd.DataFrame
    stretches: pd.DataFrame
    origin: str


def time_messages(
    corrections: pd.DataFrame, *, fixes: pd.DataFrame | None = None, date: Date | None = None,
) -> TimedMessages:
    """Return `corrections` on a time axis.

    Parameters
    ----------
    corrections : table of schema ``CORRECTIONS`` as `analyzer.parsers.rtcm.decode` returns it, any places and sources.
    fixes : table of schema ``FIXES``; its index gives the week.
    date : UTC date on which the stream was recorded; used where there are no fixes.
    """
    parts, stretches, origins = [], [], []
    for place, rows in complete(corrections).groupby("place", observed=True, sort=False):
        ordered = rows.sort_values(["source_id", "byte_offset"], kind="stable")
        first, ordered["repeated"] = _repeats(ordered)
        ordered["message_s"], period = _axis(ordered)
        stretches.append(_stretches(ordered, first, str(place)))
        start, origin = _anchor(ordered, period, fixes=fixes, date=date)
        if origin != "none":
            gps_s = ordered["message_s"].to_numpy(dtype=np.float64) + start
            ordered.index = timebase.utc_index(timebase.gps_to_utc(np.zeros(len(gps_s), dtype=np.int64), gps_s))
        parts.append(ordered)
        origins.append(origin)
    if not parts:
        empty = complete(corrections).assign(repeated=False, message_s=np.nan)
        return TimedMessages(empty, pd.DataFrame(columns=_STRETCHES), "none")
    filled = [s for s in stretches if len(s)] or stretches[:1]
    return TimedMessages(pd.concat(parts), pd.concat(filled, ignore_index=True), min(origins, key=_ORIGINS.index))


def _family(number: int) -> int:
    """Return the observation family of a message number: 107 to 113, legacy ones under GPS and GLONASS, else 0."""
    if 1001 <= number <= 1004:
        return 107
    if 1009 <= number <= 1012:
        return 108
    return number // 10 if 1 <= number % 10 <= 7 else 0


#: Observation messages by family (RTCM 10403.x, multiple signal messages).
_FAMILIES = {107: "GPS", 108: "GLONASS", 109: "Galileo", 110: "SBAS", 111: "QZSS", 112: "BeiDou", 113: "NavIC"}
_ORIGINS = ("none", "stream", "date", "rover_log")


def complete(corrections: pd.DataFrame) -> pd.DataFrame:
    """Return the table with the further columns of the decoder, missing where a reader did not give them."""
    out = corrections.copy()
    if "crc" not in out:
        out["crc"] = np.int32(-1)
    if "epoch_scale" not in out:
        scale = ["week" if known else None for known in out["epoch_s"].notna()]
        out["epoch_scale"] = pd.Categorical(scale, categories=["week", "day"])
    if "system" not in out:
        families = {number: _FAMILIES.get(_family(int(number))) for number in out["message_type"].unique()}
        out["system"] = pd.Categorical([families[n] for n in out["message_type"]], categories=[*_FAMILIES.values()])
    if "sent_utc" not in out:
        out["sent_utc"] = pd.DatetimeIndex([pd.NaT] * len(out), dtype=tables.TIME_DTYPE)
    return out


def _repeats(rows: pd.DataFrame) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return the row of the first equal message, and whether each message came before.

    Only messages with a time can tell; those between them share the answer of the one before.
    """
    number = np.arange(len(rows), dtype=np.int64)
    code = rows.groupby(_KEY, dropna=False, sort=False).ngroup().to_numpy()
    _, where = np.unique(code, return_index=True)
    first = where[code].astype(np.int64)
    timed = rows["epoch_s"].notna().to_numpy()
    flag = np.where(timed, first < number, False)
    last_timed = np.maximum.accumulate(np.where(timed, number, -1))
    inherited = np.where(last_timed >= 0, flag[np.maximum(last_timed, 0)], False)
    return np.where(timed, first, -1), np.asarray(inherited, dtype=bool)


def _unwrap(value: _Float, period: float) -> _Float:
    """Return `value` without its wraps: a step back of more than half a period is a new period."""
    step = np.diff(value, prepend=value[:1])
    turns = (step < -period / 2).astype(np.float64) - (step > period / 2)
    return np.asarray(value + period * np.cumsum(turns), dtype=np.float64)


def _axis(rows: pd.DataFrame) -> tuple[_Float, float]:
    """Return seconds on a rising axis and the period in which it is ambiguous."""
    epoch = rows["epoch_s"].to_numpy(dtype=np.float64)
    week, day = (rows["epoch_scale"].eq(name).to_numpy(dtype=bool) for name in ("week", "day"))
    out, period = np.full(len(rows), np.nan), WEEK_S
    if week.any():
        out[week] = _unwrap(epoch[week], WEEK_S)
        near = pd.Series(out).ffill().bfill().to_numpy()
        out[day] = epoch[day] + DAY_S * np.round((near[day] - epoch[day]) / DAY_S)
    elif day.any():
        out[day], period = _unwrap(epoch[day], DAY_S), DAY_S
    return np.round(pd.Series(out).ffill().bfill().to_numpy(dtype=np.float64), 3), period


def _stretches(rows: pd.DataFrame, first: NDArray[np.int64], place: str) -> pd.DataFrame:
    """Return the stretches of `rows` that came before, one row for every time they come again.

    ``duration_s`` counts the interval of the last epoch, so 66 epochs at 1 Hz last 66 s.
    """
    timed = np.flatnonzero(first >= 0)
    again = rows["repeated"].to_numpy()[timed]
    back = np.r_[False, first[timed][1:] < first[timed][:-1]]
    out = []
    for low, high in equal_runs(again, back & again):
        if not again[low]:
            continue
        part = rows.iloc[timed[low]:timed[high - 1] + 1]
        span = part["message_s"]
        steps = np.diff(np.unique(span.to_numpy(dtype=np.float64)))
        last = float(np.median(steps)) if len(steps) else 0.0
        out.append((place, int(part["source_id"].iloc[0]), int(part["byte_offset"].iloc[0]),
                    int(part["byte_offset"].iloc[-1] + part["size_byte"].iloc[-1]), len(part),
                    float(span.min()), float(span.max()), float(span.max() - span.min()) + last))
    return pd.DataFrame(out, columns=_STRETCHES)


def repeated_long(stretches: pd.DataFrame) -> pd.DataFrame:
    """Return the stretches that are long enough to be a recording made twice rather than a message sent twice."""
    least = thresholds("analyzer.metrics", "thresholds_link.toml")["repeat.least"]
    return stretches[stretches["duration_s"] >= least]


def _anchor(
    rows: pd.DataFrame, period: float, *, fixes: pd.DataFrame | None, date: Date | None,
) -> tuple[float, str]:
    """Return what to add to ``message_s`` to get seconds since the GPS epoch, and what that rests on."""
    moment = rows["message_s"].to_numpy(dtype=np.float64)
    if not len(moment) or not np.isfinite(moment).any():
        return 0.0, "none"
    near = (np.nanmin(moment) + np.nanmax(moment)) / 2
    index = pd.DatetimeIndex(fixes.index if fixes is not None else []).dropna()
    sent = rows["sent_utc"].notna().to_numpy()
    if len(index):
        target, origin = _gps_seconds(index.min() + (index.max() - index.min()) / 2), "rover_log"
    elif date is not None:
        target, origin = _gps_seconds(pd.Timestamp(date, tz="UTC")) + DAY_S / 2, "date"
    elif sent.any():
        at = int(np.flatnonzero(sent)[0])
        target, origin, near = _gps_seconds(rows["sent_utc"].iloc[at]), "stream", moment[at]
    else:
        return 0.0, "none"
    return float(period * np.round((target - near) / period)), origin


def _gps_seconds(moment: pd.Timestamp) -> float:
    """Return seconds since the GPS epoch of a UTC moment."""
    week, second = timebase.utc_to_gps(np.array([moment.tz_convert("UTC").tz_localize(None)], dtype="datetime64[us]"))
    return float(week[0] * WEEK_S + second[0])
