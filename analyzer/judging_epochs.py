"""Bound, trust and reasons of every epoch: at once, or of a long drive in overlapping blocks with columns in files."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import tables
from analyzer.assessment import Purpose
from analyzer.evidence.blocks import Block, Shared, cut_out, judge_block, share
from analyzer.evidence.check_points import CheckPointResult
from analyzer.evidence.claim import claimed_sigma
from analyzer.evidence.complete import complete
from analyzer.evidence.gather import gather
from analyzer.evidence.joining import Gathered, evidence_of
from analyzer.evidence.result import Evidence
from analyzer.metrics.result import Metrics
from analyzer.recording import Recording
from analyzer.scratch import Scratch
from analyzer.verdict.judge import BOUND_OF_AXIS, POSITION_AXES, judge, without_state
from analyzer.verdict.windows import window_of

#: Columns of `tables.EPOCHS` that the metrics have.
MEASURED = ("distance_m", "base_distance_m", "standstill_id", "dropout_id")

#: Columns that rest on the class of the fix state.
OF_A_STATE = (*(BOUND_OF_AXIS[axis] for axis in POSITION_AXES), *(f"{side}bound_{part}_m" for side in ("", "vertical_") for part in ("class", "base")))


@dataclass(frozen=True)
class Asked:
    """What the epochs are judged for, and with what: purpose, windows ``name start_utc end_utc``, check points.

    `lacking` names the channels that the purpose requires and that were not recorded, `without` the kinds of evidence left out.
    """

    purpose: Purpose
    spans: pd.DataFrame
    marks: CheckPointResult
    lacking: tuple[str, ...] = ()
    without: tuple[str, ...] = ()


def judge_epochs(recording: Recording, metrics: Metrics, asked: Asked, scratch: Scratch | None) -> tuple[pd.DataFrame, Evidence]:
    """Return the table of epochs.parquet and the evidence it rests on; in blocks where `scratch` is given."""
    if scratch is not None:
        return _in_blocks(recording, metrics, asked, scratch)
    evidence = gather(recording, metrics, without=asked.without)
    bounds = complete(evidence.bounds, recording, metrics, asked.marks)
    return _trusted(_epochs(recording, metrics, bounds, evidence.segment_id, asked.spans), bounds, asked), evidence


def _epochs(
    recording: Recording, metrics: Metrics, bounds: pd.DataFrame, segment_id: pd.Series, spans: pd.DataFrame
) -> pd.DataFrame:
    """Return the table of epochs.parquet but for trust and reasons."""
    fixes = recording.fixes
    own = [c for c in tables.EPOCHS.names if c in fixes]
    claimed, claimed_up = claimed_sigma(fixes)
    added = {c: metrics.epochs[c] for c in MEASURED}
    added |= {c: bounds[c] for c in tables.EPOCHS.names if c in bounds}
    frame = pd.DataFrame({c: fixes[c] for c in own} | added, index=fixes.index)
    frame["claimed_horizontal_m"], frame["claimed_vertical_m"] = claimed, claimed_up
    frame["segment_id"] = segment_id
    frame["window"] = window_of(spans, pd.DatetimeIndex(fixes.index))
    return tables.EPOCHS.conform(frame)


def _trusted(epochs: pd.DataFrame, bounds: pd.DataFrame, asked: Asked) -> pd.DataFrame:
    """Return the epochs with trust and reasons; positions without a fix state lose the bound of a class that nothing says is theirs."""
    epochs["trust"], epochs["reasons"] = judge(bounds, epochs, asked.purpose, lacking=asked.lacking)
    stateless = without_state(epochs)
    if stateless.any():
        epochs.loc[stateless, list(OF_A_STATE)] = np.nan
    return epochs


def _in_blocks(recording: Recording, metrics: Metrics, asked: Asked, scratch: Scratch) -> tuple[pd.DataFrame, Evidence]:
    """Judge block by block; nothing per epoch of the whole drive is ever in memory."""
    shared = share(recording, metrics, asked.marks, scratch, without=asked.without)
    columns, gathered = _Columns(len(recording.fixes), scratch), Gathered()
    for block in shared.blocks:
        columns.put(block, _judged_block(recording, metrics, asked, shared, block, gathered))
    return columns.table(recording, metrics), evidence_of(gathered, shared.agreement, recording.fixes)


def _judged_block(
    recording: Recording, metrics: Metrics, asked: Asked, shared: Shared, block: Block, gathered: Gathered
) -> pd.DataFrame:
    """Return the epochs a block looks at, judged; what is found beside them is added to `gathered`."""
    part, measured = cut_out(recording, metrics, block)
    found, bounds = judge_block(part, measured, shared, block)
    ids = found.opinion.stretches.id
    numbers = shared.agreement.numbers(block.low, found.opinion.stretches.spans)
    whole = np.where(ids >= 0, numbers[ids] if len(numbers) else -1, -1)
    segment = pd.Series(pd.arrays.IntegerArray(whole.astype(np.int32), ids < 0), index=part.fixes.index)
    gathered.add(found, block)
    del found
    return _trusted(_epochs(part, measured, bounds, segment, asked.spans), bounds, asked)


@dataclass
class _Columns:
    """The columns of epochs.parquet that blocks fill, in files; `words` are the categories met so far."""

    count: int
    scratch: Scratch
    arrays: dict[str, NDArray[Any]] = field(default_factory=dict)
    words: dict[str, list[str]] = field(default_factory=dict)

    def put(self, block: Block, epochs: pd.DataFrame) -> None:
        """Put the core of a block in its place."""
        here = slice(block.first, block.last)
        core = epochs.iloc[block.first - block.low:block.last - block.low]
        for name, column in core.items():
            key, dtype = str(name), column.dtype
            if key in tables.FIXES.names or key in MEASURED:
                continue
            if isinstance(dtype, pd.CategoricalDtype):
                self._array(key, np.int16)[here] = self._codes(key, column)
            elif isinstance(dtype, pd.Int32Dtype):
                self._array(key, np.int32)[here] = column.fillna(-1).to_numpy(np.int32)
            else:
                self._array(key, dtype)[here] = column.to_numpy()

    def table(self, recording: Recording, metrics: Metrics) -> pd.DataFrame:
        """Return the whole table, in the layout of `tables.EPOCHS`."""
        fixes = recording.fixes
        found: dict[str, Any] = {c: fixes[c].array for c in tables.EPOCHS.names if c in fixes}
        found |= {c: metrics.epochs[c].array for c in MEASURED}
        for name, array in self.arrays.items():
            if name in self.words:
                found[name] = pd.Categorical.from_codes(array, categories=pd.Index(self.words[name], dtype="str"))
            else:
                found[name] = array if array.dtype != np.int32 else pd.arrays.IntegerArray(array, self.scratch.keep(array < 0))
        return tables.EPOCHS.conform(pd.DataFrame(found, index=fixes.index, copy=False))

    def _array(self, name: str, dtype: Any) -> NDArray[Any]:
        if name not in self.arrays:
            self.arrays[name] = self.scratch.empty(self.count, dtype)
        return self.arrays[name]

    def _codes(self, name: str, column: pd.Series) -> NDArray[np.int16]:
        """Return a category as places in the list of all words met."""
        known = self.words.setdefault(name, list(tables.TRUST) if name == "trust" else [])
        here = [str(word) for word in column.cat.categories]
        known += [word for word in here if word not in known]
        places = np.array([*(known.index(word) for word in here), -1], dtype=np.int16)
        return np.asarray(places[column.cat.codes.to_numpy(np.int64)])
