"""The second opinion on every position: where the walk pinned by right fixed stretches says it should be.

Order: residual against velocity, noise learnt on the drive, fixed stretches, steps between them, which are wrong, then
the smoothed walk through the right ones. Every epoch, fixed or not, gets its deviation from that walk and its sigma.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from analyzer.evidence import noise as noise_of
from analyzer.evidence.askew_velocity import askew_velocity
from analyzer.evidence.chain import Posterior, covariance, worst_in_plan
from analyzer.evidence.claims import innovation_table
from analyzer.evidence.consensus import RIGHT_SIGMA_M, Chain, Decide, consensus
from analyzer.evidence.displacement import residual as residual_of
from analyzer.evidence.height_steps import cut_at_leaps, height_steps, rise_of, stepped
from analyzer.evidence.heights import Leaps, find_leaps
from analyzer.evidence.knots import Knots, at_instants, make_knots, value_variance, walk_model
from analyzer.evidence.late_velocity import velocity_delay
from analyzer.evidence.lone import off_neighbours
from analyzer.evidence.noise import Noise
from analyzer.evidence.prior import PriorOf
from analyzer.evidence.road import NOTHING, Pairs, Seconds, seconds_of
from analyzer.evidence.slews import Slews
from analyzer.evidence.slow_ends import into_slews, unwatched, with_slews, without_passing
from analyzer.evidence.stand_drift import stand_drift
from analyzer.evidence.stray_velocity import find_strays, listed, without_strays
from analyzer.evidence.stretches import (
    Stretches,
    cut,
    inner,
    measure_steps,
    merge_false_jumps,
    with_sharp_jumps,
)
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.evidence.turning import Turning, turning_offset
from analyzer.evidence.two_state import smooth
from analyzer.evidence.waves import Waves, find_waves
from analyzer.settings import thresholds

#: Sigma that stands for not known [m].
UNKNOWN_M = 1e6
#: How much less a step counts whose velocity was made from the positions themselves.
PLACES_COARSE = 2.5


@dataclass(frozen=True)
class SecondOpinion:
    """What the walk says.

    Attributes
    ----------
    deviation, sigma : (n, 2) position minus walk, (n,) its sigma per axis [m]; NaN where nothing pins the walk.
    coarse : (n,) how much noisier positions are around each epoch than usual.
    waves : slow swings of right fixed positions, see `waves.Waves`.
    stretches, posterior, steps, step_var : see there.
    wrong : (n,) probability that the epoch's stretch is a wrong fix, NaN outside.
    innovations : mean normalised innovation squared of the walk with its bounds, see `claims.innovation_table`.
    turning : offset that turns with the car, taken out of the residual, where one was found.
    delay_s : by how much velocity was found to be later than positions, taken out of the residual.
    askew : share of the way driven by which velocity and positions differ [m/m], taken out of the residual.
    strayed : (n, 2) drift of positions at stands [m], see `stand_drift`, taken out of the residual.
    up, up_var : (k-1,) steps in height between stretches [m] and their variances [m²], `height_steps.UNMEASURED` where nothing was learnt.
    leaps : steps in height inside stretches, too small to cut: they are listed, and the bound of heights holds them.
    rise : how far heights wander along this road.
    strays : (k, 2) UTC [s since 1970] of the moments at which velocity strayed, and the ways it missed by [m], see `stray_velocity`.
    """

    noise: Noise
    stretches: Stretches
    posterior: Posterior
    steps: Floats
    step_var: Floats
    deviation: Floats
    sigma: Floats
    coarse: Floats
    waves: Waves
    wrong: Floats
    turning: Turning | None = None
    innovations: pd.DataFrame = field(default_factory=pd.DataFrame)
    delay_s: float = 0.0
    up: Floats = field(default_factory=lambda: np.zeros(0))
    up_var: Floats = field(default_factory=lambda: np.zeros(0))
    leaps: Leaps = field(default_factory=Leaps)
    rise: Noise | None = None
    askew: float = 0.0
    strays: Floats = field(default_factory=lambda: np.zeros((0, 2)))
    strayed: Floats = field(default_factory=lambda: np.zeros((0, 2)))


def form(track: Track, *, fresh: Flags, breaks: Flags, rough: Floats, slews: Slews, prior_wrong: PriorOf, fused: bool = False, decide: Decide | None = None,
         road: Pairs = NOTHING) -> SecondOpinion:
    """Form the second opinion.

    Parameters
    ----------
    track : with every epoch.
    fresh : fixed epochs with fresh corrections and moving output: the only ones that can pin.
    breaks : epochs at which a new stretch begins whatever else holds (station or base change).
    rough : (n,) how much worse geometry is than usual, at least 1.
    slews : slow steps found against independent motion; stretches are cut there.
    fused : velocity shares the filter of the position, so that swings do not show between them.
    prior_wrong : function of `Stretches` that gives each one's probability of being wrong before looking at steps.
    decide : says which stretches are wrong; default `consensus` of those of this track.
    road : heights against other passes of the same places.
    """
    fresh = fresh & ~slews.inside
    residual, extra, truncated = residual_of(track)
    known = np.isfinite(track.velocity).all(axis=1)
    delay_s = 0.0 if track.from_places else velocity_delay(track, residual, fresh & known)
    if delay_s:
        residual, extra, truncated = residual_of(track, delay_s=delay_s)
    whole = residual
    askew = None if track.from_places else askew_velocity(track, residual, fresh & known)
    if askew is not None:
        residual, truncated = residual - askew.part, truncated + askew.unsure_var
    turning = None if track.from_places or fused else turning_offset(track, residual, fresh & known)
    if turning is not None:
        residual = residual - turning.part
    strayed = np.zeros((len(track), 2)) if track.from_places or fused else stand_drift(track, residual, fresh & known)
    residual = residual - strayed
    strays = [] if fused else find_strays(track, residual, fresh & known, delay_s=delay_s)
    if strays:
        taken_out = whole - residual
        track, unsure = without_strays(track, strays)
        residual, extra, truncated = residual_of(track, delay_s=delay_s)
        residual, truncated = residual - taken_out, truncated + unsure
    noise = noise_of.learn_moving(residual, fresh & known, track)
    rough = np.maximum(noise_of.roughness(track.velocity, track.nominal_s, learnt=track.learnt, where=fresh & known & ~track.standing), rough)
    coarse = _coarse(track, residual, rough)
    stretches = cut(track, residual, noise, breaks=breaks, fixed=fresh, coarse=coarse, truncated=truncated)
    coarse = _coarse(track, residual, rough, stretches)
    if not track.from_places and not fused:
        stretches = cut_at_leaps(stretches, find_leaps(track, residual, noise, stretches, coarse=coarse), track)
    knots = make_knots(track, residual, extra, truncated, noise=noise, rough=rough, coarse=coarse, usable=inner(stretches, track.t),
                       edges=_edges(stretches, len(track)))
    rise = rise_of(track, fresh)
    way_var = truncated + extra + noise.walk_m2ps * np.maximum(rough[1:], 1.0) ** 2 * np.diff(track.t)
    chain = _chain(track, stretches, (knots, residual, way_var), noise, rise=rise, slews=slews, coarse=coarse)
    steps, step_var = chain.steps[:, :2], worst_in_plan(chain.variances)
    posterior = (decide or consensus)(chain, prior_wrong)
    wrong = np.full(len(track), np.nan)
    stretches = replace(chain.stretches, id=into_slews(chain.stretches, posterior, slews, track))
    inside = stretches.id >= 0
    wrong[inside] = posterior.wrong[stretches.id[inside]]
    away, spread = off_neighbours(track, residual, noise, coarse=coarse, step_var=truncated + extra)
    alone = fresh & np.isfinite(spread)
    deviation, sigma = _deviation(residual, knots, noise, fresh & ~(wrong > 0.5) & ~alone, track)
    deviation[alone], sigma[alone] = away[alone], spread[alone]
    lost_var = way_var - noise.walk_m2ps * np.diff(track.t) + _torn(stretches, steps, step_var, len(track))
    right = fresh & ~noise_of.spikes(residual, noise.white_m * coarse, track.nominal_s) & ~(wrong > 0.5)
    seen = right & known & np.full(len(track), not track.from_places)
    waves = find_waves(track, residual, noise, usable=seen, coarse=coarse, lost_var=lost_var, road=_of_right(road, track, right), doubtful=not fused)
    points = at_instants(knots, track, residual, noise=noise, rough=rough, extra_var=extra, truncated=truncated,
                         usable=inner(stretches, track.t) & fresh & ~(wrong > 0.5))
    return SecondOpinion(noise, stretches, posterior, steps, step_var, deviation, sigma, coarse, waves, wrong, turning,
                         innovation_table(points, noise), delay_s, up=chain.steps[:, 2],
                         up_var=chain.variances[:, 3], leaps=find_leaps(track, residual, noise, chain.stretches, coarse=coarse),
                         rise=rise, askew=askew.share if askew is not None else 0.0, strayed=strayed,
                         strays=listed(strays, track))


def _coarse(track: Track, residual: Floats, rough: Floats, stretches: Stretches | None = None) -> Floats:
    """Return how much noisier positions are around each epoch than usual (n,), steps between `stretches` not counted once they are known."""
    if track.nominal_s > 0.6:
        coarse = rough
    else:
        key, begins = ("coarse", None) if stretches is None else ("coarse.apart", stretches.spans[:, 0])
        coarse = noise_of.roughness(residual, track.nominal_s, slowest_s=0.6, learnt=track.learnt, key=key, begins=begins)
    return np.maximum(coarse, PLACES_COARSE) if track.from_places else coarse


def _chain(
    track: Track, stretches: Stretches, walk: tuple[Knots, Floats, Floats], noise: Noise, *, rise: Noise, slews: Slews, coarse: Floats
) -> Chain:
    """Return the stretches without false jumps between them, and the steps in plan and height from each to the next.

    `walk` : the knots, the residual of each epoch (n, 2) [m], and the variance of the way from each to the next (n-1,) [m²].
    """
    knots, residual, way_var = walk

    def measured(stretches: Stretches) -> tuple[Floats, Floats]:
        filtered = measure_steps(stretches, knots, noise)
        return with_sharp_jumps(stretches, filtered, residual, noise, coarse=coarse, way_var=way_var)

    steps, step_var = measured(stretches)
    up, up_var = height_steps(stretches, knots, rise, track, coarse=coarse)
    kept = merge_false_jumps(stretches, steps, step_var, coarse, in_height=stepped(up, up_var))
    if len(kept) < len(stretches):
        stretches = kept
        steps, step_var = measured(stretches)
        up, up_var = height_steps(stretches, knots, rise, track, coarse=coarse)
    steps, variances, by_slew = with_slews(stretches, slews, track, steps=np.column_stack([steps, up]), variances=covariance(step_var, up_var))
    stretches, steps, variances, by_slew = without_passing(stretches, steps, variances, by_slew=by_slew, t=track.t)
    return Chain(stretches, steps, variances, by_slew, unwatched(stretches, by_slew, variances, slews.shown | track.standing))


def _torn(stretches: Stretches, steps: Floats, step_var: Floats, count: int) -> Floats:
    """Return the variance (n-1,) [m²] by which the way is torn where two stretches do not fit each other."""
    out = np.zeros(count - 1)
    for k, (step, var) in enumerate(zip(steps, step_var, strict=True)):
        if (step**2).sum() > 9 * (var + 2 * RIGHT_SIGMA_M[0] ** 2):
            out[stretches.spans[k + 1, 0] - 1] = float((step**2).sum())
    return out


def _of_right(road: Pairs, track: Track, right: Flags) -> Seconds | None:
    """Return what passes say whose both sides are `right` (n,), as far as they lie in this track; None where there are none."""
    def good(utc: Floats) -> Flags:
        t = utc - track.begun_s
        near = np.clip(np.searchsorted(track.t, t - track.nominal_s / 2), 0, len(track) - 1)
        return np.asarray(right[near] | (t < track.t[0]) | (t > track.t[-1]))

    if not road.telling:
        return None
    kept = road.where(good(road.at_s) & good(road.other_s))
    return seconds_of(kept) if len(kept) else None


def _edges(stretches: Stretches, count: int) -> Flags:
    edges = np.zeros(count + 1, dtype=bool)
    edges[stretches.spans.ravel()] = True
    return edges[:count]


def _knots_of(right: Flags, knots: Knots) -> Knots:
    """Return the knots with the values of those that hold no right epoch taken away."""
    keep = np.zeros(len(knots.t), dtype=bool)
    keep[knots.of_epoch[right]] = True
    return Knots(knots.t, knots.of_epoch, np.where(keep[:, None], knots.value, np.nan), np.where(keep, knots.up, np.nan),
                 np.where(keep, knots.count, 0), knots.coarse, knots.walk_var, knots.moving)


def _deviation(residual: Floats, knots: Knots, noise: Noise, right: Flags, track: Track) -> tuple[Floats, Floats]:
    """Return the deviation of every epoch from the smoothed walk and its sigma per axis."""
    pinned = _knots_of(right, knots)
    if not np.isfinite(pinned.value).any():
        return np.full((len(track), 2), np.nan), np.full(len(track), np.nan)
    state, cov = smooth(pinned.value, value_variance(pinned, noise), walk_model(pinned, noise))
    at = knots.of_epoch
    walk = state[:, [0, 2]][at] + (track.t - knots.t[at])[:, None] * np.where(track.standing[:, None], 0.0, state[:, [1, 3]][at])
    within = noise.walk_m2ps * np.abs(track.t - knots.t[at]) * ~track.standing
    sigma = np.sqrt(cov[at, 0] + within + RIGHT_SIGMA_M[0] ** 2)
    # what was learnt over half a minute says nothing of many minutes
    pins = knots.t[np.isfinite(pinned.value).all(axis=1)]
    after = np.searchsorted(pins, track.t)
    away = np.minimum(np.abs(track.t - pins[np.maximum(after - 1, 0)]), np.abs(track.t - pins[np.minimum(after, len(pins) - 1)]))
    sigma[away > thresholds("analyzer.evidence")["bridge.longest"]] = UNKNOWN_M
    return residual - walk, sigma
