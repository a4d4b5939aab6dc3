"""Latency between channels of one source that describe the same motion."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.ndimage import median_filter
from scipy.stats import t as student

from analyzer.correlation import top_between
from analyzer.geodesy import meridian_radius, prime_vertical_radius
from analyzer.intervals import seconds
from analyzer.metrics.inertial_timing import FILE
from analyzer.settings import thresholds

LATENCY_COLUMNS = ("channel", "against", "latency_s", "spread_s", "correlation", "n")
#: Pairs of one motion, the later one named first, and whether agreement has a negative sign (course is clockwise).
PAIRS = (
    ("speed", "position speed", 1.0), ("course rate", "position course rate", 1.0),
    ("heading rate", "course rate", 1.0), ("yaw rate", "course rate", -1.0), ("yaw rate", "heading rate", -1.0),
    ("longitudinal acceleration", "speed rate", 1.0), ("lateral acceleration", "speed times yaw rate", 1.0),
)


def latencies(frame: pd.DataFrame) -> pd.DataFrame:
    """Return by how much one channel of `frame` is later than another that shows the same motion.

    Used where present: ``latitude_deg longitude_deg speed_mps course_deg heading_deg yaw_rate_radps rate_z_radps
    acceleration_x_mps2 acceleration_y_mps2``. Columns: `LATENCY_COLUMNS`; a positive ``latency_s`` [s] means `channel`
    is later than `against`; ``spread_s`` is half the 95 % interval by Student's t of the quarters of the drive, NaN with fewer than
    three usable ones. Only pairs with a clear correlation and away from the search limits appear.
    """
    times = pd.DatetimeIndex(frame.index)
    if len(times) < 20:
        return pd.DataFrame(columns=list(LATENCY_COLUMNS))
    moment = _without_pauses(seconds(times))
    grid = _grid(moment)
    signals = _signals(frame, moment, grid)
    rows = []
    for channel, against, sign in PAIRS:
        if channel in signals and against in signals:
            own = signals.get(_OF_WAY, signals[channel]) if against == "position course rate" else signals[channel]
            row = _lag(own, sign * signals[against], float(grid[1] - grid[0]))
            if row is not None:
                rows.append((channel, against, *row))
    return pd.DataFrame(rows, columns=list(LATENCY_COLUMNS))


def _grid(moment: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return an even time grid [s], not finer than 20 Hz."""
    usual = float(np.median(np.diff(moment)))
    step = max(usual, 1.0 / thresholds(*FILE)["channels.fastest_grid_hz"])
    return np.arange(moment[0], moment[-1], step)


def _without_pauses(moment: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return times [s] with long pauses cut short, beyond the reach of any lag: what the grid takes up does not grow with them."""
    limit = thresholds(*FILE)
    step = np.diff(moment)
    kept = max(4.0 * (limit["channels.largest_lag_s"] + limit["channels.leap_window_s"]), 5.0 * float(np.median(step)))
    return np.asarray(moment - np.concatenate([[0.0], np.cumsum(np.maximum(step - kept, 0.0))]), dtype=np.float64)


def _signals(frame: pd.DataFrame, moment: NDArray[np.float64],
             grid: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
    """Return the motion signals on `grid`; NaN where a channel has a hole or, for courses, the car is slow."""
    out: dict[str, NDArray[np.float64]] = {}
    frame = _of_one_state(frame)
    raw = {c: frame[c].to_numpy(np.float64) for c in frame.columns if c in _USED and frame[c].notna().sum() > 20}
    speed = _resampled(raw["speed_mps"], moment, grid) if "speed_mps" in raw else None
    if {"latitude_deg", "longitude_deg"} <= set(raw):
        path, course = _from_position(raw["latitude_deg"], raw["longitude_deg"], moment, grid)
        out["position speed"] = path
        pace = path if speed is None else speed
        out["position course rate"] = _slow_out(_rate(course, grid), pace)
    else:
        pace = np.full(len(grid), np.inf) if speed is None else speed
    if speed is not None:
        out["speed"], out["speed rate"] = speed, _rate(speed, grid)
    for column, name in (("course_deg", "course rate"), ("heading_deg", "heading rate")):
        if column in raw:
            angle = _unwrapped(raw[column])
            out[name] = _slow_out(_rate(_resampled(angle, moment, grid), grid), pace)
    if speed is not None and "course_deg" in raw:
        out[_OF_WAY] = _slow_out(_rate(_course_of_way(speed, _resampled(_unwrapped(raw["course_deg"]), moment, grid)), grid), pace)
    yaw = next((c for c in ("yaw_rate_radps", "rate_z_radps") if c in raw), None)
    if yaw is not None:
        out["yaw rate"] = _resampled(raw[yaw], moment, grid)
        if speed is not None:
            out["speed times yaw rate"] = speed * out["yaw rate"]
    for column, name in _FORCES:
        if column in raw:
            out[name] = _resampled(raw[column], moment, grid)
    return out


def _of_one_state(frame: pd.DataFrame) -> pd.DataFrame:
    """Return `frame` with positions of one fix state alone, fixed where there are such, else the most frequent; as it is where no state is known.

    Positions step where the state changes and wander in the poorer ones: a course formed of them turns where the car did not.
    """
    if "fix_state" not in frame or not {"latitude_deg", "longitude_deg"} <= set(frame.columns) or not frame["fix_state"].notna().any():
        return frame
    state = frame["fix_state"].astype(object)
    placed = state[frame["latitude_deg"].notna()]
    best = "fixed" if (placed == "fixed").any() else placed.mode().iloc[0] if placed.notna().any() else None
    other = (state != best).to_numpy()
    return frame.assign(**{c: frame[c].mask(other) for c in ("latitude_deg", "longitude_deg")}) if other.any() else frame


#: Course rate of the way between grid times, formed as that of positions is.
_OF_WAY = "course rate of the way"
_FORCES = (("acceleration_x_mps2", "longitudinal acceleration"), ("acceleration_y_mps2", "lateral acceleration"))
_USED = frozenset({"latitude_deg", "longitude_deg", "speed_mps", "course_deg", "heading_deg", "yaw_rate_radps",
                   "rate_z_radps", "acceleration_x_mps2", "acceleration_y_mps2"})


def _resampled(values: NDArray[np.float64], moment: NDArray[np.float64],
               grid: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return `values` on `grid`: mean of the rows about each grid time where there are several, else interpolated."""
    known = np.isfinite(values)
    at, series = moment[known], values[known]
    keep = np.concatenate([[True], np.diff(at) > 0])
    at, series = at[keep], series[keep]
    step = grid[1] - grid[0]
    integral = np.concatenate([[0.0], np.cumsum(0.5 * (series[1:] + series[:-1]) * np.diff(at))])
    usual = float(np.median(np.diff(at)))
    out = np.interp(grid, at, series)
    if usual < 0.6 * step:
        out = (np.interp(grid + step / 2, at, integral) - np.interp(grid - step / 2, at, integral)) / step
    after = np.clip(np.searchsorted(at, grid), 1, len(at) - 1)
    hole = at[after] - at[after - 1] > max(2.5 * usual, 1.5 * step)
    return np.where(hole | (grid < at[0]) | (grid > at[-1]), np.nan, out)


def _unwrapped(angle_deg: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return an angle [rad] without jumps of a turn; missing values stay missing."""
    out = np.full(len(angle_deg), np.nan)
    known = np.isfinite(angle_deg)
    out[known] = np.unwrap(np.deg2rad(angle_deg[known]))
    return out


def _rate(values: NDArray[np.float64], grid: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the central difference of `values` on an even `grid`; it delays nothing."""
    return np.asarray(np.gradient(values, grid[1] - grid[0]), dtype=np.float64)


def _slow_out(values: NDArray[np.float64], pace_mps: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return `values` with NaN where the car is too slow for a course."""
    with np.errstate(invalid="ignore"):
        return np.where(pace_mps >= thresholds(*FILE)["axes.least_speed_mps"], values, np.nan)


def _from_position(latitude_deg: NDArray[np.float64], longitude_deg: NDArray[np.float64], moment: NDArray[np.float64],
                   grid: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return speed [m/s] and course [rad, clockwise from north, unwrapped] by central differences of the positions."""
    middle = float(np.nanmedian(latitude_deg))
    north = np.deg2rad(latitude_deg - middle) * float(meridian_radius(middle))
    east = np.rad2deg(_unwrapped(longitude_deg)) - float(np.nanmedian(longitude_deg))
    east = np.deg2rad(east) * float(prime_vertical_radius(middle)) * np.cos(np.deg2rad(middle))
    east_mps = _rate(_resampled(east, moment, grid), grid)
    north_mps = _rate(_resampled(north, moment, grid), grid)
    pace, course = _without_leaps(np.hypot(east_mps, north_mps), grid), np.rad2deg(np.arctan2(east_mps, north_mps))
    return pace, _unwrapped(np.where(np.isfinite(pace), course, np.nan))


def _course_of_way(speed_mps: NDArray[np.float64], course_rad: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the course [rad] of the way from one grid time before to one behind, from speed and course: as that of positions is formed.

    It leans to the faster half of that way. Held against the course of the moment, a car that brakes into bends would show the positions late
    by a third of acceleration over speed times the step squared: 0.03 s at 1 Hz. The mean of a velocity is by Simpson's rule.
    """
    north, east = speed_mps * np.cos(course_rad), speed_mps * np.sin(course_rad)
    mean_north, mean_east = (np.convolve(np.pad(v, 1, mode="edge"), np.array([1.0, 4.0, 1.0]) / 6.0, mode="valid") for v in (north, east))
    return _unwrapped(np.rad2deg(np.arctan2(mean_east, mean_north)))


def _without_leaps(pace_mps: NDArray[np.float64], grid: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return speeds by positions with NaN where positions leap: one leap outweighs a whole drive in a correlation."""
    limit = thresholds(*FILE)
    width = 2 * max(1, round(limit["channels.leap_window_s"] / 2 / (grid[1] - grid[0]))) + 1
    usual = median_filter(np.nan_to_num(pace_mps), width, mode="nearest")
    with np.errstate(invalid="ignore"):
        return np.where(np.abs(pace_mps - usual) > limit["channels.leap_mps"], np.nan, pace_mps)


def _lag(late: NDArray[np.float64], early: NDArray[np.float64],
         step_s: float) -> tuple[float, float, float, int] | None:
    """Return latency [s], its spread between quarters of the drive, correlation and samples; None where unclear."""
    limit = thresholds(*FILE)
    reach = max(3, round(limit["channels.largest_lag_s"] / step_s))
    whole = _peak(late, early, reach)
    if whole is None or whole[1] < limit["channels.clear_correlation"]:
        return None
    pieces = [_peak(a, b, reach) for a, b in zip(np.array_split(late, 4), np.array_split(early, 4), strict=True)]
    usable = [p[0] for p in pieces if p is not None and p[1] >= limit["channels.clear_correlation"]]
    few = float(student.ppf(0.975, max(len(usable) - 1, 1)))
    spread = few * float(np.std(usable, ddof=1)) / np.sqrt(len(usable)) * step_s if len(usable) >= 3 else np.nan
    return whole[0] * step_s, float(spread), whole[1], whole[2]


def _centred(values: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return values less their mean with 0 where missing, and 1 where known."""
    known = np.isfinite(values)
    mean = float(values[known].mean()) if known.any() else 0.0
    return np.where(known, values - mean, 0.0), known.astype(np.float64)


def _peak(late: NDArray[np.float64], early: NDArray[np.float64], reach: int) -> tuple[float, float, int] | None:
    """Return the lag [grid steps] of the largest correlation, that correlation and the samples used."""
    n = len(late)
    if n < 4 * reach:
        return None
    score = np.full(2 * reach + 1, -np.inf)
    used = 0
    (a, known_a), (b, known_b) = _centred(late), _centred(early[reach: n - reach])
    squares_a, squares_b = a**2, b**2
    for i, lag in enumerate(range(-reach, reach + 1)):
        here = slice(reach + lag, n - reach + lag)
        # sums over the samples that both have, since missing ones are zero
        count = float(known_a[here] @ known_b)
        if count < 20:
            continue
        sum_a, sum_b = float(a[here] @ known_b), float(known_a[here] @ b)
        power_a = float(squares_a[here] @ known_b) - sum_a**2 / count
        power_b = float(known_a[here] @ squares_b) - sum_b**2 / count
        if power_a > 0.0 and power_b > 0.0:
            score[i] = (float(a[here] @ b) - sum_a * sum_b / count) / np.sqrt(power_a * power_b)
            used = int(count) if lag == 0 else used
    best = int(np.argmax(score))
    if best in (0, 2 * reach) or not np.isfinite(score[best - 1: best + 2]).all():
        return None
    return best - reach + top_between(*score[best - 1: best + 2]), float(score[best]), used
