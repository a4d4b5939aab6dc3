"""What several blocks of a drive found, put into one: tables, findings and blind spots of the whole drive."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from scipy.stats import chi2

from analyzer.evidence import parts as part_of
from analyzer.evidence.agreement import Agreement
from analyzer.evidence.blocks import Block
from analyzer.evidence.claims import COLUMNS, CONSISTENCY_COLUMNS
from analyzer.evidence.evidence_words import blind_spots
from analyzer.evidence.gather import Examined, findings_of
from analyzer.evidence.result import Evidence
from analyzer.evidence.slews import none_found
from analyzer.recording import Finding


@dataclass
class Gathered:
    """What is kept of each block that was judged."""

    found: list[Examined] = field(default_factory=list)
    claims: list[pd.DataFrame] = field(default_factory=list)
    innovations: list[pd.DataFrame] = field(default_factory=list)

    def add(self, one: Examined, block: Block) -> None:
        """Add a block: small tables, slow steps in its core, and words; nothing per epoch."""
        t = one.track.t
        core = t[block.first - block.low], t[block.last - 1 - block.low]
        middle = one.slews.spans.mean(axis=1) if len(one.slews.spans) else np.zeros(0)
        own = (middle >= core[0]) & (middle <= core[1])
        slews = replace(none_found(0), spans=one.slews.spans[own], step=one.slews.step[own], sigma_m=one.slews.sigma_m)
        motion = None if one.motion is None else replace(one.motion, **dict.fromkeys(("across", "along", "up", "direction", "pushed"), t[:0]))
        doubts = None if one.doubts is None else replace(one.doubts, alignment=t[:0], unconfirmed=np.zeros(0, dtype=bool))
        self.claims.append(one.claims)
        self.innovations.append(one.opinion.innovations)
        if self.found:  # the first keeps its arrays: one of everything is needed
            one = replace(one, track=self.found[0].track, opinion=self.found[0].opinion)
        self.found.append(replace(one, bounds=one.bounds.iloc[:0], slews=slews, motion=motion, doubts=doubts))


def evidence_of(gathered: Gathered, agreement: Agreement, fixes: pd.DataFrame) -> Evidence:
    """Return the evidence of the whole drive but for what there is per epoch."""
    first, chain = gathered.found[0], agreement.chain
    opinion = replace(
        first.opinion, stretches=chain.stretches, posterior=agreement.posterior, steps=chain.steps[:, :2],
        step_var=chain.variances[:, 0], innovations=_innovations(gathered.innovations))
    slews = [one.slews for one in gathered.found]
    turned = [one.doubts.turned_deg for one in gathered.found if one.doubts is not None]
    known = [x for x in turned if np.isfinite(x)]
    whole = replace(
        first, opinion=opinion, claims=_claims(gathered.claims),
        slews=replace(slews[0], spans=np.concatenate([s.spans for s in slews]), step=np.concatenate([s.step for s in slews])),
        motion=max((one.motion for one in gathered.found if one.motion is not None), key=lambda m: len(m.sources), default=None),
        doubts=None if first.doubts is None else replace(first.doubts, turned_deg=max(known, default=float("nan"))))
    return Evidence(
        first.bounds, part_of.segment_table(fixes, first.track, opinion), part_of.jump_table(fixes, opinion),
        pd.Series(dtype="Int32"), findings=(*findings_of(whole), _said(len(gathered.found))),
        cannot_show=blind_spots(first.track, whole.motion, whole.slews, fused=first.fused), claims=whole.claims,
        innovations=opinion.innovations,
    )


def _said(blocks: int) -> Finding:
    """Say that the drive was judged in blocks, and what that means."""
    return Finding("judged_in_blocks", "note", (
        f"The drive is long: its evidence was gathered in {blocks} overlapping blocks of time, with rulers and stretches of the "
        "whole drive. Fix states, dropouts, distances and counts are those of the whole drive; bounds may differ by a few per cent "
        "from those of one piece, and slow steps of a fused solution are sought in each block by itself."), {"blocks": blocks})


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
