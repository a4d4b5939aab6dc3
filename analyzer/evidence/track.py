"""The track as arrays: what every kind of evidence works on."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from analyzer import intervals, timebase
from analyzer.evidence.against_motion import against_motion
from analyzer.evidence.claim import has_position
from analyzer.evidence.learnt import Learnt
from analyzer.evidence.rounding import rounded_var
from analyzer.evidence.standing import between, creeps, long_ones, standing_by_speed, trimmed
from analyzer.settings import thresholds

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
#: At longer intervals running medians of position steps cut corners by more than the jumps that are looked for [s].
SLOWEST_FROM_PLACES_S = 0.26


@dataclass(frozen=True)
class Track:
    """One row per epoch.

    Attributes
    ----------
    t : seconds that passed since the first epoch, leap seconds counted.
    places : (n, 3) east, north, up [m]; NaN without a position.
    velocity : (n, 2) east, north [m/s] from speed and course, put in between where it comes at a lower rate than positions; NaN where not logged.
    fixed, placed, standing : state fixed; a position the receiver stands by; at rest by speed alone.
    age : correction age [s], NaN where absent.
    nominal_s : usual interval between epochs.
    from_places : velocity was made from the positions, no speed was logged.
    own_velocity : (n, 2) velocity as logged, of whatever worth; NaN where not logged.
    learnt : rulers of the whole drive.
    begun_s : UTC of the first epoch [s since 1970], so that what is laid on a grid does not depend on where a block begins.
    led : epochs whose velocity is not logged but put in between that of their neighbours; empty where there are none.
    calm : at rest by the positions themselves, where no speed is logged: their scatter may be measured there, nothing be held against it;
        empty where speed is.
    carried : (n, 2) velocity [m/s] put into short holes (`carried`), NaN elsewhere, and `carried_var` (n-1,) the variance [m²] of each step there, NaN
        elsewhere; empty where there is none.
    rounded_var : (n-1,) variance [m²] of the way of each step by the last digit of the speed (`rounding`); empty where it hides nothing.
    against : epochs whose course points against the motion; `velocity` and `own_velocity` are turned about there.
    """

    t: Floats
    places: Floats
    velocity: Floats
    fixed: Flags
    placed: Flags
    standing: Flags
    age: Floats
    nominal_s: float
    from_places: bool = False
    own_velocity: Floats = field(default_factory=lambda: np.zeros((0, 2)))
    learnt: Learnt = field(default_factory=Learnt)
    begun_s: float = 0.0
    calm: Flags = field(default_factory=lambda: np.zeros(0, dtype=bool))
    led: Flags = field(default_factory=lambda: np.zeros(0, dtype=bool))
    against: Flags = field(default_factory=lambda: np.zeros(0, dtype=bool))
    carried: Floats = field(default_factory=lambda: np.zeros((0, 2)))
    carried_var: Floats = field(default_factory=lambda: np.zeros(0))
    rounded_var: Floats = field(default_factory=lambda: np.zeros(0))

    def __len__(self) -> int:
        return len(self.t)

    @property
    def measured(self) -> Flags:
        """Return at which epochs (n,) a velocity of their own is known, or the car stands."""
        known: Flags = np.asarray(np.isfinite(self.velocity).all(axis=1), dtype=bool)
        return np.asarray(known & (~self.led | self.standing), dtype=bool) if len(self.led) else known

    @property
    def resting(self) -> Flags:
        """Return whether the scatter of positions may be measured: at rest by speed, without any by the positions."""
        return self.calm if len(self.calm) else self.standing

    @property
    def first_fixed_s(self) -> float:
        """Return when the first position was fixed [s]; the first epoch where none was."""
        return float(self.t[int(np.argmax(self.fixed))]) if len(self) else 0.0


def build_track(
    fixes: pd.DataFrame,
    local: pd.DataFrame,
    nominal_s: float,
    *,
    origin: tuple[float, float, float] | None,
    fused: bool = False,
    learnt: Learnt | None = None,
) -> Track:
    """Return the track of `fixes`; `local` holds ``east_m north_m up_m`` of the same epochs about `origin`.

    Where no speed is logged, velocity comes from the fixed positions themselves by running medians: that keeps steps
    visible but bridges nothing. In a `fused` solution velocity shares the filter with the position, so outside fixed it
    bridges nothing either.
    """
    placed = has_position(fixes)
    places = local[["east_m", "north_m", "up_m"]].to_numpy(np.float64).copy()
    places[~placed] = np.nan
    t = passed(pd.DatetimeIndex(fixes.index))
    speed = fixes["speed_mps"].to_numpy(np.float64)
    standing = standing_by_speed(t, speed, nominal_s, fused=fused)
    fixed = placed & (fixes["fix_state"] == "fixed").to_numpy()
    own = _velocity(speed, course_held(t, fixes["course_deg"].to_numpy(np.float64), speed))
    against = against_motion(t, places[:, :2], own)
    own[against] *= -1
    if not fused:
        standing = long_ones(t, standing & ~creeps(t, places[:, :2], own, fixed))
    bare = ~np.isfinite(own).all(axis=1)
    velocity = np.column_stack([between(t, own[:, axis]) for axis in (0, 1)])
    led: Flags = np.asarray(bare & np.isfinite(velocity).all(axis=1), dtype=bool)
    velocity[standing] = 0.0
    learnt = learnt or Learnt()
    from_places = learnt.of("from_places", not np.isfinite(velocity).any(), "all")
    velocity = velocity_from_places(t, places[:, :2], fixed) if from_places else turned(t, velocity, fixes, origin)
    own = np.where((bare & ~standing)[:, None] | from_places, np.nan, velocity)
    calm = trimmed(t, local["standstill_id"].to_numpy() > 0) if from_places and "standstill_id" in local else standing[:0]
    if fused and not from_places:
        velocity[~fixed] = np.nan
    return Track(
        t=t, places=places, velocity=velocity, fixed=fixed, placed=placed, standing=standing,
        age=fixes["correction_age_s"].to_numpy(np.float64), nominal_s=nominal_s, from_places=from_places, own_velocity=own,
        learnt=learnt, begun_s=pd.DatetimeIndex(fixes.index)[0].timestamp() if len(fixes) else 0.0,
        calm=calm, led=led if led.any() else led[:0], against=against,
        rounded_var=np.zeros(0) if from_places else rounded_var(t, speed),
    )


def passed(times: pd.DatetimeIndex) -> Floats:
    """Return the seconds that passed since the first of `times` (UTC): over a leap second the car drives on for one more than labels tell."""
    if not len(times):
        return np.empty(0)
    offset = timebase.gps_minus_utc_s(times.tz_convert(None) if times.tz is not None else times)
    return np.asarray(intervals.seconds(times) + (offset - offset[0]), dtype=np.float64)


def course_held(t: Floats, course_deg: Floats, speed: Floats) -> Floats:
    """Return courses (n,) [deg] with that of the nearest epoch that has one where the car creeps: receivers log none then.

    A car that pulls off or stops hardly turns meanwhile, and the way it creeps belongs to its path.
    """
    limits = thresholds("analyzer.evidence")
    known = np.flatnonzero(np.isfinite(course_deg))
    creeping = ~np.isfinite(course_deg) & (speed > limits["creep.least_speed"]) & (speed < limits["creep.most_speed"])
    if not len(known) or not creeping.any():
        return course_deg
    after = np.clip(np.searchsorted(known, np.arange(len(t))), 0, len(known) - 1)
    before = known[np.maximum(after - 1, 0)]
    nearest = np.where(np.abs(t - t[before]) < np.abs(t - t[known[after]]), before, known[after])
    held = creeping & (np.abs(t - t[nearest]) <= limits["creep.held"])
    return np.asarray(np.where(held, course_deg[nearest], course_deg))


def _velocity(speed: Floats, course_deg: Floats) -> Floats:
    """Return east and north velocity [m/s]; zero where it is too slow for a course."""
    angle = np.radians(course_deg)
    velocity = np.column_stack([speed * np.sin(angle), speed * np.cos(angle)])
    creeping = ~np.isfinite(angle) & (speed < thresholds("analyzer.evidence")["standstill.speed"])
    velocity[creeping] = 0.0
    return velocity


def turned(t: Floats, velocity: Floats, fixes: pd.DataFrame, origin: tuple[float, float, float] | None) -> Floats:
    """Return velocities (n, 2) over ground in the axes of the frame about `origin`, with what climbing adds to them there.

    Unit vectors east, north and up of each place in the axes of the origin, EPSG Guidance Note 7-2, method 9837. North turns as
    meridians converge: a few kilometres east or west are half a milliradian, a centimetre per second at 20 m/s. Up leans away: 20 km off, a
    hill of 60 m moves the place by 0.2 m that no speed over ground knows of. Where no position is logged the car is on its way between its neighbours.
    """
    if origin is None:
        return velocity
    latitude, longitude, height = (fixes[name].to_numpy(np.float64) for name in ("latitude_deg", "longitude_deg", "height_m"))
    phi0, east, north = np.radians(origin[0]), *velocity.T
    phi = np.nan_to_num(np.radians(_on_the_way(t, latitude)), nan=phi0)
    over = np.nan_to_num(np.radians(_on_the_way(t, np.remainder(longitude - origin[1] + 180.0, 360.0) - 180.0)))
    climb = np.where((velocity == 0).all(axis=1), 0.0, climbing(t, _on_the_way(t, height)))
    along_east = east * np.cos(over) - north * np.sin(phi) * np.sin(over) + climb * np.cos(phi) * np.sin(over)
    lean = np.cos(phi) * np.cos(phi0) + np.sin(phi) * np.sin(phi0) * np.cos(over)
    up_north = np.sin(phi) * np.cos(phi0) - np.cos(phi) * np.sin(phi0) * np.cos(over)
    return np.column_stack([along_east, east * np.sin(over) * np.sin(phi0) + north * lean + climb * up_north])


def _on_the_way(t: Floats, values: Floats) -> Floats:
    """Return `values` (n,) with missing ones put in between their neighbours; NaN throughout where there is none."""
    known = np.isfinite(values)
    return np.interp(t, t[known], values[known]) if known.any() else values


def climbing(t: Floats, height: Floats) -> Floats:
    """Return the vertical velocity [m/s] of heights (n,), whose integral by trapezoids are the heights but for their noise of a second."""
    if len(t) < 3 or not np.isfinite(height).all():
        return np.zeros(len(t))
    usual = float(np.median(np.diff(t)))
    width = max(1, round(1.0 / usual)) | 1
    rate = np.gradient(uniform_filter1d(height, width, mode="nearest"), t)
    # a step of the height, of a wrong fix or on leaving fixed, is no climb of the car
    return np.where(np.abs(rate) < thresholds("analyzer.evidence")["climb.steepest"], rate, 0.0)


def velocity_from_places(t: Floats, places: Floats, fixed: Flags) -> Floats:
    """Return velocity (n, 2) [m/s] as running medians of position steps of fixed epochs; NaN elsewhere and beside gaps."""
    count = len(t)
    out = np.full((count, 2), np.nan)
    if count < 3:
        return out
    step = np.diff(places, axis=0) / np.diff(t)[:, None]
    usual = float(np.median(np.diff(t)))
    if usual > SLOWEST_FROM_PLACES_S:
        return out
    good = fixed[1:] & fixed[:-1] & (np.diff(t) < 1.5 * usual)
    half = max(1, min(5, round(0.5 / usual)))
    width = 2 * half
    if len(step) < width:
        return out
    windows = sliding_window_view(np.where(good[:, None], step, np.nan), width, axis=0)
    whole = np.isfinite(windows[:, 0]).all(axis=1)
    out[half:half + len(windows)][whole] = np.median(windows[whole], axis=-1)
    return out
