"""What a fused solution owes: an aligned heading, and independent eyes on it after a lost fix."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analyzer import intervals
from analyzer.evidence.claim import RADIUS_95, carried_claim
from analyzer.evidence.independent import running_median
from analyzer.evidence.road import NOTHING, Pairs
from analyzer.evidence.road_odds import confirmed_after
from analyzer.evidence.slews import Slews
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.metrics.heading_mode import doubted, ever_autonomous
from analyzer.settings import thresholds


@dataclass(frozen=True)
class FusedDoubts:
    """`alignment` (n,) [m] 95 % shift by a wrong heading, 0 where aligned; `unconfirmed` fixed again without independent eyes.

    `settling` (n,) [m] 95 % radius of what fixed positions still owe after sensors alone carried them, 0 elsewhere;
    `turned_deg` : largest lasting disagreement of heading and course, NaN where aligned throughout or not logged.
    """

    alignment: Floats
    unconfirmed: Flags
    settling: Floats
    turned_deg: float


def doubts_of(fixes: pd.DataFrame, track: Track, slews: Slews, road: Pairs = NOTHING) -> FusedDoubts:
    """Return the doubts about a fused solution."""
    seen = heading_off(fixes["heading_deg"].to_numpy(np.float64), track)
    turned = by_mode(seen, fixes, track)
    arm = thresholds("analyzer.evidence")["alignment.arm"]
    largest = float(seen.max(initial=0.0))
    return FusedDoubts(
        2 * arm * np.sin(np.radians(np.minimum(turned, 180.0)) / 2), _unconfirmed(track, slews, road), settling(fixes, track),
        largest if largest > 0 else np.nan
    )


def settling(fixes: pd.DataFrame, track: Track) -> Floats:
    """Return how far fixed positions may still be off (n,) [m], 95 % radius, behind stretches that sensors alone carried.

    While no satellites help a filter drifts; when they do again it is drawn back over some seconds, and its velocity with it, however small
    the claims are by then. What it claimed at the end of such a stretch, or the class value, decays from there on.
    """
    limits = thresholds("analyzer.evidence")
    out, carried = np.zeros(len(track)), (fixes["fix_state"] == "estimated").to_numpy()
    claimed, _ = carried_claim(fixes)
    for start, end in intervals.runs(carried):
        if track.t[end - 1] - track.t[start] + track.nominal_s < limits["settling.carried"] or end == len(track):
            continue
        known = claimed[start:end][np.isfinite(claimed[start:end])]
        size = RADIUS_95 * float(known[-1]) if len(known) else limits["class_horizontal.estimated"]
        lasts_s = limits["settling.time"] * np.log(size / limits["settling.matters"]) if size > 0 else 0.0
        some = slice(end, int(np.searchsorted(track.t, track.t[end - 1] + lasts_s, side="right")))
        out[some] = np.maximum(out[some], size * np.exp(-(track.t[some] - track.t[end - 1]) / limits["settling.time"]))
    return np.where(track.fixed, out, 0.0)


def heading_off(heading_deg: Floats, track: Track) -> Floats:
    """Return how far heading and course lastingly disagree at each epoch [deg], 0 where they agree or nothing is known.

    Judged in motion against the usual difference (mounting yaw); a stand takes over what is seen on driving off. A car
    that is not aligned puts its reference point beside the truth by ``2 arm sin(error / 2)``.
    """
    limits = thresholds("analyzer.evidence")
    out = np.zeros(len(track))
    speed = np.hypot(*track.velocity.T)
    course = np.degrees(np.arctan2(track.velocity[:, 0], track.velocity[:, 1]))
    known = np.isfinite(heading_deg) & np.isfinite(course) & (np.nan_to_num(speed) > limits["alignment.least_speed"])
    if known.sum() * track.nominal_s < limits["alignment.lasting"]:
        return out
    off = np.where(known, (heading_deg - course + 180.0) % 360.0 - 180.0, np.nan)
    usual = track.learnt.quantile("heading_off", off[known])
    usual = usual if abs(usual) < limits["alignment.off"] else 0.0
    half = max(1, round(limits["alignment.lasting"] / 2 / track.nominal_s))
    lasting = np.abs(running_median(off, half) - usual)
    at = np.flatnonzero(known)
    nearest = at[np.clip(np.searchsorted(at, np.arange(len(track))), 0, len(at) - 1)]
    seen = lasting[nearest]
    for start, end in intervals.runs(seen > limits["alignment.off"]):
        if known[start:end].sum() * track.nominal_s >= limits["alignment.lasting"]:
            out[start:end] = seen[start:end]
    return out


def by_mode(seen_deg: Floats, fixes: pd.DataFrame, track: Track) -> Floats:
    """Return how far the heading may be off [deg] where its mode is other than autonomous (THS), else what the course shows.

    In a stretch that was held against the course the error is at least what that comparison cannot see, else anything. Where
    no heading of the drive is autonomous the mode says nothing of alignment.
    """
    if not ever_autonomous(fixes):
        return seen_deg
    limits = thresholds("analyzer.evidence")
    out = seen_deg.copy()
    moving = np.isfinite(fixes["heading_deg"].to_numpy(np.float64)) & (
        np.nan_to_num(np.hypot(*track.velocity.T)) > limits["alignment.least_speed"])
    for start, end in intervals.runs(doubted(fixes) & track.placed):
        compared = moving[start:end].sum() * track.nominal_s >= limits["alignment.lasting"]
        out[start:end] = np.maximum(out[start:end], limits["alignment.off"] if compared else 180.0)
    return out


def _unconfirmed(track: Track, slews: Slews, road: Pairs) -> Flags:
    """Return the epochs fixed again less than `fused.unconfirmed` ago whose entry nothing independent watched, or saw move nobody knows how far.

    The doubt ends with the fix: one that is taken anew behind another loss has an entry of its own. There is none from where the road was
    met, as high as in other passes, nor behind the last slow step of a fix that was watched for so long without another:
    a wrong one would have been left by then, and that would have shown.
    """
    limits = thresholds("analyzer.evidence")
    out = np.zeros(len(track), dtype=bool)
    spans = intervals.runs(track.placed & ~track.fixed)
    lasts = (track.t[spans[:, 1] - 1] - track.t[spans[:, 0]] + track.nominal_s) > limits["wrong.loss"]
    spans = spans[lasts & (np.cumsum(track.fixed)[spans[:, 0]] > 0)]
    for end, following in zip(spans[:, 1], np.append(spans[:, 0], len(track))[1:], strict=True):
        if end == len(track):
            continue
        fixed, gone = track.fixed[end:following], track.t[end:following] - track.t[end]
        entry = fixed & (gone < limits["fused.entry"])
        watched = slews.shown[end:following][entry].mean() + track.standing[end:following][entry].mean() if entry.any() else 1.0
        moved = slews.between(float(track.t[end]), float(track.t[end] + limits["fused.entry"]))
        vague = len(moved) > 0 and bool((slews.var[moved, :2].max(axis=1) > limits["wrong.tested"] ** 2).any())
        if watched < 0.5 or vague:
            met_s = confirmed_after(road, (track.begun_s + track.t[end], track.begun_s + track.t[following - 1]))
            out[end:following] = fixed & (gone < min(limits["fused.unconfirmed"], _quiet_after(track, slews, end, following), met_s))
    return out


def _quiet_after(track: Track, slews: Slews, end: int, following: int) -> float:
    """Return for how long [s] after epoch `end` slow steps were seen, where the fix, to epoch `following`, was then watched and quiet long enough, else infinity.

    A small step stands out in height only, where it may be the road's: quiet is what holds none of those either, once the last step has settled.
    """
    limits = thresholds("analyzer.evidence")
    long, begun, ended = limits["fused.unconfirmed"], float(track.t[end]), float(track.t[following - 1])
    spans = slews.spans[(slews.spans[:, 1] > begun) & (slews.spans[:, 1] < ended)]
    steps = spans[spans[:, 0] < begun + long, 1]
    quiet = float(steps.max(initial=begun))
    inside = slice(int(np.searchsorted(track.t, quiet)), int(np.searchsorted(track.t, quiet + long)))
    watched = (slews.shown | track.standing)[inside]
    settled = slice(int(np.searchsorted(track.t, quiet + limits["fused.entry"])), inside.stop)
    if slews.stirred[settled].any() or quiet + long > ended or (spans[:, 0] < quiet + long).sum() > len(steps) or watched.mean() < limits["fused.watched"]:
        return np.inf
    return quiet - begun
