"""Whose time it is within a window: each epoch holds the time half-way to its neighbours, and what nobody holds is missing."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analyzer import intervals

#: Epochs further apart than this many usual intervals have missing ones between them.
APART = 1.5


class Held(NamedTuple):
    """The time of a window.

    Attributes
    ----------
    share : part of it (0 to 1) that trusted epochs hold: 0 without a trusted one, 1 where all are and none is missing.
    hole_s : longest stretch [s] that no trusted epoch holds.
    missing_s : time [s] that no epoch holds.
    whole : every epoch is trusted and none is missing.
    """

    share: float
    hole_s: float
    missing_s: float
    whole: bool


def held_time(trusted: NDArray[np.bool_], at_s: NDArray[np.float64], length_s: float, nominal_s: float) -> Held:
    """Return who holds the time of a window.

    An epoch holds half of what lies between it and its neighbour, and all that lies between it and the edge of the window;
    beside missing epochs, half of a usual interval towards the next one, and a usual interval towards the edge.

    Parameters
    ----------
    trusted, at_s : per epoch of the window, at least one: whether it is trusted, and its time [s] after the start.
    length_s : length of the window [s], 0 and more.
    nominal_s : usual interval between epochs [s].
    """
    gaps = np.diff(np.r_[0.0, at_s, length_s])
    lost = np.where(gaps > APART * nominal_s, gaps - nominal_s, 0.0)
    kept = gaps - lost
    to_left, to_right = kept[:-1] / 2, kept[1:] / 2
    to_left[0], to_right[-1] = kept[0], kept[-1]
    pieces = np.empty(2 * len(at_s) + 1)
    pieces[::2], pieces[1::2] = lost, to_left + to_right
    good = np.zeros(len(pieces), dtype=bool)
    good[1::2] = trusted
    there = np.ones(len(pieces), dtype=bool)
    there[::2] = lost > 0
    pieces, good = pieces[there], good[there]
    holes = [float(pieces[a:b].sum()) for a, b in intervals.runs(~good)]
    share = float(pieces[good].sum() / pieces.sum()) if pieces.sum() > 0 else float(good.mean())
    # sums of tenths of a second must not be longer than a limit by rounding alone
    return Held(1.0 if good.all() else min(share, 1.0), round(max(holes, default=0.0), 6), float(lost.sum()), bool(good.all()))
