"""The size of a slow step over a window, by axis and on the map."""

from __future__ import annotations

import numpy as np

from analyzer.evidence.slew_scan import Scan
from analyzer.evidence.track import Floats
from analyzer.settings import thresholds

#: Variance of a step along an axis that nothing shows [m²].
UNSEEN_VAR = 1e3


def by_axis(t: Floats, values: Floats, gain: Floats, span: tuple[float, float], *, scans: list[Scan], every: float) -> tuple[Floats, Floats]:
    """Return the step over a span across, along and up [m] (3,), and what it is known to, NaN where nothing watches."""
    first, last = span
    flank = thresholds("analyzer.evidence")["slew.flank"]
    inside = (t >= first) & (t <= last)
    beside = ((t >= first - flank) & (t < first)) | ((t > last) & (t <= last + flank))
    middle = int(np.argmin(np.abs(t - (first + last) / 2)))
    size, sigma = np.zeros(3), np.full(3, np.nan)
    for axis in range(3):
        # a length that was measured here knows how this place was driven
        nearest = min(scans, key=lambda scan: (not np.isfinite(scan.sigma[axis, middle]), abs(scan.length_s - (last - first))))
        here = nearest.sigma[axis, middle]
        seen = nearest.sigma[axis][np.isfinite(nearest.sigma[axis])]
        if not len(seen) or not np.isfinite(values[axis, inside]).any():
            continue
        known = values[axis, beside][np.isfinite(values[axis, beside])]
        base = float(np.median(known)) if len(known) else 0.0
        size[axis] = (np.nan_to_num(values[axis, inside] - base) * gain[axis, inside]).sum() * every
        usual = here if np.isfinite(here) else float(np.median(seen))
        # more than a wrong fix makes is a bad moment of the sensor
        bad = abs(size[axis]) if abs(size[axis]) > largest()[axis] else 0.0
        sigma[axis] = max(usual * max((last - first) / nearest.length_s, 1.0) ** 1.5, bad)
    return size, sigma


def on_the_map(ahead: Floats, size: Floats, sigma: Floats) -> tuple[Floats, Floats]:
    """Return a step east, north, up and its variances (4,) of one that was seen across, along and up.

    The position moves one way while the car may turn: what each axis saw is the part of the step along its mean direction `ahead`
    (m, 2), the middle of the span counting most, since a filter moves fastest there.
    """
    weight = np.hanning(len(ahead) + 2)[1:-1]
    forward = weight @ ahead / weight.sum()
    straight = max(float(np.hypot(*forward)), 0.3)
    forward = forward / max(float(np.hypot(*forward)), 1e-9)
    left = np.array([-forward[1], forward[0]])
    across, along, up = np.where(np.isfinite(sigma), sigma**2, UNSEEN_VAR) / np.array([straight**2, straight**2, 1.0])
    plan = along * np.outer(forward, forward) + across * np.outer(left, left)
    step = (size[1] * forward + size[0] * left) / straight
    return np.array([*step, size[2]]), np.array([plan[0, 0], plan[1, 1], plan[0, 1], up])


def largest() -> Floats:
    """Return the largest step across, along and up [m] that a wrong fix makes."""
    return np.array([1.0, 1.0, 2.0]) * thresholds("analyzer.evidence")["slew.most"]
