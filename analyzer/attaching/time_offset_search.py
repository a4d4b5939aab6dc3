"""The coarse offset: lay one signal over the other at every offset, and see which one that is allowed stands out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analyzer.attaching.signals import LIMITS, Array, Flags, Pair, Sampled
from analyzer.correlation import correlate
from analyzer.settings import thresholds

#: Correlations above this are taken as this: beyond it only noise and the ends of the drive differ.
LARGEST = 0.995


@dataclass(frozen=True)
class Coarse:
    """The best offset [s] and how clearly it leads; `reason` says why there is none.

    `strict` says that it must fit as closely as two recordings of one speed do: it lies elsewhere than near zero or near an
    offset that a known fault of a clock makes, or did not lead by its correlation alone. `repeats` says that another one fits
    about as well, which is why there is none.
    """

    offset_s: float
    correlation: float
    evidence: float
    lead: float
    overlap_s: float
    reason: str | None = None
    strict: bool = False
    repeats: bool = False


@dataclass(frozen=True)
class Laid:
    """One signal laid over the other: at each offset [s] its log-likelihood, correlation, overlap [s], and whether it is expected."""

    lag_s: Array
    score: Array
    correlation: Array
    overlap_s: Array
    expected: Flags

    def part(self, kept: Flags) -> Laid:
        """Return the offsets that are `kept`."""
        return Laid(self.lag_s[kept], self.score[kept], self.correlation[kept], self.overlap_s[kept], self.expected[kept])


def known_offsets() -> dict[float, str]:
    """Return the offsets [s] that wrong time scales, zones and week numbers make, each with its name."""
    limits = thresholds(LIMITS)
    words = {"gps_utc": "GPS time for UTC", "tai_utc": "atomic time for UTC", "tai_gps": "atomic time for GPS time",
             "gps_beidou": "GPS time for BeiDou time", "beidou_utc": "BeiDou time for UTC"}
    out = {sign * limits[f"known.{key}"]: text for key, text in words.items() for sign in (1.0, -1.0)}
    steps = int(limits["known.zone_steps"])
    for n in range(-steps, steps + 1):
        if n:
            out[n * limits["known.zone_step"]] = f"a time zone of {_hours(n * limits['known.zone_step'])}"
    for sign in (1.0, -1.0):
        out[sign * limits["known.rollover"]] = "a GPS week number that repeats after 1024 weeks"
    return out


def lay(pair: Pair, *, anywhere: bool = False) -> Laid:
    """Return how well `pair` fits at every offset (measurement minus recording) at which enough of both overlaps.

    Both signals are averaged, freed of slow trends and correlated at every offset (normalised, missing samples left
    out; scale and bias cannot matter). An offset is judged by the log-likelihood ratio of a bivariate normal,
    ``-n/2 ln(1 - r^2)`` with n the overlap in independent stretches, so that a short overlap proves little.

    Parameters
    ----------
    anywhere : the measurement's clock is no UTC: every offset is as good as another, those of a week number left out.
    """
    rollover = thresholds(LIMITS)["known.rollover"]
    made = []
    for shift in (0.0,) if anywhere else (0.0, rollover, -rollover):
        lags, score, correlation, overlap = _scores(pair, shift)
        expected = np.ones(len(lags), dtype=bool) if anywhere else _expected(lags)
        made.append(Laid(lags, score, correlation, overlap, expected).part(np.isfinite(score) & (expected | (shift == 0.0))))
    names = ("lag_s", "score", "correlation", "overlap_s", "expected")
    return Laid(*(np.concatenate([getattr(m, name) for m in made]) for name in names))


def best(laid: Laid) -> Coarse:
    """Return the offset that fits best, or why none is good enough."""
    limits = thresholds(LIMITS)
    if not len(laid.lag_s):
        return _none("the measurement and the recording share less than "
                     f"{limits['search.least_overlap_s']:.0f} s of driving, also under the known offsets of time scales and zones")
    top = int(np.argmax(laid.score))
    lag, correlation, score = float(laid.lag_s[top]), float(laid.correlation[top]), float(laid.score[top])
    others = np.flatnonzero(np.abs(laid.lag_s - lag) > limits["search.lobe_s"])
    ahead = leads(laid, top)[others]
    lead = float(ahead.min()) if len(others) else score
    found = Coarse(lag, correlation, score, lead, float(laid.overlap_s[top]), strict=not laid.expected[top])
    if correlation < limits["search.least_correlation"] or score < limits["search.least_evidence"]:
        return _none(f"the two signals show no common changes (largest correlation {max(correlation, 0.0):.2f}): a drive at constant "
                     "speed, a wrong channel, or another drive", found)
    if lead < limits["search.least_lead"]:
        second = float(laid.lag_s[others[int(np.argmin(ahead))]])
        return replace(_none(f"two offsets fit about equally well ({lag:+.1f} s and {second:+.1f} s): the drive repeats itself", found),
                       repeats=True)
    return found


def leads(laid: Laid, top: int) -> Array:
    """Return by how much the offset at place `top` beats each one.

    Where the overlap is about as long, both are compared over the same length: a few seconds more of overlap must not
    decide between two laps that are alike.
    """
    limits = thresholds(LIMITS)
    n = laid.overlap_s[top] / limits["search.independent_s"]
    missed = np.log1p(-np.clip(np.maximum(laid.correlation, 0.0), 0.0, LARGEST) ** 2)
    alike = laid.overlap_s >= limits["search.alike_overlap"] * laid.overlap_s[top]
    return np.asarray(np.where(alike, 0.5 * n * (missed - missed[top]), laid.score[top] - laid.score))


def _none(reason: str, found: Coarse | None = None) -> Coarse:
    if found is None:
        return Coarse(np.nan, np.nan, 0.0, 0.0, 0.0, reason)
    return Coarse(np.nan, found.correlation, found.evidence, found.lead, found.overlap_s, reason)


def _expected(lags: Array) -> Flags:
    """Return which offsets lie within reach of zero or of a known offset."""
    reach = thresholds(LIMITS)["search.reach_s"]
    centres = np.sort(np.array([0.0, *known_offsets()]))
    near = np.clip(np.searchsorted(centres, lags), 1, len(centres) - 1)
    distance = np.minimum(np.abs(lags - centres[near - 1]), np.abs(lags - centres[near]))
    return np.asarray(distance <= reach + 1e-9)


def _scores(pair: Pair, shift: float) -> tuple[Array, Array, Array, Array]:
    """Return offsets, log-likelihood, correlation and overlap [s] for a measurement moved back by `shift`."""
    limits = thresholds(LIMITS)
    step = limits["search.grid_s"]
    known = np.isfinite(whole(pair))
    first, last = pair.seconds[known][0], pair.seconds[known][-1]
    start, end = pair.measured.seconds[0] - shift, pair.measured.seconds[-1] - shift
    reach = limits["search.reach_s"] + limits["known.zone_step"] * limits["known.zone_steps"]
    empty = np.empty(0)
    if start > last + reach or end < first - reach:
        return empty, empty, empty, empty
    here = np.arange(np.floor(first / step), np.ceil(last / step) + 1) * step
    there = np.arange(np.floor(start / step), np.ceil(end / step) + 1) * step
    reference = reference_on(pair, here)
    measured = freed(pair.measured.mean(there + shift, limits["search.smooth_s"]))
    correlation, count = correlate(reference, measured)
    # Row k of the full correlation: measured grid moved so that its sample j meets reference sample i, j - i = k - (n - 1).
    moves = np.arange(-(len(here) - 1), len(there))
    lags = moves * step + (there[0] - here[0]) + shift
    overlap = count * step
    n = overlap / limits["search.independent_s"]
    enough = overlap >= limits["search.least_overlap_s"]
    with np.errstate(divide="ignore", invalid="ignore"):
        score = -0.5 * n * np.log1p(-np.clip(np.maximum(correlation, 0.0), 0.0, LARGEST) ** 2)
    return lags, np.where(enough, score, np.nan), correlation, overlap


def reference_on(pair: Pair, grid: Array) -> Array:
    """Return the reference on an even grid, averaged where it is fast, freed of slow trends; NaN in gaps."""
    sampled = Sampled(pair.seconds, whole(pair))
    width = thresholds(LIMITS)["search.smooth_s"]
    out = sampled.mean(grid, max(width - pair.width_s, 1e-3) if sampled.step_s < width else width)
    # Epochs further apart than a second and a half leave nothing to lay anything over.
    near = np.clip(np.searchsorted(sampled.seconds, grid), 1, len(sampled) - 1)
    hole = sampled.seconds[near] - sampled.seconds[near - 1] > max(1.5, 2.5 * sampled.step_s)
    return freed(np.where(hole, np.nan, out))


def whole(pair: Pair) -> Array:
    """Return the reference with the parts that the fine fit leaves out."""
    return pair.whole if len(pair.whole) else pair.reference


def freed(values: Array) -> Array:
    """Return values less their moving mean, missing samples left out."""
    limits = thresholds(LIMITS)
    half = max(1, round(0.5 * limits["search.trend_s"] / limits["search.grid_s"]))
    known = np.isfinite(values)
    total = np.r_[0.0, np.cumsum(np.where(known, values, 0.0))]
    count = np.r_[0.0, np.cumsum(known.astype(np.float64))]
    low = np.maximum(np.arange(len(values)) - half, 0)
    high = np.minimum(np.arange(len(values)) + half + 1, len(values))
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(known, values - (total[high] - total[low]) / (count[high] - count[low]), np.nan)


def _hours(seconds: float) -> str:
    """Return a zone such as +1 h or -9:30 h."""
    whole, rest = divmod(round(abs(seconds) / 60), 60)
    return f"{'+' if seconds > 0 else '-'}{whole}{f':{rest:02d}' if rest else ''} h"
