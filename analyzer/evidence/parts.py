"""The parts of the bound: what each kind of evidence adds, per epoch [m]."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analyzer import intervals, tables
from analyzer.evidence.ageing import Ageing, counted, rates
from analyzer.evidence.claim import RADIUS_95, carried_claim
from analyzer.evidence.fused import FusedDoubts
from analyzer.evidence.second_opinion import UNKNOWN_M, SecondOpinion
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds


@dataclass(frozen=True)
class Parts:
    """Horizontal parts (n,) [m] by kind, and what they mean for trust."""

    ageing: Floats
    baseline: Floats
    scatter: Floats
    segment: Floats
    standstill: Floats
    sky: Floats
    frozen: Floats
    bridge: Floats
    alignment: Floats
    age_measured: Flags
    contradicted: Flags
    undecided: Flags


def parts(
    fixes: pd.DataFrame, track: Track, opinion: SecondOpinion, *, ageing: Ageing, frozen_m: Floats, baseline_m: Floats,
    frame_m: Floats, doubts: FusedDoubts | None = None,
) -> Parts:
    """Return every part; `frame_m` (n,) is how far positions may be off in the frame of another base (`PriorOf.frame_radius`)."""
    limits = thresholds("analyzer.evidence")
    # the velocity of a fused solution drifts with its position: it shows no ageing
    deviation = opinion.deviation if doubts is None else np.full_like(opinion.deviation, np.nan)
    growth, age_measured = rates(ageing, track, deviation, opinion.sigma if doubts is None else np.full(len(track), np.nan))
    segment, wrong, unsure = _segment(track, opinion, frame_m)
    scatter, spike = _scatter(track, opinion)
    size = np.hypot(*opinion.deviation.T)
    alignment = np.zeros(len(track))
    swing = np.where(track.fixed, RADIUS_95 / np.sqrt(2) * opinion.waves.size, 0.0)
    swings = swing > limits["wave.matters"]
    by_height = np.where(swings, limits["wave.plan_of_height"] * opinion.waves.high, 0.0) if doubts is not None else np.zeros(len(track))
    scatter, unsure = np.maximum.reduce([scatter, swing, by_height]), unsure | (swings & ~opinion.waves.certain(track.t))
    if doubts is not None:
        blind = doubts.unconfirmed & (segment == 0)
        segment = np.where(blind, limits["fused.size"], segment)
        alignment, unsure = doubts.alignment, unsure | blind | (doubts.alignment > 0)
    return Parts(
        ageing=growth * counted(ageing, age_measured),
        baseline=RADIUS_95 * limits["baseline.ppm"] * 1e-6 * np.nan_to_num(baseline_m),
        scatter=scatter, segment=segment, standstill=_standstill(track, opinion), sky=_sky(fixes, track, opinion), frozen=frozen_m,
        bridge=np.where(track.fixed | ~(opinion.sigma < UNKNOWN_M), 0.0, size + limits["bridge.surcharge"] * RADIUS_95 * opinion.sigma),
        alignment=alignment, age_measured=age_measured,
        contradicted=wrong | spike | (frozen_m > 0), undecided=unsure,
    )


def _segment(track: Track, opinion: SecondOpinion, frame_m: Floats) -> tuple[Floats, Flags, Flags]:
    """Return the part of a wrong or doubtful stretch, whether it is wrong, whether it is undecided."""
    limits = thresholds("analyzer.evidence")
    p = np.nan_to_num(opinion.wrong)
    ids = np.maximum(opinion.stretches.id, 0)
    part = np.where(track.fixed, 0.0, frame_m)
    if not len(opinion.stretches):
        return part, np.zeros(len(track), dtype=bool), np.zeros(len(track), dtype=bool)
    sigma = np.sqrt(opinion.posterior.variance[:, 0])
    offset = np.hypot(*opinion.posterior.offset[:, :2].T) + RADIUS_95 * np.minimum(sigma, limits["wrong.most_spread"])
    doubtful = track.fixed & (p > limits["wrong.doubtful"])
    unmeasured = sigma > limits["wrong.measured"]
    part[doubtful] = np.maximum(offset[ids], np.where(unmeasured[ids], frame_m, 0.0))[doubtful]
    sure = doubtful & (p > limits["wrong.sure"])
    return part, sure, doubtful & ~sure


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
    """Return how far fixed positions of one stretch stray while the vehicle stands: at least their 95 % radius there."""
    limits = thresholds("analyzer.evidence")
    out = np.zeros(len(track))
    at_rest = track.standing & track.fixed
    for start, end in intervals.equal_runs(np.where(at_rest, opinion.stretches.id, -2)):
        if not at_rest[start] or end - start < 5 or track.t[end - 1] - track.t[start] < limits["standstill.judged"]:
            continue
        places = track.places[start:end, :2]
        stray = np.hypot(*(places - np.median(places, axis=0)).T)
        radius = float(np.quantile(stray, 0.95))
        if radius > limits["standstill.stray"]:
            out[start:end] = np.maximum(stray, radius)
    return out


def _sky(fixes: pd.DataFrame, track: Track, opinion: SecondOpinion) -> Floats:
    """Return the part for worse geometry than usual on this drive, where the claim does not already follow it."""
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
    return np.where(track.fixed, part, 0.0)


def segment_table(fixes: pd.DataFrame, track: Track, opinion: SecondOpinion) -> pd.DataFrame:
    """Return the fixed stretches with offset, decision and evidence."""
    limits = thresholds("analyzer.evidence")
    rows = []
    for k, (start, end) in enumerate(opinion.stretches.spans):
        p = float(opinion.posterior.wrong[k])
        sigma = np.sqrt([opinion.step_var[j] for j in (k - 1, k) if 0 <= j < len(opinion.step_var)])
        tested = len(sigma) > 0 and sigma.min() < limits["wrong.tested"]
        if p > limits["wrong.sure"]:
            decision = "wrong"
        elif p > limits["wrong.doubtful"]:
            decision = "doubtful"
        else:
            decision = "confirmed" if tested else "accepted"
        words = f"probability of a wrong fix {p:.2g}" + (
            f"; steps to its neighbours are known to {100 * sigma.min():.0f} cm (1 sigma)" if tested else "; nothing bridges to a neighbour"
        )
        known = p > limits["wrong.doubtful"]
        spread = np.sqrt(opinion.posterior.variance[k]) if known else np.array([0.012, 0.02])
        offset = opinion.posterior.offset[k] if known else np.zeros(3)
        rows.append({
            "segment_id": k, "fix_state": "fixed", "start_utc": fixes.index[start], "end_utc": fixes.index[end - 1], "n": end - start,
            "offset_e_m": offset[0], "offset_n_m": offset[1], "offset_u_m": np.nan, "sigma_e_m": spread[0], "sigma_n_m": spread[0],
            "sigma_u_m": spread[1], "decision": decision, "evidence": words,
        })
    return tables.SEGMENTS.conform(pd.DataFrame(rows)) if rows else tables.SEGMENTS.empty()


def jump_table(fixes: pd.DataFrame, opinion: SecondOpinion) -> pd.DataFrame:
    """Return the steps between neighbouring stretches with size, direction and meaning."""
    limits = thresholds("analyzer.evidence")
    state = fixes["fix_state"]
    spans, rows = opinion.stretches.spans, []
    for k, (step, var) in enumerate(zip(opinion.steps, opinion.step_var, strict=True)):
        sigma = float(np.sqrt(var))
        at = int(spans[k + 1, 0])
        size = float(np.hypot(*step))
        if sigma > limits["wrong.tested"]:
            decision = "not known: nothing bridges the gap"
        elif size > 3 * np.hypot(sigma, 0.017):
            decision = "one side is wrong"
        else:
            decision = "none within its uncertainty"
        rows.append({"time_utc": fixes.index[at], "from_state": str(state.iloc[at - 1]), "to_state": str(state.iloc[at]), "de_m": step[0],
                     "dn_m": step[1], "du_m": np.nan, "sigma_m": sigma, "decision": decision})
    return tables.JUMPS.conform(pd.DataFrame(rows)) if rows else tables.JUMPS.empty()
