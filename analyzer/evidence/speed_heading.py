"""95 % bounds of speed and heading per epoch, and position bounds along and across the track.

Speed: white noise of the Doppler speed learnt from its own second differences, joined with what the comparison with an
independent speed cannot exclude (its robust sigma), plus the part of a lasting difference that this does not explain.
Independent are positions differenced between fixed
epochs, and wheel speed after its scale is learnt. In a fused solution speed and position come from one filter, so there
only wheel speed counts. Where neither speaks the class value stands. Where speed or
heading comes at a lower rate than positions, epochs without one have the bound of their neighbours.

Heading: the claim of the attitude table where there is one, and the lasting difference to the course on straight road
beyond what side slip explains.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import intervals
from analyzer.evidence.claim import AXIS_95, RADIUS_95
from analyzer.evidence.learnt import Learnt
from analyzer.evidence.running import lasting, nearest_known, white_noise
from analyzer.evidence.standing import between
from analyzer.metrics.heading_mode import doubted
from analyzer.recording import Recording
from analyzer.settings import thresholds

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Bound:
    """A bound per epoch with its parts; NaN where the quantity is not recorded.

    Attributes
    ----------
    bound : 95 %.
    noise : part of noise or claim, 95 %.
    lasting : part of a lasting difference to an independent source, 0 where none shows.
    compared : epochs at which an independent source speaks (itself or within reach).
    """

    bound: Floats
    noise: Floats
    lasting: Floats
    compared: Flags


def speed_bound(
    recording: Recording, t: Floats, places: Floats, fixed: Flags, *, learnt: Learnt | None = None
) -> Bound:
    """Return the 95 % bound of ``speed_mps`` per epoch [m/s].

    Parameters
    ----------
    recording : its fixes hold the speed; a measurement with ``speed_mps`` is the wheel speed.
    t : (n,) seconds since the first epoch.
    places : (n, 2) or (n, 3) east, north [m], NaN without a position.
    fixed : (n,) epochs whose positions may be differenced.
    learnt : rulers of the whole drive.
    """
    limit = _limits()
    speed = recording.fixes["speed_mps"].to_numpy(np.float64)
    known = np.isfinite(speed)
    if not known.any():
        none = np.full(len(t), np.nan)
        return Bound(none, none.copy(), none.copy(), np.zeros(len(t), dtype=bool))
    learnt = learnt or Learnt()
    logged, speed = speed, between(t, speed)
    white, rough = _white_of(t, logged, speed, learnt)
    fused = (recording.fixes["solution_kind"] == "fused").to_numpy()
    sources = [_against_places(t, speed, places[:, :2], fixed & ~fused), _against_wheel(recording, t, speed)]
    sigmas = [learnt.sigma(f"speed.{k}", d) for k, d in enumerate(sources)]
    slow = min((s for s in sigmas if np.isfinite(s)), default=0.0)
    noise = np.full(len(t), limit["speed.class"])
    if np.isfinite(white):
        noise = np.maximum(np.hypot(white * rough, AXIS_95 * slow), limit["speed.least"])
    parts = [lasting(t, d, width_s=limit["speed.window"], learnt=learnt, key=f"speed.lasting.{k}") for k, d in enumerate(sources)]
    extra, compared = np.zeros(len(t)), np.zeros(len(t), dtype=bool)
    for (size, has), allowance in zip(parts, (0.0, limit["speed.wheel_scale"]), strict=True):
        near, seen = nearest_known(t, size, has, limit["speed.reach"])
        extra = np.maximum(extra, np.where(seen & (near > allowance * np.nan_to_num(speed)), near, 0.0))
        compared |= seen
    bound = np.where(compared, noise + extra, np.maximum(limit["speed.class"], noise))
    shown = [between(t, np.where(known, x, np.nan)) for x in (bound, noise, extra)]
    return Bound(shown[0], shown[1], shown[2], compared & known)


def _white_of(t: Floats, speed: Floats, filled: Floats, learnt: Learnt) -> tuple[float, Floats]:
    """Return white noise of the speed [m/s] and how much rougher each epoch is, from the speeds that were logged: those between are smooth."""
    own = np.isfinite(speed)
    if np.array_equal(own, np.isfinite(filled)):
        return white_noise(t, speed, learnt=learnt, key="speed.white")
    white, rough = white_noise(t[own], speed[own], learnt=learnt, key="speed.white")
    return white, np.asarray(np.interp(t, t[own], rough))


def _against_places(t: Floats, speed: Floats, places: Floats, fixed: Flags) -> Floats:
    """Return mean speed minus distance over time between fixed epochs `speed.span` apart, at their middle; NaN elsewhere.

    A chord is shorter than its arc by at most v² w² T² / 24, 2 cm/s at 20 m/s and 0.1 rad/s: where the track bends the
    distance is taken along the epochs between instead.
    """
    out = np.full(len(t), np.nan)
    if len(t) < 3:
        return out
    usual = float(np.median(np.diff(t)))
    lag = max(1, round(_limits()["speed.span"] / usual))
    if lag >= len(t):
        return out
    good = fixed & np.isfinite(places).all(axis=1) & np.isfinite(speed)
    whole = np.r_[0, np.cumsum(~(good[1:] & good[:-1]) | (np.diff(t) > 1.5 * usual))]
    clean = whole[lag:] == whole[:-lag]
    path = np.r_[0.0, np.cumsum(np.nan_to_num((speed[1:] + speed[:-1]) / 2 * np.diff(t)))]
    step = places[lag:] - places[:-lag]
    middle = lag // 2
    chord = np.hypot(*step.T)
    bend = _sagitta(places, lag, middle)
    arc = chord + np.nan_to_num(8.0 / 3.0 * bend**2 / np.maximum(chord, 1.0))
    span = t[lag:] - t[:-lag]
    moving = chord > 1.0  # at rest the length of a noisy step is no speed
    out[middle:middle + len(span)] = np.where(clean & moving, (path[lag:] - path[:-lag] - arc) / span, np.nan)
    return out


def _sagitta(places: Floats, lag: int, middle: int) -> Floats:
    """Return how far the middle epoch lies off the chord [m]; 0 for a chord of one step."""
    if middle == 0:
        return np.zeros(len(places) - lag)
    first, last, between = places[:-lag], places[lag:], places[middle:len(places) - lag + middle]
    along = last - first
    size = np.maximum(np.hypot(*along.T), 1e-9)
    off = between - first
    return np.asarray((along[:, 0] * off[:, 1] - along[:, 1] * off[:, 0]) / size)


def _against_wheel(recording: Recording, t: Floats, speed: Floats) -> Floats:
    """Return speed minus scaled wheel speed in steady driving [m/s]; NaN elsewhere, and where no wheel speed is given.

    The scale is the median ratio of the drive, so a scale error common to the whole drive stays unseen.
    """
    limit, out = _limits(), np.full(len(t), np.nan)
    wheel = recording.measurement
    values = wheel["speed_mps"].to_numpy(np.float64) if len(wheel) else np.empty(0)
    if np.isfinite(values).sum() < 10 or not len(t):
        return out
    when = intervals.seconds(pd.DatetimeIndex(wheel.index), pd.Timestamp(recording.fixes.index[0]))
    when, values = when[np.isfinite(values)], values[np.isfinite(values)]
    after = np.clip(np.searchsorted(when, t), 1, len(when) - 1)
    near = (when[after] - when[after - 1] <= limit["speed.wheel_gap"]) & (t >= when[0]) & (t <= when[-1])
    there = np.where(near, np.interp(t, when, values), np.nan)
    steady = np.abs(np.gradient(there, t)) < limit["speed.wheel_acceleration"] if len(t) > 1 else np.zeros(1, dtype=bool)
    use = steady & (speed > limit["speed.wheel_least"]) & (there > limit["speed.wheel_least"])
    if use.sum() < 10:
        return out
    scale = float(np.median(speed[use] / there[use]))
    return np.where(use, speed - scale * there, np.nan)


def heading_bound(recording: Recording, t: Floats, *, learnt: Learnt | None = None) -> Bound:
    """Return the 95 % bound of the heading per epoch [deg]; NaN where no heading is recorded.

    Heading is that of the fixes (HDT, THS), else of the attitude table at the same time.
    """
    limit = _limits()
    fixes = recording.fixes
    heading, sigma = fixes["heading_deg"].to_numpy(np.float64).copy(), np.full(len(t), np.nan)
    if len(recording.attitude):
        held, claimed = _from_attitude(recording, fixes)
        heading = np.where(np.isfinite(heading), heading, held)
        sigma = claimed
    known = np.isfinite(heading)
    difference = _against_course(fixes, t, heading)
    learnt = learnt or Learnt()
    size, has = lasting(t, difference, width_s=limit["heading.window"], learnt=learnt, key="heading.lasting")
    near, compared = nearest_known(t, size, has, np.inf)
    # slip comes and goes; what all straight driving of the day shows is mounting, and an error of the heading everywhere
    on_straights = difference[np.isfinite(difference)]
    steady = abs(learnt.quantile("heading.steady", on_straights, empty=0.0, when_s=t[np.isfinite(difference)]))
    steady = steady if limit["heading.steady"] < steady < limit["heading.turned"] else 0.0
    extra = np.maximum(np.where(compared, near - limit["heading.slip"], 0.0), steady)
    white, rough = white_noise(t, np.degrees(np.unwrap(np.radians(np.where(known, heading, 0.0)))), known, learnt=learnt, key="heading.white")
    floor = np.maximum(limit["heading.least"], np.nan_to_num(white * rough))
    claim = np.where(np.isfinite(sigma), np.maximum(AXIS_95 * sigma, floor), np.maximum(floor, limit["heading.class"]))
    # a heading that calls itself other than autonomous may point anywhere, whatever is claimed of it
    claim = np.where(doubted(fixes) & fixes["heading_deg"].notna().to_numpy(), 180.0, claim)
    shown = [between(t, np.where(known, x, np.nan)) for x in (np.minimum(claim + extra, 180.0), claim, extra)]
    return Bound(shown[0], shown[1], shown[2], compared & known)


def _from_attitude(recording: Recording, fixes: pd.DataFrame) -> tuple[Floats, Floats]:
    """Return heading and its claimed sigma of the attitude table at the epochs [deg]; NaN where none is near."""
    near = recording.attitude[["heading_deg", "sigma_heading_deg"]].sort_index()
    near = near[~near.index.duplicated(keep="first")]
    tolerance = pd.Timedelta(seconds=_limits()["heading.tolerance"])
    found = near.reindex(fixes.index, method="nearest", tolerance=tolerance)
    return found["heading_deg"].to_numpy(np.float64), found["sigma_heading_deg"].to_numpy(np.float64)


def _against_course(fixes: pd.DataFrame, t: Floats, heading: Floats) -> Floats:
    """Return heading minus course on straight road [deg, ±180]; NaN elsewhere."""
    limit = _limits()
    course, speed = (fixes[c].to_numpy(np.float64) for c in ("course_deg", "speed_mps"))
    if len(t) < 3:
        return np.full(len(t), np.nan)
    filled = pd.Series(course).ffill().bfill().to_numpy(np.float64)
    smooth = pd.Series(np.unwrap(np.radians(filled)) if np.isfinite(filled).all() else filled)
    width = max(3, round(1.0 / float(np.median(np.diff(t)))))
    rate = np.degrees(np.gradient(smooth.rolling(width, center=True, min_periods=1).mean().to_numpy(np.float64), t))
    straight = (np.abs(rate) < limit["heading.rate"]) & (speed > limit["heading.speed"])
    return np.where(straight, (heading - course + 180.0) % 360.0 - 180.0, np.nan)


def along_across(
    horizontal_bound_m: Floats, sigma_north_m: Floats, sigma_east_m: Floats, course_deg: Floats, *,
    offset_m: Floats | float = 0.0,
) -> tuple[Floats, Floats]:
    """Return the 95 % bounds along and across the track [m].

    Parameters
    ----------
    horizontal_bound_m : 95 % radius.
    sigma_north_m, sigma_east_m : claimed sigmas (GST), whose ratio gives the shape; equal where missing.
    course_deg : direction of travel; where it is unknown both bounds are that of the worse axis.
    offset_m : the part of the radius that may be one offset of unknown direction; it counts fully on both axes.

    The rest of the radius is taken as that of a normal with the claimed shape, scaled by the RMS of both axes:
    ``axis = offset + (radius - offset) 1.95996 s_axis / (2.44775 sqrt((s_n² + s_e²) / 2))``, and never above the radius.
    """
    north, east = np.asarray(sigma_north_m, dtype=np.float64), np.asarray(sigma_east_m, dtype=np.float64)
    shaped = np.isfinite(north) & np.isfinite(east) & (north > 0) & (east > 0)
    north, east = np.where(shaped, north, 1.0), np.where(shaped, east, 1.0)
    psi = np.radians(course_deg)
    along = np.sqrt((north * np.cos(psi)) ** 2 + (east * np.sin(psi)) ** 2)
    across = np.sqrt((north * np.sin(psi)) ** 2 + (east * np.cos(psi)) ** 2)
    worst = np.maximum(north, east)
    unit = np.sqrt((north**2 + east**2) / 2)
    part = np.minimum(np.nan_to_num(offset_m), horizontal_bound_m)
    out = []
    for axis in (along, across):
        share = np.where(np.isfinite(axis), axis, worst) / unit
        out.append(np.minimum(horizontal_bound_m, part + (horizontal_bound_m - part) * AXIS_95 / RADIUS_95 * share))
    return out[0], out[1]


def _limits() -> dict[str, float]:
    """Return the limits of this part."""
    return dict(thresholds("analyzer.evidence", "thresholds_speed_heading.toml"))
