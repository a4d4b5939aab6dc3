"""Gather the evidence of a recording into an error bound per epoch.

The rule that combines the parts (each a 95 % figure, horizontal radius or height)::

    fixed      bound = sqrt(base² + baseline² + sky² + ageing²) + max(scatter, segment, standstill, frozen, alignment, settling)
               + check_point
    not fixed  bound = max(bridge, segment, alignment) + frozen + check_point where the way between fixed stretches is known better
               than the claim, else the same with base for bridge; segment is there where another base may speak

Errors under the root come about independently of each other, so that their squares add. base is where a bound starts from: the claim
(GST), enlarged by what claims showed on this drive, not below a floor (`claimed_sigma.fixed_base`) nor below what heights of the road
show (`road`), or the class value; claim and class are told beside it. Every other part is zero where nothing speaks
for it. Heights use the same parts times `class_vertical.ratio`, a wrong fix times `wrong.height_ratio` or what its own height
shows, whichever is more; beside scatter stand swings and steps of heights alone.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd

from analyzer.evidence import parts as part_of
from analyzer.evidence.against_motion import reversed_words
from analyzer.evidence.ageing import Ageing, age_excess
from analyzer.evidence.carried import carried_across
from analyzer.evidence.claim import AXIS_95, RADIUS_95, carried_claim, class_bounds
from analyzer.evidence.claimed_sigma import claim_ratio, fixed_base, rest_scatter, with_other_states
from analyzer.evidence.claims import claim_findings, claims_table, off_stands, ratio_beside
from analyzer.evidence.consensus import Decide
from analyzer.evidence.evidence_words import (
    blind_spots,
    frame_words,
    road_words,
    unwatched_axes,
    unwatched_words,
    words_of,
)
from analyzer.evidence.frozen import frozen_distance, frozen_velocity
from analyzer.evidence.fused import FusedDoubts, doubts_of
from analyzer.evidence.independent import Independent, independent_motion
from analyzer.evidence.learnt import Learnt
from analyzer.evidence.parts import Parts
from analyzer.evidence.prior import PriorOf
from analyzer.evidence.result import Evidence
from analyzer.evidence.returns import moved_words, watch, without_returns
from analyzer.evidence.road import NOTHING, Seconds, road_of, seconds_of, worse_heights
from analyzer.evidence.second_opinion import UNKNOWN_M, SecondOpinion, form
from analyzer.evidence.sharp_heights import leap_words, with_leaps
from analyzer.evidence.slews import Slews, find_slews, none_found
from analyzer.evidence.solution_kind import KindFound, find_kind, stated_kind
from analyzer.evidence.source_clock import on_the_clock
from analyzer.evidence.stations import foreign, station_breaks, told_places
from analyzer.evidence.track import Flags, Floats, Track, build_track
from analyzer.metrics.heading_mode import mode_findings
from analyzer.metrics.result import Metrics
from analyzer.recording import Finding, Recording
from analyzer.settings import thresholds

#: States whose positions stand in the frame of the base.
CORRECTED = ("fixed", "float", "differential")

#: The parts that enter the rule above besides claim and class.
PARTS = ("ageing", "baseline", "scatter", "segment", "standstill", "sky", "frozen", "bridge", "alignment", "settling")


@dataclass(frozen=True)
class Examined:
    """What `examine` found: the bounds, and what they rest on."""

    bounds: pd.DataFrame
    track: Track
    opinion: SecondOpinion
    ageing: Ageing
    foreign: Flags
    slews: Slews
    motion: Independent | None
    doubts: FusedDoubts | None
    kind: KindFound
    stated: str
    claims: pd.DataFrame
    modes: tuple[Finding, ...]
    road: Seconds
    fused: bool

    @property
    def kind_known(self) -> bool:
        """Return whether the solution kind was stated or found."""
        return (self.stated, self.kind.kind) != ("unknown", "unknown")

    @property
    def unwatched(self) -> tuple[str, ...]:
        """Return the axes on which nothing independent watched a fused solution; none for others."""
        return unwatched_axes(self.motion) if self.fused else ()


def gather(recording: Recording, metrics: Metrics, *, without: Collection[str] = ()) -> Evidence:
    """Return the evidence on every epoch of `recording`; kinds named in `without` (see `result.KINDS`) are left out."""
    fixes, found = recording.fixes, examine(recording, metrics, without=without)
    ids = found.opinion.stretches.id
    return Evidence(
        found.bounds, part_of.segment_table(fixes, found.track, found.opinion), part_of.jump_table(fixes, found.opinion),
        pd.Series(pd.arrays.IntegerArray(ids.astype(np.int32), ids < 0), index=fixes.index), findings=findings_of(found, pd.DatetimeIndex(fixes.index)),
        cannot_show=blind_spots(found.track, found.opinion, found.motion, found.slews, fused=found.fused, kind_known=found.kind_known,
                                road=len(found.road.at_s) > 0),
        claims=found.claims, innovations=found.opinion.innovations, kind=found.kind, unwatched=found.unwatched,
    )


def findings_of(found: Examined, times: pd.DatetimeIndex) -> tuple[Finding, ...]:
    """Return in words what a reader must know; `times` are those of the whole drive."""
    return (*found.kind.findings(found.stated), *unwatched_words(found.unwatched, found.motion), *frame_words(found.opinion, times), *claim_findings(found.claims),
            *words_of(found.opinion, found.doubts, found.slews, found.motion), *road_words(found.road), *found.modes)


def examine(
    recording: Recording, metrics: Metrics, *, without: Collection[str] = (), learnt: Learnt | None = None, decide: Decide | None = None
) -> Examined:
    """Examine every epoch of `recording`, which may be a block of a drive.

    `learnt` holds the rulers of the whole drive, `decide` says which stretches are wrong (`second_opinion.form`).
    """
    learnt, fixes = learnt or Learnt(), recording.fixes
    track, found_kind, stated, fused = _track_of(recording, metrics, learnt)
    ageing = age_excess(track, fused=fused)
    frozen = frozen_distance(track, fixes, fused=fused)
    if fused or not learnt.of("doppler", bool(np.isfinite(fixes["speed_mps"].to_numpy(np.float64)).any()), "any"):
        track.velocity[frozen > 0] = np.nan
    track.velocity[frozen_velocity(track, frozen)] = np.nan
    fresh = track.fixed & ~ageing.stale & (frozen == 0)
    clocked = on_the_clock(recording, track, learnt=learnt) if fused and "independent" not in without else None
    track = track if "independent" in without else carried_across(recording if clocked is None else clocked.recording, track)
    motion = independent_motion(clocked.recording, track, usable=frozen == 0) if clocked is not None else None
    slews = without_returns(find_slews(track, motion), track, ageing) if motion is not None else none_found(len(track))
    other = foreign(fixes, track.fixed, learnt=learnt)
    told = told_places(recording.corrections, fixes, track) if decide is None else None
    rough = _geometry(fixes, track)
    # a stranger's base has heights of its own: passes under it are no witnesses
    road = NOTHING if "road" in without else road_of(track, fresh & ~other, worse_heights(ageing.excess_s, rough))
    doubts = doubts_of(fixes, track, slews, road) if fused else None
    prior = PriorOf(track, ageing, other, watch(track, ageing, fixes["fix_state"]), told=told, fused=fused, road=road,
                    unaligned=doubts.alignment > 0 if doubts is not None else None)
    opinion_of = partial(form, track, fresh=fresh, fused=fused, breaks=station_breaks(fixes), rough=rough, prior_wrong=prior, decide=decide, road=road)
    opinion = opinion_of(slews=slews)
    blind = fused and (motion is None or "up" not in motion.sources)
    leapt = with_leaps(slews, opinion.leaps, track) if (blind or track.from_places) and decide is None else slews
    if leapt is not slews:
        opinion = opinion_of(slews=leapt)
    found = part_of.parts(fixes, track, opinion, ageing=ageing, frozen_m=frozen, baseline_m=metrics.epochs["base_distance_m"].to_numpy(np.float64),
                          frame_m=prior.frame_radius(fixes["fix_state"].isin(CORRECTED).to_numpy(dtype=bool)), doubts=doubts)
    claimed, _ = carried_claim(fixes)
    claims = claims_table(fixes["fix_state"], track, claimed, deviation=opinion.deviation, sigma=opinion.sigma,
                          right=opinion.wrong <= 0.5)
    bounds = combine(fixes, track, opinion, found, beside=ratio_beside(claims, track), without=without, fused=fused,
                     road_m=road.shown_m)
    return Examined(bounds, track, opinion, ageing, other, slews, motion, doubts, found_kind, stated, claims,
                    (*mode_findings(fixes, track.nominal_s), *reversed_words(track.against, track.t, pd.DatetimeIndex(fixes.index)), *leap_words(slews, leapt, blind=track.from_places), *moved_words(prior.returns, pd.DatetimeIndex(fixes.index)),
                     *(clocked.findings() if clocked is not None else ())),
                    seconds_of(road), fused)


def _track_of(recording: Recording, metrics: Metrics, learnt: Learnt) -> tuple[Track, KindFound, str, bool]:
    """Return the track, the kind of solution as found and as stated, and whether it is taken for a fused one."""
    fixes = recording.fixes
    rate = metrics["rate_hz"].value
    nominal_s = 1 / float(rate) if rate else 1.0
    stated = stated_kind(fixes)
    track = build_track(fixes, metrics.epochs, nominal_s, origin=metrics.origin, learnt=learnt)
    found = learnt.once("kind", lambda: find_kind(fixes, track), "most")
    fused = (found.kind if stated == "unknown" else stated) == "fused"
    track = build_track(fixes, metrics.epochs, nominal_s, origin=metrics.origin, fused=True, learnt=learnt) if fused else track
    return track, found, stated, fused


def combine(
    fixes: pd.DataFrame,
    track: Track,
    opinion: SecondOpinion,
    found: Parts,
    *,
    beside: float = float("nan"),
    without: Collection[str] = (),
    fused: bool = False,
    road_m: float = float("nan"),
) -> pd.DataFrame:
    """Return the position bounds by the rule above; `complete` adds the axes of the track, speed and heading.

    `road_m` is the sigma of the difference of two passes of the road in height, where the drive shows it.
    """
    limits = thresholds("analyzer.evidence")
    ratio = limits["class_vertical.ratio"]
    part = {k: (np.zeros(len(track)) if k in without else getattr(found, k)) for k in PARTS}
    claimed, claimed_up = carried_claim(fixes)
    class_h, class_v = class_bounds(fixes)
    rest = rest_scatter(track, opinion.stretches.id, opinion.wrong, claimed,
                        swing_m=np.zeros(len(track)) if fused else np.hypot(opinion.waves.size, np.hypot(*opinion.strayed.T)))
    told_ratio = with_other_states(rest.ratio, beside)
    base_h, base_v = fixed_base(claimed, claimed_up, class_h, noise=opinion.noise, rest=rest, told_ratio=told_ratio, fused=fused, nominal_s=track.nominal_s)
    base_h, base_v = np.fmax(base_h, RADIUS_95 * road_m / np.sqrt(2) / ratio), np.fmax(base_v, AXIS_95 * road_m / np.sqrt(2))
    part["standstill"] = np.where(part["standstill"] > base_h, part["standstill"], 0.0)  # to stray by less is what the base says already
    worst = np.maximum.reduce([part["scatter"], part["segment"], part["standstill"], part["frozen"], part["alignment"], part["settling"]])
    high, up = found.of_heights(track.fixed, without)
    worst_v = np.maximum.reduce([part["scatter"] * ratio, up, part["standstill"] * ratio, part["frozen"], part["settling"], high])
    other, aged = part["baseline"] ** 2 + part["sky"] ** 2, np.where(found.age_shown, part["ageing"], 0.0)
    fixed_h = np.sqrt(base_h**2 + other + part["ageing"] ** 2) + worst
    fixed_v = np.sqrt(base_v**2 + (other + part["ageing"] ** 2) * ratio**2) + worst_v
    loose = _not_fixed(fixes, track, opinion, claimed, claimed_up, part["bridge"], shown_ratio=float(np.fmax(told_ratio, rest.ratio)))
    horizontal = np.where(track.fixed, fixed_h, np.maximum.reduce([loose.horizontal, part["alignment"], part["segment"]]) + part["frozen"])
    vertical = np.where(track.fixed, fixed_v, np.maximum(loose.vertical, part["segment"]) + part["frozen"])
    placed = np.isfinite(fixes["latitude_deg"].to_numpy(np.float64))
    tall = placed & np.isfinite(fixes["height_m"].to_numpy(np.float64))
    shown = np.where(track.fixed, np.sqrt(base_h**2 + other + aged**2) + np.where(found.undecided, 0.0, worst), horizontal)
    shown_v = np.where(track.fixed, base_v + np.where(found.undecided, 0.0, worst_v), vertical)
    return pd.DataFrame(_columns(part, ratio) | _used(track, loose, (base_h, base_v), part, up=(high, up)) | {
        "bound_claim_m": RADIUS_95 * claimed, "vertical_bound_claim_m": AXIS_95 * claimed_up,
        "bound_class_m": class_h, "vertical_bound_class_m": class_v,
        "horizontal_bound_m": np.where(placed, horizontal, np.nan), "vertical_bound_m": np.where(tall, vertical, np.nan),
        "shown_horizontal_m": np.where(placed, shown, np.nan), "shown_vertical_m": np.where(placed, shown_v, np.nan),
        "contradicted": found.contradicted, "undecided": found.undecided, "other_frame": found.other_frame}, index=fixes.index)


@dataclass(frozen=True)
class _Loose:
    """Bounds (n,) [m] of epochs that are not fixed, what they start from, and whether the way between fixed stretches took its place."""

    horizontal: Floats
    vertical: Floats
    base: Floats
    base_up: Floats
    bridged: Flags


def _not_fixed(
    fixes: pd.DataFrame, track: Track, opinion: SecondOpinion, claimed: Floats, claimed_up: Floats, bridge: Floats, *, shown_ratio: float
) -> _Loose:
    """Return the bounds of epochs that are not fixed.

    Claims that are `shown_ratio` times too small while fixed count for no other state as they stand.
    """
    limits = thresholds("analyzer.evidence")
    least = shown_ratio if shown_ratio > limits["claim.disproved"] else 1.0
    deviation, sigma = off_stands(track, opinion.wrong <= 0.5, opinion.deviation, opinion.sigma)
    class_h, class_v = class_bounds(fixes)
    state = fixes["fix_state"]
    horizontal, vertical = class_h.copy(), class_v.copy()
    for name in ("float", "differential", "autonomous", "precise", "estimated"):
        group: Flags = (state == name).to_numpy()
        ratio = max(least, claim_ratio(claimed, deviation, sigma, group, track=track, key=f"claim.{name}")) if group.any() else 1.0
        claim = group & np.isfinite(claimed)
        horizontal[claim] = np.maximum(RADIUS_95 * max(ratio, limits["claim.not_fixed_ratio"]) * claimed[claim], limits["claim.least_not_fixed"])
        vertical[claim] = np.fmax(AXIS_95 * ratio * claimed_up, horizontal * limits["class_vertical.ratio"])[claim]
    measured = np.isfinite(bridge) & (bridge > 0) & ~track.fixed
    known = limits["bridge.surcharge"] * RADIUS_95 * opinion.sigma
    tighter = measured & (known < 0.5 * horizontal)
    beyond = measured & ~tighter & (np.nan_to_num(bridge) - 2 * np.nan_to_num(known, nan=UNKNOWN_M) > horizontal)
    new = np.where(tighter | beyond, np.maximum(bridge, limits["claim.least_not_fixed"]), horizontal)
    new_up = np.where(tighter, np.maximum(vertical * np.sqrt(new / horizontal), new * limits["class_vertical.ratio"]), np.maximum(vertical, new))
    placed = track.placed
    return _Loose(np.where(placed, new, class_h), np.where(placed, new_up, class_v), np.where(placed, horizontal, class_h),
                  np.where(placed, np.maximum(vertical, horizontal), class_v), placed & (tighter | beyond))


def _used(track: Track, loose: _Loose, base: tuple[Floats, Floats], part: dict[str, Floats], *, up: tuple[Floats, Floats]) -> dict[str, Floats]:
    """Return what the rule uses where that is not the part itself: where a bound starts from, the way between stretches, and heights.

    `up` (n,) twice: how far heights swing or have stepped alone, and by how much a wrong stretch is off in height [m].
    """
    limits = thresholds("analyzer.evidence")
    fixed = track.fixed
    return {
        "bound_base_m": np.where(fixed, base[0], loose.base), "vertical_bound_base_m": np.where(fixed, base[1], loose.base_up),
        "bound_bridge_m": np.where(fixed | ~loose.bridged, 0.0, loose.horizontal),
        "vertical_bound_bridge_m": np.where(fixed | ~loose.bridged, 0.0, loose.vertical),
        "vertical_bound_scatter_m": np.maximum(part["scatter"] * limits["class_vertical.ratio"], up[0]),
        "vertical_bound_segment_m": up[1],
    }


def _columns(part: dict[str, Floats], ratio: float) -> dict[str, Floats]:
    own = {"frozen": 1.0, "settling": 1.0, "alignment": 0.0}
    flat = {f"bound_{k}_m": v for k, v in part.items()}
    return flat | {f"vertical_bound_{k}_m": v * own.get(k, ratio) for k, v in part.items()}


def _geometry(fixes: pd.DataFrame, track: Track) -> Floats:
    """Return how much worse the dilution is than usual on this drive, at least 1: velocity noise grows with it."""
    hdop = fixes["hdop"].to_numpy(np.float64)
    good = track.fixed & np.isfinite(hdop)
    if not good.any():
        return np.ones(len(track))
    return np.clip(np.nan_to_num(hdop / track.learnt.quantile("hdop", hdop[good]), nan=1.0), 1.0, 8.0)
