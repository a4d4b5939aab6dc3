"""The whitening filter of slow swings: what is left of a residual where its usual noise is taken away.

States are the walk of integrated velocity errors, the slow velocity error and the usual slow position error of a right fix; the
gains are the same for both horizontal axes and for whatever else runs through the filter beside the residual.

Source: innovations of a Kalman filter are white where its model holds, e.g. Bar-Shalom, Li and Kirubarajan, Estimation with
Applications to Tracking and Navigation (2001), section 5.2, from memory, not re-read.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.evidence.noise import Noise
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.evidence.two_state import UNKNOWN
from analyzer.settings import thresholds


@dataclass(frozen=True)
class Whitening:
    """The whitening filter on a grid: `value` (k, 2), `known` (k,), `moving` (k,) [s] to the next place, gains and scales.

    `origin` : number of the first place on the grid of UTC, on which begins are counted whatever part of a drive is looked at.
    """

    origin: int
    t: Floats
    value: Floats
    known: Flags
    moving: Floats
    decay: Floats
    usual: Floats
    gain: Floats
    scale: Floats

    def of_shapes(self, first: NDArray[np.int64], shapes: Floats, places: int) -> Floats:
        """Return whitened `shapes` (count, J) that begin at each of `first` (m,), over as many `places`: (m, places, J).

        Nothing is filtered before the first place and after the last.
        """
        ahead, behind = max(0, -int(first.min())), max(0, int(first.max()) + places - len(self.t))
        still = np.array([0.0, 1.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0])  # neither gain nor scale, and states are carried on as they are
        table = np.column_stack([self.moving, self.decay, self.usual, self.gain, self.scale])
        table = np.vstack([np.tile(still, (ahead, 1)), table, np.tile(still, (behind, 1))])[:, :, None]
        walk, rate, slow = np.zeros((3, len(first), shapes.shape[1]))
        rows = np.empty((len(first), places, shapes.shape[1]))
        for i in range(places):
            moving, decay, decay_slow, usual, gain, gain_rate, gain_slow, scale = table[first + (ahead + i)].swapaxes(0, 1)
            off = (shapes[i] if i < len(shapes) else 0.0) - walk - usual * slow
            rows[:, i] = off * scale
            rate += gain_rate * off
            walk += gain * off + moving * rate
            rate *= decay
            slow = (slow + gain_slow * off) * decay_slow
        return rows


def whitening_of(track: Track, residual: Floats, noise: Noise, *, usable: Flags, coarse: Floats, lost_var: Floats) -> Whitening:
    """Thin the residual to a regular grid and run the variances of the whitening filter over it."""
    limits = thresholds("analyzer.evidence")
    every = max(limits["wave.grid"], track.nominal_s)
    cell = np.floor((track.t + track.begun_s) / every + 1e-6).astype(np.int64)
    origin = int(cell[0])
    cell -= origin
    count = int(cell[-1]) + 1
    grouped = pd.DataFrame(np.where(usable[:, None], residual, np.nan)).groupby(cell)
    value = grouped.median().reindex(range(count)).to_numpy()
    seen = grouped[0].count().reindex(range(count), fill_value=0).to_numpy(np.float64)
    rough = pd.Series(coarse).groupby(cell).max().reindex(range(count)).ffill().to_numpy()
    t: Floats = np.asarray((origin + np.arange(count) + 0.5) * every - track.begun_s, dtype=np.float64)
    standing = np.interp(t, track.t, track.standing.astype(np.float64)) > 0.5
    moving: Floats = np.asarray(np.where(standing, 0.0, every), dtype=np.float64)
    lost = np.diff(np.interp(np.r_[t, t[-1] + every], track.t, np.r_[0.0, np.cumsum(lost_var)]))
    known = np.isfinite(value).all(axis=1) & (seen > 0)
    usual: Floats = np.asarray(rough * max(limits["wave.usual"], limits["wave.usual_white"] * noise.white_m), dtype=np.float64)
    white = 1.57 * (noise.white_m * rough) ** 2 / np.maximum(seen, 1) + limits["knot.floor"] ** 2
    decay = np.column_stack([np.exp(-moving / noise.time_s), np.full(count, np.exp(-every / limits["wave.usual_time"]))])
    gain, scale = _gains(known, moving, decay, usual, white=white, walk=noise.unsure**2 * noise.walk_m2ps * moving + lost,
                         rate=noise.unsure * max(noise.rate_mps, 1e-4))
    return Whitening(origin, t, np.nan_to_num(value), known, moving, decay, usual, gain, scale)


def _gains(
    known: Flags, moving: Floats, decay: Floats, usual: Floats, *, white: Floats, walk: Floats, rate: float
) -> tuple[Floats, Floats]:
    """Return the gains (k, 3) and 1 over the innovation sigma (k,) of the filter with states walk, rate error, usual error."""
    gain, scale = np.zeros((len(known), 3)), np.zeros(len(known))
    cov = np.diag([UNKNOWN, rate**2, 1.0])
    step = np.eye(3)
    for k in range(len(known)):
        if known[k]:
            row = np.array([1.0, 0.0, usual[k]])
            across = cov @ row
            total = float(row @ across) + white[k]
            gain[k], scale[k] = across / total, 1 / np.sqrt(total)
            cov = cov - np.outer(across, across) / total
        step[0, 1], step[1, 1], step[2, 2] = moving[k], decay[k, 0], decay[k, 1]
        cov = step @ cov @ step.T
        cov[0, 0] += walk[k]
        cov[1, 1] += rate**2 * (1 - decay[k, 0] ** 2)
        cov[2, 2] += 1 - decay[k, 1] ** 2
        if cov[0, 0] > UNKNOWN:  # a pause of the log: begun anew, since digits would not carry more beside millimetres
            cov[0, 1:], cov[1:, 0], cov[0, 0] = 0.0, 0.0, UNKNOWN
    return gain, scale


def whitened(grid: Whitening, value: Floats) -> Floats:
    """Return the whitened residual (k, 2)."""
    table = np.column_stack([grid.moving, grid.decay, grid.usual, grid.gain, grid.scale]).tolist()
    out = np.empty_like(value)
    for axis in range(value.shape[1]):
        row, (walk, rate, slow) = [], (0.0, 0.0, 0.0)
        for x, (moving, decay, decay_slow, usual, gain, gain_rate, gain_slow, scale) in zip(value[:, axis].tolist(), table, strict=True):
            off = x - walk - usual * slow
            row.append(off * scale)
            rate += gain_rate * off
            walk += gain * off + moving * rate
            rate *= decay
            slow = (slow + gain_slow * off) * decay_slow
        out[:, axis] = row
    return out
