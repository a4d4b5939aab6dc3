"""A long drive in overlapping time blocks: how it is cut, and what all blocks must share before they are judged.

Three passes with the same code as a drive judged at once (`gather.examine`): every block notes the rulers it saw (`Learnt`);
with the rulers of the whole drive every block gives its stretches and the steps between them, which are joined and decided
together (`agreement`), and the rulers that rest on the first; then every block is judged with the shared rulers and decisions, and only its core is kept.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analyzer import intervals
from analyzer.evidence.agreement import Agreement, Collector, agree
from analyzer.evidence.check_points import CheckPointResult
from analyzer.evidence.complete import complete
from analyzer.evidence.gather import Examined, examine
from analyzer.evidence.learnt import Learnt
from analyzer.metrics.result import Metrics
from analyzer.recording import Recording
from analyzer.scratch import Scratch, Sizes

#: Borders lie at whole minutes from the first epoch [s], so that knots and grids fall where they do in the whole drive.
GRID_S = 60.0
#: Rulers that rest on others: learnt in the second pass, when those of the whole drive are known.
SECOND = ("claim.", "rest", "road.agree", "road.left", "road.lasting")
#: Other sensors are looked at this much beyond a block [s].
BESIDE_S = 5.0


@dataclass(frozen=True)
class Block:
    """Epochs [low, high) that are looked at, of which [first, last) are judged."""

    low: int
    high: int
    first: int
    last: int


def plan(times: pd.DatetimeIndex, nominal_s: float, sizes: Sizes) -> list[Block]:
    """Return the blocks of a drive: cores side by side, each looked at with `Sizes.overlap_s` on either side."""
    t = intervals.seconds(times)
    span = max(1.0, np.floor(sizes.block_epochs * nominal_s / GRID_S)) * GRID_S
    reach = np.ceil(sizes.overlap_s / GRID_S) * GRID_S
    starts = np.arange(0.0, float(t[-1]) + 1e-6, span)
    edges = [*np.searchsorted(t, starts - 1e-6).tolist(), len(t)]
    low = np.searchsorted(t, starts - reach - 1e-6).tolist()
    high = np.searchsorted(t, starts + span + reach - 1e-6).tolist()
    return [Block(a, b, c, d) for a, b, c, d in zip(low, high, edges[:-1], edges[1:], strict=True) if d > c]


def cut_out(recording: Recording, metrics: Metrics, block: Block) -> tuple[Recording, Metrics]:
    """Return the part of a recording and of its metrics per epoch that a block looks at."""
    fixes = recording.fixes.iloc[block.low:block.high]
    beside = pd.Timedelta(seconds=BESIDE_S)
    start, end = fixes.index[0] - beside, fixes.index[-1] + beside
    inertial, measurement, attitude = (_between(x, start, end) for x in (recording.inertial, recording.measurement, recording.attitude))
    part = replace(recording, fixes=fixes, inertial=inertial, measurement=measurement, attitude=attitude)
    return part, replace(metrics, epochs=metrics.epochs.iloc[block.low:block.high])


def _between(table: pd.DataFrame, start: pd.Timestamp, end: pd.Timestamp) -> pd.DataFrame:
    times = pd.DatetimeIndex(table.index)
    if not times.hasnans and times.is_monotonic_increasing:
        return table.iloc[times.searchsorted(start):times.searchsorted(end, side="right")]
    return table[np.asarray((times >= start) & (times <= end))]


@dataclass(frozen=True)
class Shared:
    """What all blocks of a drive share: rulers, decisions, and which kinds of evidence are left out."""

    blocks: list[Block]
    learnt: Learnt
    agreement: Agreement
    marks: CheckPointResult
    without: Collection[str] = ()


def share(
    recording: Recording, metrics: Metrics, marks: CheckPointResult, scratch: Scratch, *, without: Collection[str] = ()
) -> Shared:
    """Return rulers and decisions of the whole drive: the first two passes."""
    rate = metrics["rate_hz"].value
    blocks = plan(pd.DatetimeIndex(recording.fixes.index), 1 / float(rate) if rate else 1.0, scratch.sizes)
    notes = [_first_rulers(recording, metrics, marks, block, without) for block in blocks]
    first, collector = Learnt.pooled(notes), Collector(len(recording.fixes), scratch)
    notes = [_second_rulers(recording, metrics, collector, first, block, without) for block in blocks]
    learnt = Learnt.pooled(notes)
    return Shared(blocks, learnt, agree(collector, recording, metrics, learnt, without=without), marks, without)


def _first_rulers(
    recording: Recording, metrics: Metrics, marks: CheckPointResult, block: Block, without: Collection[str]
) -> Learnt:
    """Return what the core of a block notes by itself."""
    part, measured = cut_out(recording, metrics, Block(block.first, block.last, block.first, block.last))
    noting = Learnt(noting=True)
    bounds = examine(part, measured, without=without, learnt=noting).bounds
    complete(bounds, part, measured, marks, learnt=noting)
    return noting


def _second_rulers(
    recording: Recording, metrics: Metrics, collector: Collector, first: Learnt, block: Block, without: Collection[str]
) -> Learnt:
    """Return what a block notes with the first rulers of the whole drive; its stretches go to the `collector`."""
    part, measured = cut_out(recording, metrics, block)
    t = intervals.seconds(pd.DatetimeIndex(part.fixes.index))
    core_s = float(t[block.first - block.low]), float(t[block.last - 1 - block.low]) + 1e-6
    noting = Learnt(first.known(but=SECOND), noting=True, core_s=core_s)
    examine(part, measured, without=without, learnt=noting, decide=collector.of(block.low, (block.first, block.last)))
    return noting


def judge_block(part: Recording, measured: Metrics, shared: Shared, block: Block) -> tuple[Examined, pd.DataFrame]:
    """Return what is found in a block that was cut out, and its complete bounds: the third pass."""
    found = examine(part, measured, without=shared.without, learnt=shared.learnt, decide=shared.agreement.decide(block.low))
    return found, complete(found.bounds, part, measured, shared.marks, learnt=shared.learnt)
