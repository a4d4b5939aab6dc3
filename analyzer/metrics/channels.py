"""Recorded channels before anything is judged: resolution, true rate, frozen and empty values, latency."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import tables
from analyzer.geodesy import meridian_radius, prime_vertical_radius
from analyzer.intervals import runs, seconds
from analyzer.metrics.channels_latency import LATENCY_COLUMNS, latencies
from analyzer.metrics.channels_values import resolution, update
from analyzer.metrics.channels_words import channel_findings, latency_findings
from analyzer.metrics.inertial import InertialResult
from analyzer.metrics.inertial_timing import FILE, longest_usual, sampling
from analyzer.metrics.metric import Metric, missing
from analyzer.recording import Finding, Recording
from analyzer.settings import thresholds

CHANNEL_COLUMNS = ("channel", "rows", "row_rate_hz", "update_rate_hz", "update", "resolution", "resolution_m",
                   "frozen_share", "zero_share", "missing_share", "speed_p95_mps", "usable_from_m")
#: Columns that are book-keeping or claims, not measured channels.
_NOT_CHANNELS = frozenset({"source_id", "byte_offset", "station_id", "marker", "satellites_used", "satellites_in_view",
                           "hdop", "vdop", "pdop", "cn0_median_dbhz", "correction_age_s", "geoid_separation_m",
                           "range_rms_m", "sigma_major_m", "sigma_minor_m", "sigma_orientation_deg", "sigma_north_m",
                           "sigma_east_m", "sigma_up_m"})


def check_recorded_channels(recording: Recording) -> InertialResult:
    """Check every channel of the fixes, attitude, inertial and measurement tables, source by source.

    Tables: ``channels`` (`CHANNEL_COLUMNS` with ``source`` and ``table`` in front) and ``latencies`` (``source table``
    and the columns of `channels_latency.latencies`).
    """
    findings: list[Finding] = []
    results: list[pd.DataFrame] = []
    lags: list[pd.DataFrame] = []
    latitude = recording.fixes["latitude_deg"].median() if len(recording.fixes) else np.nan
    latitude_deg = float(latitude) if np.isfinite(latitude) else None
    for schema, frame in ((tables.FIXES, recording.fixes), (tables.ATTITUDE, recording.attitude),
                          (tables.INERTIAL, recording.inertial), (tables.MEASUREMENT, recording.measurement)):
        for number, part in _by_source(frame):
            name = recording.sources[number].name if 0 <= number < len(recording.sources) else f"source {number}"
            ready = _ordered(part)
            channels, delay = channel_table(ready, latitude_deg=latitude_deg), latencies(ready)
            findings.extend(channel_findings(channels, source_name=name))
            findings.extend(latency_findings(delay, source_name=name, speed_mps=_usual_speed(ready)))
            results.append(_labelled(channels, name, schema.name))
            lags.append(_labelled(delay, name, schema.name))
    channels = _joined(results, ("source", "table", *CHANNEL_COLUMNS))
    delays = _joined(lags, ("source", "table", *LATENCY_COLUMNS))
    return InertialResult(tuple(_metrics(channels)), tuple(findings), {"channels": channels, "latencies": delays})


def _by_source(frame: pd.DataFrame) -> Iterator[tuple[int, pd.DataFrame]]:
    """Yield the sources of `frame` with their rows; one source alone needs no row to be looked up."""
    ids = frame["source_id"].to_numpy()
    if len(ids) and (ids == ids[0]).all():
        yield int(ids[0]), frame
        return
    for source_id, part in frame.groupby("source_id", sort=True):
        yield int(str(source_id)), part


def check_channels(frame: pd.DataFrame, *, source_name: str, latitude_deg: float | None = None) -> tuple[Finding, ...]:
    """Return what is wrong with the channels of `frame`, each with the limits [m] its channel can still serve.

    Parameters
    ----------
    frame : numeric columns named as in `analyzer.tables`; times as index.
    source_name : named in the findings.
    latitude_deg : for the length of a degree of longitude; default the median of column ``latitude_deg``.
    """
    ready = _ordered(frame)
    found = list(channel_findings(channel_table(ready, latitude_deg=latitude_deg), source_name=source_name))
    found.extend(latency_findings(latencies(ready), source_name=source_name, speed_mps=_usual_speed(ready)))
    return tuple(found)


def channel_table(frame: pd.DataFrame, *, latitude_deg: float | None = None) -> pd.DataFrame:
    """Return one row per channel of `frame` (times increasing) with columns `CHANNEL_COLUMNS`.

    ``update`` is ``every_row held interpolated constant irregular``; ``update_rate_hz`` is NaN where it cannot be told;
    ``resolution`` is in the channel's unit, ``resolution_m`` on the ground for positions and, for ``time_utc``, at the
    95 % quantile of speed; ``frozen_share`` is the share of the driving time (of all time without a speed channel) in
    which the channel stands still for longer than a second and ten of its updates; ``usable_from_m`` is the smallest
    position limit the channel serves.
    """
    ready = _ordered(frame)
    timing = sampling(pd.DatetimeIndex(ready.index))
    moment = seconds(pd.DatetimeIndex(ready.index))
    latitude = _latitude(ready, latitude_deg)
    speed = _speed(ready)
    fast = _usual_speed(ready)
    lasting = _lasting(moment)
    rows = [_time_row(moment, timing.rate_hz, fast)]
    for name in ready.columns:
        if name in _NOT_CHANNELS or not pd.api.types.is_numeric_dtype(ready[name]) or name.startswith("sigma_"):
            continue
        values = ready[name].to_numpy(np.float64, na_value=np.nan)
        if np.isfinite(values).any():
            rows.append(_channel_row(name, values, moment, lasting_s=lasting, rate_hz=timing.rate_hz, latitude_deg=latitude,
                                     speed=speed, fast_mps=fast))
    return pd.DataFrame(rows, columns=list(CHANNEL_COLUMNS))


def _ordered(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of `frame` that have a time, in time order, the first of each time."""
    timed = frame.index.notna()
    out = frame if timed.all() else frame[timed]
    if not out.index.is_monotonic_increasing:
        out = out.sort_index(kind="stable")
    return out[~out.index.duplicated()] if out.index.has_duplicates else out


def _channel_row(name: str, values: NDArray[np.float64], moment: NDArray[np.float64], *, lasting_s: NDArray[np.float64],
                 rate_hz: float, latitude_deg: float, speed: NDArray[np.float64] | None, fast_mps: float) -> tuple[object, ...]:
    """Return the row of one channel."""
    known = np.isfinite(values)
    step = resolution(values)
    pace = update(values, moment, step=step)
    share = known.mean()
    every = pace.rows_per_update
    update_rate = rate_hz * float(share) / every if np.isfinite(every) else np.nan
    on_ground = step * _metres_per_unit(name, latitude_deg)
    position = bool(np.isfinite(_metres_per_unit(name, 0.0)))
    usable = _usable_from(on_ground, pace.kind, update_rate, fast_mps, position=position)
    return (name, int(known.sum()), rate_hz * float(share), update_rate, pace.kind, step, on_ground,
            _frozen_share(values, lasting_s, every, values if name == "speed_mps" else speed),
            float(np.mean(values[known] == 0.0)), 1.0 - float(share), fast_mps, usable)


def _usable_from(step_m: float, kind: str, update_rate_hz: float, fast_mps: float, *, position: bool) -> float:
    """Return the smallest position limit [m] that a position channel serves; NaN for other channels.

    Rounding: half a step may use a tenth of the limit. Held: the newest value is up to one update old, at the usual
    high speed. Interpolated: a straight line misses at most a T^2 / 8 at the largest acceleration a of a car.
    """
    if not position or kind == "constant":
        return np.nan
    limit = thresholds(*FILE)
    rounding = 0.5 * step_m * limit["channels.rule_of_ten"] if np.isfinite(step_m) else 0.0
    stale = 0.0
    if kind == "held" and np.isfinite(fast_mps):
        stale = fast_mps / update_rate_hz
    elif kind == "interpolated":
        stale = limit["channels.acceleration_mps2"] / update_rate_hz**2 / 8.0
    return float(max(rounding, stale))


def _metres_per_unit(name: str, latitude_deg: float) -> float:
    """Return metres on the ground per unit of a position channel, NaN for others."""
    if name == "latitude_deg":
        return float(np.deg2rad(meridian_radius(latitude_deg)))
    if name == "longitude_deg":
        return float(np.deg2rad(prime_vertical_radius(latitude_deg)) * np.cos(np.deg2rad(latitude_deg)))
    return 1.0 if name in ("height_m", "height_msl_m", "x_m", "y_m", "z_m", "east_m", "north_m", "up_m") else np.nan


def _latitude(frame: pd.DataFrame, latitude_deg: float | None) -> float:
    """Return the latitude for the length of a degree, NaN where unknown."""
    if latitude_deg is not None:
        return latitude_deg
    return float(frame["latitude_deg"].median()) if "latitude_deg" in frame else np.nan


def _speed(frame: pd.DataFrame) -> NDArray[np.float64] | None:
    """Return the speed channel, held over rows without one, or None."""
    if "speed_mps" not in frame or not frame["speed_mps"].notna().any():
        return None
    return frame["speed_mps"].ffill().to_numpy(np.float64)


def _usual_speed(frame: pd.DataFrame) -> float:
    """Return the 95 % quantile of speed [m/s], from the speed channel or else the positions; NaN without either."""
    speed = _speed(frame)
    if speed is None or not np.isfinite(speed).any():
        if not {"latitude_deg", "longitude_deg"} <= set(frame.columns):
            return np.nan
        known = frame[["latitude_deg", "longitude_deg"]].dropna()
        moment = seconds(pd.DatetimeIndex(known.index))
        if len(known) < 3:
            return np.nan
        # Over a second, so that rounding and repeats do not make speeds.
        reach = min(max(1, round(1.0 / float(np.median(np.diff(moment))))), len(known) - 1)
        middle = float(known["latitude_deg"].median())
        change = known.to_numpy(np.float64)[reach:] - known.to_numpy(np.float64)[:-reach]
        north, east = (change[:, i] * _metres_per_unit(c, middle) for i, c in enumerate(known.columns))
        speed = np.hypot(north, east) / (moment[reach:] - moment[:-reach])
    return float(np.nanquantile(speed, 0.95))


def _lasting(moment: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the time [s] that each row stands for: until the next one; the usual interval before a gap and for the last."""
    step = np.diff(moment)
    if not len(step):
        return np.zeros(len(moment))
    usual = float(np.median(step))
    return np.append(np.where(step > longest_usual(step), usual, step), usual)


def _frozen_share(values: NDArray[np.float64], lasting_s: NDArray[np.float64], rows_per_update: float,
                  speed: NDArray[np.float64] | None) -> float:
    """Return the share of (driving) time in which the channel repeats one value for too long; both by `lasting_s` of the rows."""
    limit = thresholds(*FILE)
    known = np.isfinite(values)
    if speed is not None:
        # NaN speed compares false: rows without speed are no driving.
        known &= speed > limit["channels.moving_mps"]
    at = np.flatnonzero(known)
    if len(at) < 2:
        return np.nan
    series, lasting = values[at], lasting_s[at]
    # Only a run of two rows and more can be too long.
    spans = runs((series[1:] == series[:-1]) & (np.diff(at) == 1))
    ended = np.concatenate([[0.0], np.cumsum(lasting)])
    length = ended[spans[:, 1] + 1] - ended[spans[:, 0]]
    update_s = float(np.median(lasting)) * (rows_per_update if np.isfinite(rows_per_update) else 1.0)
    long = length > max(limit["channels.frozen_s"], limit["channels.frozen_updates"] * update_s)
    return min(float(length[long].sum() / ended[-1]), 1.0) if long.any() else 0.0


def _time_row(moment: NDArray[np.float64], rate_hz: float, fast_mps: float) -> tuple[object, ...]:
    """Return the row of the time column; its resolution shows only where the rows are not evenly spaced."""
    step = np.rint(np.diff(moment) * 1e6)
    step = step[step > 0]
    grid = np.nan
    if len(step) >= 20:
        common = float(np.gcd.reduce(step.astype(np.int64)))
        # Intervals that are whole multiples of the shortest one are even rows with some missing.
        grid = common * 1e-6 if common < step.min() else np.nan
    shift_m = grid * fast_mps
    # Rounding of time moves positions by half a step times speed; the rule of ten applies to it as to a coordinate.
    usable = 0.5 * shift_m * thresholds(*FILE)["channels.rule_of_ten"]
    return ("time_utc", len(moment), rate_hz, rate_hz, "every_row", grid, shift_m, 0.0, 0.0, 0.0, fast_mps, usable)


def _metrics(channels: pd.DataFrame) -> Iterator[Metric]:
    """Yield how many channels were checked and the coarsest position step."""
    yield Metric("channels_checked", len(channels), "-", len(channels), "numeric channels with values, and time")
    step = channels["resolution_m"].dropna()
    method = "largest step of a position channel or of time at speed"
    if step.empty:
        yield missing("channels_coarsest_step_m", "m", method, "no position channel shows a step")
    else:
        yield Metric("channels_coarsest_step_m", float(step.max()), "m", len(step), method)


def _labelled(table: pd.DataFrame, source: str, name: str) -> pd.DataFrame:
    """Return `table` with the source and table names in front."""
    return pd.DataFrame({"source": source, "table": name, **{c: table[c] for c in table.columns}}, index=table.index)


def _joined(parts: list[pd.DataFrame], columns: tuple[str, ...]) -> pd.DataFrame:
    """Return the parts below each other, an empty table where there is none."""
    filled = [p for p in parts if len(p)]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=list(columns))
