"""Single epochs that stand out from both neighbours: at few epochs per second a smoothed walk follows a spike half the way.

Held against the middle of its neighbours, which knows nothing of the epoch itself, a spike shows its whole size. The middle of a
walk over two steps scatters by half a step's variance, white noise by half its own::

    variance = 3/2 white² + 1/2 walk(step)² + 1/4 (what either step may lack)

and not below what such middles do on the drive, by medians, at rest and in motion: white noise is learnt badly at these rates.
"""

from __future__ import annotations

import numpy as np

from analyzer.evidence.noise import Noise
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds


def off_neighbours(track: Track, residual: Floats, noise: Noise, *, coarse: Floats, step_var: Floats) -> tuple[Floats, Floats]:
    """Return how far single epochs stand from the middle of their neighbours (n, 2) [m] and sigma per axis (n,) [m]; NaN elsewhere.

    An epoch is single where both neighbours are a usual interval away and fit each other to half of what it stands out by.
    `coarse` (n,) is how much noisier positions are around each epoch than usual, `step_var` (n-1,) what a step may lack [m²].
    Nothing is looked for at rates above that of `kind.slowest`: there a walk does not follow one epoch of many.
    """
    limits = thresholds("analyzer.evidence")
    away, sigma = np.full((len(track), 2), np.nan), np.full(len(track), np.nan)
    if track.from_places or track.nominal_s <= limits["kind.slowest"] or len(track) < 3:
        return away, sigma
    before, behind = residual[:-2], residual[2:]
    off = residual[1:-1] - (before + behind) / 2
    wander = np.where(track.standing[1:-1], 0.0, noise.wander(track.nominal_s))
    spread = np.sqrt(1.5 * (noise.white_m * coarse[1:-1]) ** 2 + wander**2 / 2 + (step_var[1:] + step_var[:-1]) / 4)
    even = (np.diff(track.t) < limits["bridge.longest_usual"] * track.nominal_s) & np.isfinite(residual[1:] - residual[:-1]).all(axis=1)
    spread = np.maximum(spread, _usual(track, off, even[1:] & even[:-1] & track.fixed[1:-1]))
    placed = track.placed[:-2] & track.placed[1:-1] & track.placed[2:]
    size = np.hypot(*np.nan_to_num(off).T)
    single = even[1:] & even[:-1] & placed & (np.hypot(*np.nan_to_num(behind - before).T) < size / 2)
    single &= size > np.maximum(limits["scatter.spike_sigmas"] * spread, limits["scatter.least_spike"])
    away[1:-1][single], sigma[1:-1][single] = off[single], spread[single]
    return away, sigma


def _usual(track: Track, off: Floats, usable: Flags) -> Floats:
    """Return the usual sigma per axis (n-2,) [m] of `off` (n-2, 2) where it is `usable`, at rest and in motion; 0 where too few tell."""
    out = np.zeros(len(off))
    for name, group in (("rest", track.standing[1:-1]), ("motion", ~track.standing[1:-1])):
        values = off[group & usable].ravel()
        usual = track.learnt.sigma(f"lone.{name}", values)
        if track.learnt.count(f"lone.{name}", len(values)) >= thresholds("analyzer.evidence")["noise.least_pairs"]:
            out[group] = np.nan_to_num(usual)
    return out
