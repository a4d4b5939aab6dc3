"""Moments at which the logged velocity strays while the positions run on smoothly.

A wrong fix steps the position and leaves the Doppler velocity alone; a disturbed Doppler, by one reflected satellite, leaves the position
alone. The difference of both looks the same. What the car did tells them apart: the way across the moment, as the velocities before and
behind it foretell, is the way of the positions if the velocity strayed, and the integrated velocity if the position stepped::

    foretold = L (v_a + v_b) / 2 + L² (a_a - a_b) / 12

with speed and acceleration at both ends, the integral of the cubic through them, and so at each share of the moment. Where neither fits,
as when the brakes are hit within that moment, nothing is said, and the difference stays a step of the position.

Source: Hermite's quadrature with end corrections (Abramowitz and Stegun, Handbook of Mathematical Functions, 25.4.3 and 25.4.7).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicHermiteSpline

from analyzer import intervals
from analyzer.evidence.displacement import integrate, robust_sigma
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds

Ints = NDArray[np.int64]
#: Shares of a moment after which positions are held against what is foretold.
SHARES = (0.25, 0.5, 0.75, 1.0)
#: Lengths of the moments that are looked at [s], and of the seconds beside them that give the acceleration.
SPANS_S, FLANK_S = (0.4, 0.6, 0.8, 1.0, 1.3, 1.6, 2.0), 0.3


@dataclass(frozen=True)
class Stray:
    """One moment.

    Attributes
    ----------
    first, last : rows at its ends, whose velocities are still right.
    way_m : by how much the integrated velocity misses the way, in plan [m].
    sigma_m : how well the way is known by what its ends foretell, per axis [m].
    """

    first: int
    last: int
    way_m: float
    sigma_m: float


@dataclass(frozen=True)
class _Ends:
    """Every moment of one length: rows of its ends; NaN where unknown (m, 2) by how much the residual changed and by how much the
    velocity strayed from what its ends foretell [m]; and (m,) the most that stays unexplained at any of `SHARES` of the moment, and what a
    change of acceleration amounts to [m]."""

    first: Ints
    last: Ints
    missed: Floats
    strayed: Floats
    left: Floats
    bent: Floats


def find_strays(track: Track, residual: Floats, usable: Flags, *, delay_s: float = 0.0) -> list[Stray]:
    """Return the moments at which velocity strays, in order and without overlap.

    Parameters
    ----------
    track : with velocities as logged.
    residual : (n, 2) positions less integrated velocity [m], without what a late clock or an offset antenna makes of it.
    usable : (n,) epochs that are fixed, move freely and have a velocity.
    delay_s : by how much velocity is later than positions; rows returned are those of the velocity.
    """
    known = usable & track.measured
    if track.from_places or known.sum() < 3:
        return []
    late = int(np.floor(delay_s / track.nominal_s)), int(np.ceil(delay_s / track.nominal_s))
    velocity = np.where(known[:, None], track.velocity, 0.0)
    if delay_s:
        velocity = np.column_stack([np.interp(track.t + delay_s, track.t, v) for v in velocity.T])
    way = np.vstack([np.zeros((1, 2)), np.cumsum(integrate(track.t, velocity)[0], axis=0)])
    tried = [ends for span_s in SPANS_S if (ends := _ends(track, velocity, way, residual, known, span_s=span_s)) is not None]
    best = sorted((choice for ends in tried for choice in _best_of(ends)), reverse=True)
    taken = np.zeros(len(track), dtype=bool)
    out: list[Stray] = []
    for _, first, last, way_m, sigma_m in best:
        row, end = first + late[0], last + late[1]
        if not taken[first:last + 1].any() and row > 0 and end < len(track) - 1:
            taken[first:last + 1] = True
            out.append(Stray(row, end, way_m, sigma_m))
    return sorted(out, key=lambda stray: stray.first)


def _best_of(ends: _Ends) -> Iterator[tuple[float, int, int, float, float]]:
    """Yield of each run of moments in which velocity strays the best: how well it explains the difference, its rows, the difference and sigma [m].

    What strays must stand out from what velocities usually seem to stray by: their noise, over the length of the moment.
    """
    limits = thresholds("analyzer.evidence")
    missed, strayed, left = np.hypot(*ends.missed.T), np.hypot(*ends.strayed.T), ends.left
    large = missed > max(limits["stray.sigmas"] * robust_sigma(ends.missed.ravel()), limits["stray.least_way"])
    usual = robust_sigma(ends.strayed.ravel())
    large &= strayed > limits["stray.seen"] * usual
    for start, end in intervals.runs(large & (left < limits["stray.left"] * missed) & (ends.bent < limits["stray.bent"] * missed)):
        at = start + int(np.argmax(missed[start:end] - 2 * left[start:end]))
        yield float(missed[at] - 2 * left[at]), int(ends.first[at]), int(ends.last[at]), float(missed[at]), usual


def _ends(track: Track, velocity: Floats, way: Floats, residual: Floats, known: Flags, *, span_s: float) -> _Ends | None:
    """Return the moments of `span_s`; None where the rate is too low for it or the track too short."""
    inner, flank = round(span_s / track.nominal_s), max(1, round(FLANK_S / track.nominal_s))
    whole = inner + 2 * flank
    if inner < 3 or abs(inner * track.nominal_s - span_s) > 0.5 * track.nominal_s or len(track) <= whole:
        return None
    t, v = track.t, velocity
    a = np.arange(flank, len(track) - inner - flank)
    b = a + inner
    seen = np.r_[0, np.cumsum(known)]
    good = (seen[b + flank + 1] - seen[a - flank] == whole + 1) & (t[b + flank] - t[a - flank] < (whole + 0.5) * track.nominal_s)
    unknown = np.where(good, 0.0, np.nan)[:, None]
    before, behind = ((v[x] - v[y]) / (t[x] - t[y])[:, None] for x, y in ((a, a - flank), (b + flank, b)))
    length = (t[b] - t[a])[:, None]
    left = np.zeros(len(a))
    for inside in sorted({round(share * inner) for share in SHARES}):
        f = inside / inner
        foretold = length * (v[a] * (f - f**3 + f**4 / 2) + v[b] * (f**3 - f**4 / 2)) + length**2 * (
            before * (f**2 / 2 - 2 * f**3 / 3 + f**4 / 4) - behind * (f**3 / 3 - f**4 / 4))
        strayed = foretold - (way[a + inside] - way[a])
        left = np.maximum(left, np.hypot(*(residual[a + inside] - residual[a] - strayed).T))
    return _Ends(a, b, residual[b] - residual[a] + unknown, strayed + unknown, left, length[:, 0] ** 2 / 12 * np.hypot(*(before - behind).T))


def listed(strays: list[Stray], track: Track) -> Floats:
    """Return the middles of `strays` (k,) as UTC [s since 1970] and by what way they miss [m], (k, 2)."""
    return np.array([(track.begun_s + (track.t[s.first] + track.t[s.last]) / 2, s.way_m) for s in strays], dtype=np.float64).reshape(-1, 2)


def without_strays(track: Track, strays: list[Stray]) -> tuple[Track, Floats]:
    """Return the track with the velocities inside `strays` put in between those at their ends, and the variance (n-1,) [m²] of each step for it."""
    velocity, variance = track.velocity.copy(), np.zeros(len(track) - 1)
    flank = max(1, round(FLANK_S / track.nominal_s))
    for stray in strays:
        inside, ends = slice(stray.first + 1, stray.last), [stray.first, stray.last]
        before, behind = [max(ends[0] - flank, 0), ends[0]], [ends[1], min(ends[1] + flank, len(track) - 1)]
        slopes = [np.diff(track.velocity[x], axis=0)[0] / np.diff(track.t[x]) for x in (before, behind)]
        velocity[inside] = CubicHermiteSpline(track.t[ends], track.velocity[ends], slopes)(track.t[inside])
        variance[stray.first:stray.last] += stray.sigma_m**2 / (stray.last - stray.first)
    return replace(track, velocity=velocity), variance
