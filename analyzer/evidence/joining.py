"""What several blocks of a drive found, put into one: tables, findings and blind spots of the whole drive."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import chi2

from analyzer.errors import AnalyzerError
from analyzer.evidence import parts as part_of
from analyzer.evidence.agreement import Agreement
from analyzer.evidence.blocks import Block
from analyzer.evidence.chain import worst_in_plan
from analyzer.evidence.claims import COLUMNS, CONSISTENCY_COLUMNS
from analyzer.evidence.evidence_words import blind_spots
from analyzer.evidence.gather import Examined, findings_of
from analyzer.evidence.heights import Leaps
from analyzer.evidence.independent import Independent
from analyzer.evidence.result import Evidence
from analyzer.evidence.road import Seconds
from analyzer.evidence.track import Floats
from analyzer.evidence.waves import Waves
from analyzer.recording import Finding
from analyzer.scratch import held


@dataclass
class Gathered:
    """What is kept of the blocks that were judged: what is small, and the first without its arrays."""

    first: Examined | None = None
    count: int = 0
    claims: list[pd.DataFrame] = field(default_factory=list)
    innovations: list[pd.DataFrame] = field(default_factory=list)
    spans: list[Floats] = field(default_factory=list)
    steps: list[Floats] = field(default_factory=list)
    motion: list[Independent] = field(default_factory=list)
    turned_deg: list[float] = field(default_factory=list)
    swings: list[Waves] = field(default_factory=list)
    modes: list[Finding] = field(default_factory=list)
    road: list[Seconds] = field(default_factory=list)
    leaps: list[Leaps] = field(default_factory=list)
    strays: list[Floats] = field(default_factory=list)

    def add(self, one: Examined, block: Block) -> None:
        """Add a block: small tables, slow steps in its core, and words; nothing per epoch."""
        t, nothing = one.track.t, np.zeros(0)
        middle = one.slews.spans.mean(axis=1) if len(one.slews.spans) else nothing
        own = (middle >= t[block.first - block.low]) & (middle <= t[block.last - 1 - block.low])
        self.first = self.first or _without_arrays(one)
        self.count += 1
        self.spans.append(one.slews.spans[own])
        self.steps.append(one.slews.step[own])
        if one.motion is not None:
            self.motion.append(replace(one.motion, across=nothing, along=nothing, up=nothing, direction=nothing, pushed=nothing))
        if one.doubts is not None and np.isfinite(one.doubts.turned_deg):
            self.turned_deg.append(one.doubts.turned_deg)
        core = slice(block.first - block.low, block.last - block.low)
        swings = one.opinion.waves
        here = ((swings.spans.mean(axis=1) >= t[core.start]) & (swings.spans.mean(axis=1) <= t[core.stop - 1]) if len(swings.spans)
                else np.zeros(0, dtype=bool))
        self.swings.append(Waves(swings.spans[here], swings.log_odds[here], *(x[core].max(initial=0.0, keepdims=True) for x in (swings.size, swings.high))))
        self.modes += [mode for mode in one.modes if mode not in self.modes]
        begin_s, end_s = one.track.begun_s + t[core.start], one.track.begun_s + t[core.stop - 1]
        road, strays = one.road, one.opinion.strays
        self.road.append(road.where((road.at_s >= begin_s) & (road.at_s <= end_s)))
        self.strays.append(strays[(strays[:, 0] >= begin_s) & (strays[:, 0] <= end_s)])
        self.claims.append(one.claims)
        self.innovations.append(one.opinion.innovations)
        self.leaps.append(one.opinion.leaps.inside(core.start, core.stop, shift=block.low))


def _without_arrays(one: Examined) -> Examined:
    """Return what a block found with every array per epoch emptied."""

    def emptied(values: NDArray[Any]) -> NDArray[Any]:
        return values[:0].copy()

    parts = {name: held(part, emptied) for name in ("track", "opinion", "ageing", "slews", "motion", "doubts", "road")
             if (part := getattr(one, name)) is not None}
    return replace(one, bounds=one.bounds.iloc[:0].copy(), foreign=emptied(one.foreign), **parts)


def _watching(motions: Sequence[Independent]) -> Independent | None:
    """Return what watched the drive, by the block with most of it, and for which share of all blocks."""
    most = max(motions, key=lambda m: len(m.sources), default=None)
    if most is None:
        return None
    shares = {axis: float(np.mean([m.watched.get(axis, 0.0) for m in motions])) for axis in most.sources}
    return replace(most, watched=shares)


def evidence_of(gathered: Gathered, agreement: Agreement, fixes: pd.DataFrame) -> Evidence:
    """Return the evidence of the whole drive but for what there is per epoch."""
    first, chain = gathered.first, agreement.chain
    if first is None:
        raise AnalyzerError("no block of the drive was judged.")
    opinion = replace(
        first.opinion, stretches=chain.stretches, posterior=agreement.posterior, steps=chain.steps[:, :2],
        step_var=worst_in_plan(chain.variances), up=chain.steps[:, 2], up_var=chain.variances[:, 3], leaps=Leaps.joined(gathered.leaps),
        innovations=_innovations(gathered.innovations), strays=np.concatenate(gathered.strays),
        waves=Waves(*(np.concatenate([getattr(w, name) for w in gathered.swings]) for name in ("spans", "log_odds", "size", "high"))))
    whole = replace(
        first, opinion=opinion, claims=_claims(gathered.claims), modes=tuple(gathered.modes), road=Seconds.joined(gathered.road),
        slews=replace(first.slews, spans=np.concatenate(gathered.spans), step=np.concatenate(gathered.steps)),
        motion=_watching(gathered.motion),
        doubts=None if first.doubts is None else replace(first.doubts, turned_deg=max(gathered.turned_deg, default=float("nan"))))
    return Evidence(
        first.bounds, part_of.segment_table(fixes, first.track, opinion), part_of.jump_table(fixes, opinion),
        pd.Series(dtype="Int32"), findings=(*findings_of(whole, pd.DatetimeIndex(fixes.index)), _said(gathered.count)),
        cannot_show=blind_spots(first.track, opinion, whole.motion, whole.slews, fused=first.fused, kind_known=first.kind_known,
                                road=len(whole.road.at_s) > 0),
        claims=whole.claims, innovations=opinion.innovations, kind=first.kind, unwatched=whole.unwatched,
    )


def _said(blocks: int) -> Finding:
    """Say that the drive was judged in blocks, and what that means."""
    return Finding("judged_in_blocks", "note", (
        f"The drive is long: its evidence was gathered in {blocks} overlapping blocks of time, with rulers and stretches of the "
        "whole drive. Fix states, dropouts, distances and counts are those of the whole drive; bounds may differ by a few per cent "
        "from those of one piece, and slow swings and the slow steps of a fused solution are sought in each block by itself."), {"blocks": blocks})


def _claims(tables: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Return claimed against shown sigma of all blocks: squares weighted by effective samples."""
    whole = pd.concat([t for t in tables if len(t)]) if any(len(t) for t in tables) else pd.DataFrame(columns=list(COLUMNS))
    rows = []
    for state, part in whole.groupby("fix_state", sort=False):
        size = part["n_eff"].to_numpy(np.float64)
        shown = float(np.sqrt(np.average(part["shown_m"].to_numpy(np.float64) ** 2, weights=size)))
        claim = float(np.average(part["claimed_m"].to_numpy(np.float64), weights=size))
        free = max(1.0, 2 * float(size.sum()))
        low, high = (float(np.sqrt(free / chi2.ppf(q, free))) for q in (0.975, 0.025))
        rows.append((state, int(part["n"].sum()), float(size.sum()), claim, shown, shown / claim, shown / claim * low,
                     shown / claim * high, part["shown_by"].iloc[0]))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _innovations(tables: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Return the consistency of all blocks with its bounds for all effective samples."""
    given = [t for t in tables if len(t)]
    if not given:
        return pd.DataFrame(columns=list(CONSISTENCY_COLUMNS))
    whole = pd.concat(given)
    size = float(whole["n_eff"].sum())
    mean = float(np.average(whole["mean"].to_numpy(np.float64), weights=whole["n_eff"].to_numpy(np.float64)))
    low, high = (float(chi2.ppf(q, 2 * size) / size) for q in (0.025, 0.975))
    return pd.DataFrame([(int(whole["n"].sum()), size, mean, low, high, 2.0)], columns=list(CONSISTENCY_COLUMNS))
