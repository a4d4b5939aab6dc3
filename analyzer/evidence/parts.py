"""The parts of the bound: what each kind of evidence adds, per epoch [m]."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analyzer import intervals, tables
from analyzer.evidence.ageing import Ageing, counted, rates, with_way_back
from analyzer.evidence.claim import AXIS_95, RADIUS_95, carried_claim
from analyzer.evidence.fused import FusedDoubts
from analyzer.evidence.height_steps import off_level
from analyzer.evidence.heights import step_between
from analyzer.evidence.second_opinion import UNKNOWN_M, SecondOpinion
from analyzer.evidence.stand_drift import mostly_still
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds

#: Two right fixes differ by this times the sigma of one.
SQRT_2 = float(np.sqrt(2.0))


@dataclass(frozen=True)
class Parts:
    """Horizontal parts (n,) [m] by kind, and what they mean for trust.

    Two are of heights alone: `segment_up` is what the offset of a wrong stretch means there, `high` swings and steps while plan goes on.
    """

    ageing: Floats
    baseline: Floats
    scatter: Floats
    segment: Floats
    segment_up: Floats
    high: Floats
    standstill: Floats
    sky: Floats
    frozen: Floats
    bridge: Floats
    alignment: Floats
    settling: Floats
    age_shown: Flags
    contradicted: Flags
    undecided: Flags
    other_frame: Flags

    def of_heights(self, fixed: Flags, without: Collection[str]) -> tuple[Floats, Floats]:
        """Return how far heights swing or have stepped alone, and by how much stretches are off in height (n,) [m], but for kinds left out."""
        high, plan, up = (np.zeros(len(fixed)) if name in without else x
                          for name, x in (("scatter", self.high), ("segment", self.segment), ("segment", self.segment_up)))
        return high, np.maximum(plan * np.where(fixed, thresholds("analyzer.evidence")["wrong.height_ratio"], 1.0), up)


def parts(
    fixes: pd.DataFrame, track: Track, opinion: SecondOpinion, *, ageing: Ageing, frozen_m: Floats, baseline_m: Floats,
    frame_m: Floats, doubts: FusedDoubts | None = None,
) -> Parts:
    """Return every part; `frame_m` (n,) is how far positions may be off in the frame of another base (`PriorOf.frame_radius`)."""
    limits = thresholds("analyzer.evidence")
    # velocity of a fused solution, or made from positions, drifts with the position: it shows no ageing
    blind = np.full(len(track), doubts is not None or track.from_places)
    ageing = replace(ageing, excess_s=with_way_back(ageing.excess_s, track.t))
    growth, age_measured, age_shown = rates(ageing, track, opinion.deviation, np.where(blind, np.nan, opinion.sigma))
    segment, segment_up, wrong, unsure = _segment(track, opinion, frame_m)
    scatter, spike = _scatter(track, opinion)
    size = np.hypot(*opinion.deviation.T)
    alignment, settling = np.zeros(len(track)), np.zeros(len(track))
    swing = np.where(track.fixed, RADIUS_95 / np.sqrt(2) * opinion.waves.size, 0.0)
    swings = swing > limits["wave.matters"]
    by_height = np.where(swings, limits["wave.plan_of_height"] * opinion.waves.high, 0.0) if doubts is not None else np.zeros(len(track))
    scatter, unsure = np.maximum.reduce([scatter, swing, by_height]), unsure | (swings & ~opinion.waves.certain(track.t))
    if doubts is not None:
        unseen = doubts.unconfirmed & (segment == 0)
        segment = np.where(unseen, limits["fused.size"], segment)
        alignment, settling, unsure = doubts.alignment, doubts.settling, unsure | unseen | (doubts.alignment > 0) | (doubts.settling > 0)
    return Parts(
        ageing=growth * counted(ageing, age_measured),
        baseline=RADIUS_95 * limits["baseline.ppm"] * 1e-6 * np.nan_to_num(baseline_m),
        scatter=scatter, segment=segment, segment_up=segment_up, high=_high(track, opinion),
        standstill=_standstill(track, opinion), sky=_sky(fixes, track, opinion), frozen=frozen_m,
        bridge=np.where(track.fixed | ~(opinion.sigma < UNKNOWN_M), 0.0, size + limits["bridge.surcharge"] * RADIUS_95 * opinion.sigma),
        alignment=alignment, settling=settling, age_shown=age_shown,
        contradicted=wrong | spike | (frozen_m > 0), undecided=unsure, other_frame=_other_frame(track, opinion, frame_m),
    )


def _segment(track: Track, opinion: SecondOpinion, frame_m: Floats) -> tuple[Floats, Floats, Flags, Flags]:
    """Return the part of a wrong or doubtful stretch in plan and in height, whether it is wrong, whether it is undecided."""
    limits = thresholds("analyzer.evidence")
    p = np.nan_to_num(opinion.wrong)
    ids = np.maximum(opinion.stretches.id, 0)
    part, up = np.where(track.fixed, 0.0, frame_m), np.zeros(len(track))
    if not len(opinion.stretches):
        return part, up, np.zeros(len(track), dtype=bool), np.zeros(len(track), dtype=bool)
    sigma = np.sqrt(opinion.posterior.variance[:, 0])
    offset = np.hypot(*opinion.posterior.offset[:, :2].T) + RADIUS_95 * np.minimum(sigma, limits["wrong.most_spread"])
    doubtful = track.fixed & (p > limits["wrong.doubtful"])
    unmeasured = sigma > limits["wrong.measured"]
    part[doubtful] = np.maximum(offset[ids], np.where(unmeasured[ids], frame_m, 0.0))[doubtful]
    most = limits["wrong.height_ratio"] * limits["wrong.most_spread"]
    tall = np.abs(opinion.posterior.offset[:, 2]) + AXIS_95 * np.minimum(np.sqrt(opinion.posterior.variance[:, 1]), most)
    up[doubtful] = tall[ids][doubtful]
    sure = doubtful & (p > limits["wrong.sure"])
    return part, up, sure, doubtful & ~sure


def _high(track: Track, opinion: SecondOpinion) -> Floats:
    """Return how far heights are off alone (n,) [m]: where they swing, and after steps inside a stretch that are listed as such."""
    swing = AXIS_95 * opinion.waves.high
    return np.where(track.fixed, np.maximum(swing, off_level(opinion.leaps, opinion.stretches, track.t)), 0.0)


def _other_frame(track: Track, opinion: SecondOpinion, frame_m: Floats) -> Flags:
    """Return where what the part of the stretch stands for is another frame more likely than a wrong fix."""
    if not len(opinion.stretches):
        return np.asarray(frame_m > 0)
    return np.asarray(np.where(track.fixed, _rather_a_frame(opinion)[np.maximum(opinion.stretches.id, 0)], frame_m > 0))


def _rather_a_frame(opinion: SecondOpinion) -> Flags:
    """Return of which stretches (k,), where they stand apart, that is another frame more likely than a wrong fix."""
    return np.asarray(opinion.posterior.frame > thresholds("analyzer.evidence")["frame.named"], dtype=bool)


def _scatter(track: Track, opinion: SecondOpinion) -> tuple[Floats, Flags]:
    """Return the part of spikes of fixed epochs, and which epochs are spikes."""
    limits = thresholds("analyzer.evidence")
    size = np.hypot(*np.nan_to_num(opinion.deviation).T)
    white = max(opinion.noise.white_m, 0.002) * opinion.coarse
    right = track.fixed & (np.nan_to_num(opinion.wrong, nan=1.0) <= 0.5)
    local = np.nan_to_num(opinion.sigma, nan=UNKNOWN_M)
    spike = right & (size > np.maximum(limits["scatter.spike_sigmas"] * np.hypot(white, local), limits["scatter.least_spike"]))
    return np.where(spike, size + RADIUS_95 * white, 0.0), spike


def _standstill(track: Track, opinion: SecondOpinion) -> Floats:
    """Return how far fixed positions of one stretch stray while the vehicle stands: at least their 95 % radius there.

    Of a long stand whose positions stray for a smaller part of the time only that part is worse, piece by piece.
    """
    limits = thresholds("analyzer.evidence")
    out = _strayed(track, opinion)
    at_rest = track.standing & track.fixed
    for start, end in intervals.equal_runs(np.where(at_rest, opinion.stretches.id, -2)):
        if not at_rest[start] or end - start < 5 or track.t[end - 1] - track.t[start] < limits["standstill.judged"]:
            continue
        places = track.places[start:end, :2]
        stray = np.hypot(*(places - np.median(places, axis=0)).T)
        since = track.t[start:end] - track.t[start]
        piece = np.floor(since / limits["standstill.piece"]) if mostly_still(stray, float(since[-1])) else np.zeros(end - start)
        radius = pd.Series(stray).groupby(piece).transform(lambda x: x.quantile(0.95)).to_numpy()
        out[start:end] = np.maximum(out[start:end], np.where(radius > limits["standstill.stray"], np.maximum(stray, radius), 0.0))
    return out


def _strayed(track: Track, opinion: SecondOpinion) -> Floats:
    """Return how far positions strayed at stands, and on driving off with what velocity may be off by until then."""
    away = np.zeros(len(track))
    for start, end in intervals.runs((opinion.strayed != 0).any(axis=1)):
        moving = np.cumsum(~track.standing[start:end]) * track.nominal_s
        times, which = np.unique(moving, return_inverse=True)
        wander = np.array([opinion.noise.wander(x) if x else 0.0 for x in times])
        away[start:end] = np.hypot(*opinion.strayed[start:end].T) + RADIUS_95 * wander[which]
    return away


def _sky(fixes: pd.DataFrame, track: Track, opinion: SecondOpinion) -> Floats:
    """Return the part for worse geometry than usual on this drive, where the claim does not already follow it.

    Where satellites are missing as well a part of the sky is hidden: what hides it also reflects, for as long as it stays beside the
    antenna; what is passed in a few seconds reflects otherwise in each of them, and shows as scatter. Where the claim has
    grown about as much as the dilution, and twice over, the receiver itself takes such positions for much worse, and its claim stands.
    """
    limits = thresholds("analyzer.evidence")
    hdop = fixes["hdop"].to_numpy(np.float64)
    fixed = track.fixed & np.isfinite(hdop)
    if not fixed.any():
        return np.zeros(len(track))
    usual = track.learnt.quantile("hdop", hdop[fixed])
    worse = np.clip(np.nan_to_num(hdop / usual, nan=1.0), 1.0, 6.0)
    claimed, _ = carried_claim(fixes)
    known = np.isfinite(claimed) & track.fixed
    expected = limits["class_horizontal.fixed"] * worse
    followed = RADIUS_95 * claimed if known.any() else np.zeros(len(track))
    part = np.sqrt(np.clip(expected**2 - np.fmax(followed, limits["class_horizontal.fixed"]) ** 2, 0, None))
    used = fixes["satellites_used"].to_numpy(np.float64)
    counted = track.fixed & np.isfinite(used)
    fewer = (1 - limits["sky.fewer"]) * track.learnt.quantile("satellites", used[counted]) if counted.any() else 0.0
    grown = np.nan_to_num(claimed / track.learnt.quantile("claim", claimed[known])) if known.any() else np.zeros(len(track))
    hidden = (used <= fewer) & (worse >= limits["sky.worse"]) & (grown < np.maximum(limits["sky.follows"] * worse, limits["sky.noticed"]))
    return np.where(track.fixed, np.where(_lasts(track, hidden), np.maximum(part, limits["sky.reflected"]), part), 0.0)


def _lasts(track: Track, hidden: Flags) -> Flags:
    """Return which `hidden` epochs belong to a stretch of `sky.lasting` and more; between its parts at most `sky.joined` seconds are open."""
    limits = thresholds("analyzer.evidence")
    moments = track.t[hidden]
    # a pause of just that long is joined as well
    spans = intervals.join_close(np.column_stack([moments, moments]), np.nextafter(limits["sky.joined"], np.inf))
    long = spans[spans[:, 1] - spans[:, 0] + track.nominal_s >= limits["sky.lasting"]]
    return hidden & intervals.covered(track.t, long)


def segment_table(fixes: pd.DataFrame, track: Track, opinion: SecondOpinion) -> pd.DataFrame:
    """Return the fixed stretches with offset, decision and evidence."""
    limits = thresholds("analyzer.evidence")
    rather = _rather_a_frame(opinion)
    rows = []
    for k, (start, end) in enumerate(opinion.stretches.spans):
        p = float(opinion.posterior.wrong[k])
        sigma = np.sqrt([opinion.step_var[j] for j in (k - 1, k) if 0 <= j < len(opinion.step_var)])
        tested = len(sigma) > 0 and sigma.min() < limits["wrong.tested"]
        frame = p > limits["wrong.doubtful"] and rather[k]
        if p > limits["wrong.sure"]:
            decision = "other_frame" if frame else "wrong"
        elif p > limits["wrong.doubtful"]:
            decision = "doubtful"
        else:
            decision = "confirmed" if tested else "accepted"
        words = f"probability of {'another frame (a base that moved, or another station)' if frame else 'a wrong fix'} {p:.2g}" + (
            f"; steps to its neighbours are known to {100 * sigma.min():.0f} cm (1 sigma)" if tested else "; nothing bridges to a neighbour"
        )
        known = p > limits["wrong.doubtful"]
        spread = np.sqrt(opinion.posterior.variance[k]) if known else np.array([0.012, 0.02])
        offset = opinion.posterior.offset[k] if known else np.zeros(3)
        high = np.isfinite(fixes["height_m"].to_numpy(np.float64)[start:end]).any()
        rows.append({
            "segment_id": k, "fix_state": "fixed", "start_utc": fixes.index[start], "end_utc": fixes.index[end - 1], "n": end - start,
            "offset_e_m": offset[0], "offset_n_m": offset[1], "offset_u_m": offset[2] if high else np.nan, "sigma_e_m": spread[0], "sigma_n_m": spread[0],
            "sigma_u_m": spread[1] if high else np.nan, "decision": decision, "evidence": words,
        })
    return tables.SEGMENTS.conform(pd.DataFrame(rows)) if rows else tables.SEGMENTS.empty()


def jump_table(fixes: pd.DataFrame, opinion: SecondOpinion) -> pd.DataFrame:
    """Return the steps between neighbouring stretches, and those in height inside them, with size, direction and meaning."""
    spans, rows = opinion.stretches.spans, []
    elsewhere = in_other_frame(opinion)
    right = opinion.posterior.wrong <= thresholds("analyzer.evidence")["wrong.doubtful"]
    for k, (step, var, up, up_var) in enumerate(zip(opinion.steps, opinion.step_var, opinion.up, opinion.up_var, strict=True)):
        before, at = int(spans[k, 1]) - 1, int(spans[k + 1, 0])
        around, around_var = step_between(fixes, before, at, opinion.rise)
        if not up_var < around_var:
            up, up_var = around, around_var
        rows.append(_jump(fixes, at, (step[0], step[1], up), (var, up_var), frame=bool(elsewhere[k] != elsewhere[k + 1]),
                          right=bool(right[k] and right[k + 1])))
    leaps = opinion.leaps
    rows += [_jump(fixes, int(at), tuple(step), tuple(var)) for at, step, var in zip(leaps.at, leaps.step, leaps.var, strict=True)]
    return tables.JUMPS.conform(pd.DataFrame(rows).sort_values("time_utc", kind="stable").reset_index(drop=True)) if rows else tables.JUMPS.empty()


def in_other_frame(opinion: SecondOpinion) -> Flags:
    """Return which stretches (k,) stand in another frame than the base's, rather than on a wrong fix."""
    return np.asarray((opinion.posterior.wrong > thresholds("analyzer.evidence")["wrong.sure"]) & _rather_a_frame(opinion), dtype=bool)


def _jump(
    fixes: pd.DataFrame, at: int, step: tuple[float, ...], var: tuple[float, ...], *, frame: bool = False, right: bool = False
) -> dict[str, object]:
    """Return the row of a step east, north, up [m] at an epoch; `var` per horizontal axis and in height [m²], `frame` and `right` as in `jump_words`."""
    state, sigma = fixes["fix_state"], np.sqrt(var)
    return {"time_utc": fixes.index[at], "from_state": str(state.iloc[at - 1]), "to_state": str(state.iloc[at]), "de_m": step[0], "dn_m": step[1],
            "du_m": step[2], "sigma_m": sigma[0], "sigma_u_m": sigma[1], "decision": jump_words(step, sigma[0], sigma[1], frame=frame, right=right)}


def jump_words(step: tuple[float, ...], sigma_m: float, sigma_u_m: float, *, frame: bool = False, right: bool = False) -> str:
    """Return what a step east, north, up [m] means, given its uncertainty per horizontal axis and in height [m].

    `frame` says that it leads into or out of another frame, `right` that all stretches together clear both sides of it.
    """
    limits = thresholds("analyzer.evidence")
    size, sigma = float(np.hypot(step[0], step[1])), np.hypot(sigma_m, SQRT_2 * limits["stretch.right_sigma"])
    plan = None if sigma_m > limits["wrong.tested"] and size < limits["wrong.told_sigmas"] * sigma else size > 3 * sigma
    tall = None if not sigma_u_m <= limits["wrong.tested"] else abs(step[2]) > 3 * np.hypot(sigma_u_m, SQRT_2 * limits["height.right_sigma"])
    if frame and (plan or tall):
        return "all positions step: the base's place or station changed"
    if right and (plan or tall):
        return "beyond its uncertainty, but both sides fit the other stretches"
    if plan is None:
        return "one side is wrong in height; in plan not known: nothing bridges the gap" if tall else "not known: nothing bridges the gap"
    if plan:
        return "one side is wrong"
    return "one side is wrong in height" if tall else "none within its uncertainty"
