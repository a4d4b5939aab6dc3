"""Claimed against realised: what the receiver says of its error and what its own scatter shows."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analyzer import intervals
from analyzer.evidence.claim import AXIS_95, RADIUS_95
from analyzer.evidence.learnt import Learnt
from analyzer.evidence.noise import Noise, spikes
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds

#: Shares of the variance of what changes slowly in a fixed position, and their time constants [s].
SLOW_PARTS = ((0.6, 35.0), (0.4, 200.0))


class AtRest(NamedTuple):
    """What stands showed: `sigma_m` per horizontal axis, its `ratio` to the claim there, and for how many `seconds` in all; NaN without a stand."""

    sigma_m: float
    ratio: float
    seconds: float


def fixed_base(
    claimed: Floats, claimed_up: Floats, class_h: Floats, *, noise: Noise, rest: AtRest, told_ratio: float, fused: bool, nominal_s: float,
) -> tuple[Floats, Floats]:
    """Return the 95 % base bound of fixed epochs, horizontal radius and height [m].

    The claim times the larger of `claim.least_ratio` (1 where stands showed the claims to be cautious), `rest.ratio` (what stands
    showed) and `told_ratio` (what other states tell, see `with_other_states`), not below a floor: the class value, down to
    `claim.quiet_floor` on a drive that is visibly quieter than usual by its claims, or without claims by its white noise (not for
    a fused solution, whose output is smooth by making), and further down to `claim.confirmed_floor` where stands confirm still
    smaller claims. Never below white noise, and the more times above it the less the claims
    are believed; without claims not below what stands showed. Claims that stands disprove count for less still in motion. White noise
    tells of the whole error for want of a better: where stands showed that for `claim.rest_long` it stands for no more than they did, with
    what is added in motion.
    """
    limits = thresholds("analyzer.evidence")
    # at longer intervals the integral of velocity hides millimetres, and white noise comes out too large
    white = noise.white_m if noise.learnt and nominal_s <= limits["kind.slowest"] else np.nan
    # by degrees: a ratio of 1.51 says hardly more against the claims than one of 1.49
    disproved = float(np.interp(np.nan_to_num(rest.ratio), [limits["claim.disproved"], limits["claim.disproved_surely"]], [0.0, 1.0]))
    in_motion = 1.0 + disproved * (limits["claim.disproved_more"] - 1.0)
    honest = not fused and np.fmax(rest.ratio, told_ratio) < limits["claim.honest"]
    ratio = np.fmax(np.fmax(rest.ratio * in_motion, told_ratio), 1.0 if honest else limits["claim.least_ratio"])
    quiet = not fused and white < limits["claim.quiet_white"]
    small = np.where(np.isfinite(claimed), claimed, limits["claim.quiet_claim"] if quiet else limits["claim.usual_claim"])
    confirmed = not fused and rest.ratio < limits["claim.beside_rest"]
    floor = np.interp(small, [limits[f"claim.{size}_claim"] for size in ("small", "quiet", "usual")],
                      [limits["claim.confirmed_floor" if confirmed else "claim.quiet_floor"], limits["claim.quiet_floor"], limits["claim.floor"]])
    beside = np.cbrt(limits["claim.least_ratio"] * limits["claim.beside_disproved"] ** 2)
    told = np.interp(np.nan_to_num(told_ratio), [limits["claim.least_ratio"], beside], [1.15, limits["claim.white_share_beside"]])
    whole = told + disproved * (max(limits["claim.white_share"], told) - told)
    by_white = whole * np.nan_to_num(white)
    if rest.seconds >= limits["claim.rest_long"]:
        by_white = min(by_white, max(limits["claim.disproved_more"] * rest.sigma_m, np.nan_to_num(white)))
    seen = RADIUS_95 * np.fmax(by_white, np.where(np.isfinite(claimed), 0.0, np.nan_to_num(rest.sigma_m)))
    horizontal = np.maximum(np.fmax(RADIUS_95 * ratio * claimed, floor), seen)
    up = np.fmax(AXIS_95 * ratio * claimed_up, horizontal * limits["class_vertical.ratio"])
    return horizontal, up


def with_other_states(rest_ratio: float, beside: float) -> float:
    """Return the ratio of shown to claimed sigma while fixed that claims of other states tell; NaN where they tell nothing.

    A receiver whose claims outside fixed are `beside` times too small is not believed while fixed either, where stands
    neither clear nor disprove what it says then (they show a part only, slow errors hide in their means), or where it
    never stood: then the middle of what is usual and, twice, of what is shown beside, by their logarithms.
    """
    limits = thresholds("analyzer.evidence")
    if np.isnan(rest_ratio):
        return float(np.cbrt(limits["claim.least_ratio"] * max(beside, 1.0) ** 2)) if np.isfinite(beside) else float("nan")
    open_to = limits["claim.beside_rest"] <= rest_ratio < limits["claim.disproved"]
    return float(np.cbrt(rest_ratio * beside**2)) if open_to and beside > limits["claim.beside_disproved"] else float("nan")


def rest_scatter(track: Track, stretch_id: NDArray[np.int64], wrong: Floats, claimed: Floats, *, swing_m: Floats) -> AtRest:
    """Return what stands show of the error of fixed positions.

    Median over the stands of right fixed stretches of at least `claim.rest` without a slow swing `swing_m` (n,) that matters,
    each as by `shown_at_rest`; one of two that swings far is not to speak for the drive.
    """
    limits = thresholds("analyzer.evidence")
    sigmas, ratios, lengths, when_s = [], [], [], []
    at_rest = track.resting & track.fixed & ~(np.nan_to_num(wrong) > 0.5) & (swing_m < limits["wave.matters"])
    for start, end in intervals.equal_runs(np.where(at_rest, stretch_id, -2)):
        seconds = float(track.t[end - 1] - track.t[start])
        if not at_rest[start] or seconds < limits["claim.rest"]:
            continue
        sigma = shown_at_rest(places_at_rest(track, int(start), int(end)), seconds, nominal_s=track.nominal_s)
        sigmas.append(sigma)
        when_s.append(track.t[start])
        lengths.append(seconds)
        ratios.append(sigma / float(np.nanmedian(claimed[start:end])) if np.isfinite(claimed[start:end]).any() else np.nan)
    stands = track.learnt.rows("rest", np.array([sigmas, ratios, lengths]).T.reshape(-1, 3), np.array(when_s))
    ratio = stands[np.isfinite(stands[:, 1]), 1]
    return AtRest(_middle(stands[:, 0]), _middle(ratio), float(stands[:, 2].sum()) if len(stands) else float("nan"))


def _middle(values: Floats) -> float:
    """Return the median, NaN of none; between two that differ by more than `claim.stands_differ` the lower, not the mean of both."""
    if not len(values):
        return float("nan")
    low, high = (float(np.quantile(values, 0.5, method=method)) for method in ("lower", "higher"))
    return low if high > thresholds("analyzer.evidence")["claim.stands_differ"] * low else (low + high) / 2


def places_at_rest(track: Track, start: int, end: int) -> Floats:
    """Return the places (n, 2) [m] of a stand without single outliers: those are errors of their own and found as such."""
    places = track.places[start:end, :2]
    white = float(np.median(np.abs(np.diff(places, axis=0)))) * 1.4826 / np.sqrt(2.0)
    return np.asarray(places[~spikes(places, np.full(len(places), white), track.nominal_s)])


def shown_at_rest(places: Floats, seconds: float, *, nominal_s: float) -> float:
    """Return the sigma of the error [m] per axis that `places` (n, 2) [m], `nominal_s` apart, of a stand of `seconds` show.

    What changes within `claim.rest_quick` is all seen; the rest counts for more, see `unseen_at_rest`.
    """
    scatter = float(places.var(axis=0).mean())
    lag = max(1, round(thresholds("analyzer.evidence")["claim.rest_quick"] / nominal_s))
    quick = min(float(((places[lag:] - places[:-lag]) ** 2).mean()) / 2, scatter) if len(places) > lag else scatter
    return float(np.sqrt(quick + unseen_at_rest(seconds) ** 2 * (scatter - quick)))


def unseen_at_rest(seconds: float) -> float:
    """Return by how much the sample sigma of slow errors in a stand falls short of their sigma: at least 1.

    The mean variance about the sample mean of a first-order correlated process with time constant T over a time S is
    ``1 - 2 r (1 - r (1 - exp(-1/r)))`` of its variance, r = T/S; the parts of a usual slow error, their shares and time
    constants stand in `SLOW_PARTS`. Source: integral of the autocorrelation, e.g. Bendat and Piersol, Random Data,
    section 8.2, from memory, not re-read.
    """
    share = 0.0
    for part, time_s in SLOW_PARTS:
        r = time_s / max(seconds, 1.0)
        share += part * (1 - 2 * r * (1 - r * (1 - np.exp(-1 / r))))
    return float(1 / np.sqrt(share))


def claim_ratio(
    claimed: Floats, deviation: Floats, sigma: Floats, group: Flags, *, track: Track | None = None, key: str = "claim_ratio"
) -> float:
    """Return how many times the claimed sigma the measured deviations of `group` really are, at least 1.

    95th percentile of the deviation over that of a circular normal with the claimed sigma, from epochs whose deviation
    is known better than the claim.
    """
    size = np.hypot(*np.nan_to_num(deviation).T)
    use = group & np.isfinite(claimed) & np.isfinite(sigma) & (sigma < 0.7 * claimed)
    learnt, when_s = (Learnt(), None) if track is None else (track.learnt, track.t[use])
    found = learnt.quantile(key, size[use] / claimed[use], 0.95, empty=0.0, when_s=when_s)
    if learnt.count(key, int(use.sum())) < thresholds("analyzer.evidence")["noise.least_pairs"]:
        return 1.0
    return max(1.0, found / RADIUS_95)
