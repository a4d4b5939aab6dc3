"""Whether a solution is of satellites alone or fused with inertial data, found where the set-up sheet does not say it.

The set-up sheet decides where it states the kind. Else the first of these that speaks decides; what the others say is told:

1. *In motion*: whether the velocity follows the noise of the positions. Differencing both three times takes the motion of a
   car out at five epochs per second and more. One filter gives both: the slope of velocity on differenced position is near
   one. Satellites alone: carrier-phase positions carry white noise, which a Doppler velocity knows nothing of, and the slope
   is near zero. Positions that agree with the integrated velocity better than any carrier phase can also say one filter.
2. *Without satellites*: a solution that goes on moving is carried by inertial data.
3. *At rest*: positions that hold still below the last digit are pinned by a zero-velocity update; successive steps of white
   noise have a correlation of -1/2, which no inertial filter lets through.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analyzer import intervals
from analyzer.evidence.claim import RADIUS_95, claimed_sigma
from analyzer.evidence.displacement import lagged, residual, robust_sigma
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.recording import Finding
from analyzer.settings import thresholds

#: Metres per degree of latitude, for the last digit of a log only.
METRES_PER_DEGREE = 111_000.0
#: A zero-velocity update needs a moment after the car has stopped; this share of the steps must hold still.
PINNED_SHARE = 0.75
WORDS = {"fused": "fused with inertial data", "gnss": "of satellites alone"}


@dataclass(frozen=True)
class Sign:
    """One sign for `kind`, in words."""

    kind: str
    words: str


@dataclass(frozen=True)
class KindFound:
    """`kind` is ``fused``, ``gnss`` or ``unknown``; `reasons` for it and signs `against` it in words."""

    kind: str
    reasons: tuple[str, ...]
    against: tuple[str, ...] = ()

    def findings(self, stated: str) -> tuple[Finding, ...]:
        """Return what was found in words; beside a stated kind only that the data contradict it."""
        if stated == "unknown":
            return (self.finding(),)
        if self.kind in ("unknown", stated):
            return ()
        text = (f"The set-up sheet states a solution {WORDS.get(stated, stated)}, and it is judged as such; the data show one {WORDS[self.kind]}: "
                f"{'; '.join(self.reasons)}. Correct solution_kind where the sheet is wrong.")
        return (Finding("solution_kind_contradicted", "warning", text, {"stated": stated, "found": self.kind}),)

    def finding(self) -> Finding:
        """Return what was found in words."""
        if self.kind == "unknown":
            return Finding("solution_kind_unknown", "note", "Nothing in the log tells whether the solution is fused with inertial data; "
                           "it is judged as one of satellites alone: state solution_kind in the set-up sheet.")
        but = f"; against it speaks that {'; '.join(self.against)}: state solution_kind in the set-up sheet" if self.against else ""
        return Finding("solution_kind_found", "note", "The set-up sheet does not state the solution kind; the data show one "
                       f"{WORDS[self.kind]}: {'; '.join(self.reasons)}{but}.", {"kind": self.kind})


def stated_kind(fixes: pd.DataFrame) -> str:
    """Return the kind the fixes carry, ``unknown`` where none or several."""
    column = fixes["solution_kind"].astype("category").cat
    kinds = {str(column.categories[code]) for code in np.unique(column.codes) if code >= 0} - {"unknown"}
    return kinds.pop() if len(kinds) == 1 else "unknown"


def find_kind(fixes: pd.DataFrame, track: Track) -> KindFound:
    """Return the solution kind that the data show, by the rule above."""
    signs = [s for s in (_in_motion(fixes, track), _without_satellites(fixes, track), _at_rest(fixes, track)) if s is not None]
    if not signs:
        return KindFound("unknown", ())
    kind = signs[0].kind
    return KindFound(kind, tuple(s.words for s in signs if s.kind == kind), tuple(s.words for s in signs if s.kind != kind))


def _in_motion(fixes: pd.DataFrame, track: Track) -> Sign | None:
    """Return what the velocity says against differenced positions while driving, at the rate at which both are logged."""
    limits = thresholds("analyzer.evidence")
    fixes, track = _with_velocity(fixes, track)
    if track.from_places or not track.nominal_s <= limits["kind.slowest"]:
        return None
    usable = _even(track, track.fixed & ~track.standing)
    if usable.sum() < limits["kind.least"]:
        usable = _even(track, track.placed & ~track.standing)
    if usable.sum() < limits["kind.least"]:
        return None
    slope, correlation, count = shared_noise(track, usable)
    if count < limits["kind.least"]:
        return None
    if slope >= limits["kind.slope_shared"] and correlation >= limits["kind.correlation_shared"]:
        return Sign("fused", f"the velocity follows the noise of the positions (slope {slope:.2f}, correlation {correlation:.2f})")
    steps = lagged(residual(track)[0], 1, usable)
    white = _white(steps)
    if white > _least_white(fixes, track) and slope <= limits["kind.slope_free"] and correlation <= limits["kind.correlation_free"]:
        return Sign("gnss", f"positions carry {1000 * white:.1f} mm of white noise of which the velocity shows nothing (slope {slope:.2f})")
    agrees = robust_sigma(steps.ravel()) / np.sqrt(2)
    if agrees < max(limits["kind.agrees"], limits["kind.agrees_share"] * _claimed(fixes, track)):
        return Sign("fused", f"the velocity agrees with differenced positions to {1000 * agrees:.2f} mm per epoch")
    return None


def _with_velocity(fixes: pd.DataFrame, track: Track) -> tuple[pd.DataFrame, Track]:
    """Return the epochs with a velocity of their own where velocity comes at a lower rate; what is put in between says nothing."""
    own = track.measured
    if not len(track.led) or own.sum() < 2:
        return fixes, track
    rows = {name: getattr(track, name)[own] for name in ("t", "places", "velocity", "fixed", "placed", "standing", "age", "own_velocity")}
    return fixes[own], replace(track, **rows, nominal_s=float(np.median(np.diff(track.t[own]))), led=track.led[:0], calm=track.calm[:0])


def _even(track: Track, use: Flags) -> Flags:
    """Return the epochs of `use` with a velocity that follow the one before at the usual interval."""
    out = use & np.isfinite(track.velocity).all(axis=1) & np.isfinite(track.places[:, :2]).all(axis=1)
    out[1:] &= np.diff(track.t) < 1.5 * track.nominal_s
    return out


def shared_noise(track: Track, usable: Flags) -> tuple[float, float, int]:
    """Return slope and correlation of the velocity on centrally differenced positions, both differenced thrice, and their number.

    Outliers are drawn in to four robust sigmas. Independent noise of position and velocity gives zero for both.
    """
    slopes = np.full((len(track), 2), np.nan)
    slopes[1:-1] = (track.places[2:, :2] - track.places[:-2, :2]) / (2 * track.nominal_s)
    whole = usable.copy()
    whole[:4] = whole[-1:] = False
    for back in (1, 2, 3, 4):
        whole[back:] &= usable[:-back]
    whole[:-1] &= usable[1:]
    at = np.flatnonzero(whole)
    first, second = (_clipped(_third(x, at)) for x in (slopes, track.velocity))
    power, other = float(first @ first), float(second @ second)
    if not power > 0 or not other > 0:
        return 0.0, 0.0, 0
    both = float(first @ second)
    return both / power, both / np.sqrt(power * other), len(first)


def _third(values: Floats, at: np.ndarray) -> Floats:
    return np.asarray((values[at] - 3 * values[at - 1] + 3 * values[at - 2] - values[at - 3]).ravel())


def _clipped(values: Floats) -> Floats:
    size = 4 * robust_sigma(values)
    return np.clip(values, -size, size) if np.isfinite(size) else np.zeros(0)


def _white(steps: Floats) -> float:
    """Return sigma of the white noise [m] of a series from its steps (n, 2), by ``(variance - 2 covariance of neighbours) / 4``.

    White noise of variance s² gives steps of variance 2 s² whose neighbours have covariance -s²; white noise of a velocity that
    was integrated by trapezoids gives variance and covariance in the ratio 2 : 1 and drops out.
    """
    if len(steps) < 3:
        return float("nan")
    size = 5 * robust_sigma(steps.ravel())
    kept = np.clip(steps, -size, size)
    variance, neighbours = float(np.mean(kept**2)), float(np.mean(kept[1:] * kept[:-1]))
    return float(np.sqrt(max(0.0, (variance - 2 * neighbours) / 4)))


def _last_digit_m(fixes: pd.DataFrame) -> float:
    """Return the size of the last digit of the logged latitude [m], 0 where it never changes."""
    places = np.unique(fixes["latitude_deg"].to_numpy(np.float64))
    steps = np.diff(places[np.isfinite(places)]) * METRES_PER_DEGREE
    # what is below a micrometre is rounding of the number, not of the log
    steps = steps[steps > 1e-6]
    return float(steps.min()) if len(steps) else 0.0


def _claimed(fixes: pd.DataFrame, track: Track) -> float:
    """Return the usual claim of a fixed position per axis [m], 0 where nothing is claimed."""
    claims = claimed_sigma(fixes)[0][track.fixed]
    known = claims[np.isfinite(claims)]
    return float(np.median(known)) if len(known) else 0.0


def _least_white(fixes: pd.DataFrame, track: Track) -> float:
    """Return below which size noise says nothing [m].

    The largest of `kind.white`, what the last digit of the log makes, and the share `kind.white_share` of what is claimed, or of
    the class value: an inertial filter leaves some noise of its output too.
    """
    limits = thresholds("analyzer.evidence")
    claimed = _claimed(fixes, track) or limits["class_horizontal.fixed"] / RADIUS_95
    return max(limits["kind.white"], limits["kind.digits"] * _last_digit_m(fixes), limits["kind.white_share"] * claimed)


def _without_satellites(fixes: pd.DataFrame, track: Track) -> Sign | None:
    """Return the sign of a solution that goes on without satellites."""
    limits = thresholds("analyzer.evidence")
    reckoned = (fixes["fix_state"].astype(object) == "estimated").to_numpy()
    used = fixes["satellites_used"].to_numpy(np.float64)
    speed = np.hypot(*np.nan_to_num(track.velocity).T)
    alone = track.placed & (used < limits["kind.satellites"]) & (speed > limits["alignment.least_speed"])
    seconds = float(reckoned.sum()) * track.nominal_s
    if seconds > limits["kind.estimated"]:
        return Sign("fused", f"the solution went on for {seconds:.0f} s by dead reckoning")
    longest = max((float(track.t[b - 1] - track.t[a]) for a, b in intervals.runs(alone & ~reckoned)), default=0.0)
    if longest > limits["kind.estimated"]:
        return Sign("fused", f"the solution moved on for {longest:.0f} s with fewer than {limits['kind.satellites']:.0f} satellites")
    return None


def _at_rest(fixes: pd.DataFrame, track: Track) -> Sign | None:
    """Return what fixed positions say while the car stands: pinned, or white noise from epoch to epoch."""
    limits = thresholds("analyzer.evidence")
    spans = [(a, b) for a, b in intervals.runs(_even(track, track.standing & track.fixed)) if b - a >= limits["kind.rest"]]
    if not spans:
        return None
    steps = [np.diff(track.places[a:b, :2], axis=0) for a, b in spans]
    joined = np.concatenate(steps)
    held = float(np.quantile(np.abs(joined), PINNED_SHARE))
    if held < limits["kind.pinned"] and _last_digit_m(fixes) <= limits["kind.fine"]:
        return Sign("fused", f"positions at rest hold still, {100 * PINNED_SHARE:.0f} % of their steps are within {1000 * held:.2f} mm")
    size = 5 * robust_sigma(joined.ravel())
    scatter = float(np.std(np.clip(joined, -size, size))) / np.sqrt(2)
    kept = [np.clip(x, -size, size) for x in steps]
    power = sum(float((x * x).sum()) for x in kept)
    rho = sum(float((x[1:] * x[:-1]).sum()) for x in kept) / power if power > 0 else 0.0
    enough = len(joined) >= limits["kind.least"] and track.nominal_s <= limits["kind.slowest"]
    if enough and rho <= limits["kind.white_at_rest"] and scatter > _least_white(fixes, track):
        return Sign("gnss", f"positions at rest carry {1000 * scatter:.1f} mm of white noise (correlation of successive steps {rho:.2f})")
    return None
