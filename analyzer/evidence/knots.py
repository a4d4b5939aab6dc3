"""The residual thinned to knots half a second apart: slow errors need no more, and loops stay short."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.evidence.noise import Noise
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.evidence.two_state import Model, drifting_walk
from analyzer.settings import thresholds

#: Roughness over two seconds below this comes about by chance on even noise.
CHANCE = 1.5


@dataclass(frozen=True)
class Knots:
    """Knots in time order; a knot never reaches across a gap or an edge.

    Attributes
    ----------
    t : (k,) seconds.
    of_epoch : (n,) knot of each epoch.
    value, up : (k, 2) and (k,) medians of residual and height of the epochs that were marked usable, NaN without.
    count : (k,) usable epochs.
    coarse : (k,) how much noisier positions are there than usual.
    walk_var : (k-1,) variance of the white part of the walk to the next knot [m²].
    moving : (k-1,) seconds in motion to the next knot: at rest nothing wanders.
    """

    t: Floats
    of_epoch: NDArray[np.int64]
    value: Floats
    up: Floats
    count: Floats
    coarse: Floats
    walk_var: Floats
    moving: Floats

    def first_of(self, epochs: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the knots of `epochs`."""
        return np.asarray(self.of_epoch[epochs])


def make_knots(
    track: Track, residual: Floats, extra_var: Floats, truncated: Floats, *, noise: Noise, rough: Floats, coarse: Floats, usable: Flags, edges: Flags
) -> Knots:
    """Thin `residual` to knots; a new one also begins at each epoch where `edges` is true.

    `extra_var` and `truncated` (n-1,) come from `displacement.residual`; `rough` and `coarse` (n,) are how much noisier velocity and position are than usual around each epoch.
    """
    every = thresholds("analyzer.evidence")["knot.spacing"]
    new = np.r_[True, (np.diff(np.floor(track.t / every)) != 0) | (extra_var > 0)] | edges
    block: NDArray[np.int64] = np.asarray(np.cumsum(new) - 1, dtype=np.int64)
    count = int(block[-1]) + 1
    values: Floats = np.column_stack([residual, track.places[:, 2]])
    grouped = pd.DataFrame(np.where(usable[:, None], values, np.nan)).groupby(block)
    middle = grouped.median().to_numpy(np.float64)
    # the time of what is usable: on a slope, a tenth of a second between a height and its time is centimetres of step
    seen = np.asarray(pd.Series(np.where(usable, track.t, np.nan)).groupby(block).median(), dtype=np.float64)
    t = np.where(np.isfinite(seen), seen, np.asarray(pd.Series(track.t).groupby(block).mean(), dtype=np.float64))
    first = np.searchsorted(block, np.arange(count))
    dt = np.where(track.standing[1:] & track.standing[:-1], 0.0, np.diff(track.t))
    walk = np.interp(t, track.t, np.r_[0.0, np.cumsum(noise.walk_m2ps * dt * rough[1:] ** 2 + truncated)])
    moving = np.interp(t, track.t, np.r_[0.0, np.cumsum(dt)])
    gathered = np.r_[0.0, np.cumsum(extra_var)]
    return Knots(
        t, block, middle[:, :2], middle[:, 2], np.asarray(grouped[0].count(), dtype=np.float64), coarse[first],
        np.diff(walk) + np.diff(gathered[first]), np.diff(moving),
    )


def at_instants(
    knots: Knots, track: Track, residual: Floats, *, noise: Noise, rough: Floats, extra_var: Floats, truncated: Floats, usable: Flags
) -> Knots:
    """Return one point per knot that has a `usable` epoch: the residual of the first of them, at its own time.

    A median over half a second is no value of a moment: of a walk of averages the steps are smaller than of the walk, and lean on each
    other, so that innovations of medians say nothing of the learnt noise. Those of single moments do. Arguments as in `make_knots`;
    roughness counts from `CHANCE` on: it is cut off at 1, so that on even noise its mean lies above.
    """
    rough, coarse = (np.where(x > CHANCE, x, 1.0) for x in (rough, knots.coarse))
    rows = np.flatnonzero(usable & np.isfinite(residual).all(axis=1))
    _, first = np.unique(knots.of_epoch[rows], return_index=True)
    at = rows[first]
    dt = np.where(track.standing[1:] & track.standing[:-1], 0.0, np.diff(track.t))
    walk = np.r_[0.0, np.cumsum(noise.walk_m2ps * dt * rough[1:] ** 2 + truncated + extra_var)]
    moving = np.r_[0.0, np.cumsum(dt)]
    return Knots(track.t[at], np.arange(len(at)), residual[at], track.places[at, 2], np.ones(len(at)), coarse[knots.of_epoch[at]],
                 np.diff(walk[at]), np.diff(moving[at]))


def value_variance(knots: Knots, noise: Noise) -> Floats:
    """Return the variance of each knot's value as a measurement of its stretch [m²]: white noise, and a floor."""
    floor = thresholds("analyzer.evidence")["knot.floor"]
    return np.asarray(1.57 * (noise.white_m * knots.coarse) ** 2 / np.maximum(knots.count, 1) + (floor * knots.coarse) ** 2)


def walk_model(knots: Knots, noise: Noise) -> Model:
    """Return the model of the walk between knots with the learnt slow velocity error."""
    return drifting_walk(knots.moving, knots.walk_var, max(noise.rate_mps, 1e-4), noise.time_s)
