"""Where corrections or the fix dropped out: four kinds of intervals that never overlap."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import intervals, tables
from analyzer.metrics.link_state import FRESH, STALE
from analyzer.metrics.rate import Timeline
from analyzer.settings import thresholds

Array = NDArray[np.float64]
Codes = NDArray[np.int64]
FIXED = tables.FIX_STATES.index("fixed")
#: States of a solution that goes on from what it had, so that missing epochs before it did not end a wait for fixed.
_ALIVE = tuple(tables.FIX_STATES.index(s) for s in ("precise", "float"))
#: Kind, start, end, fixed again, time to be fixed again; seconds.
Row = tuple[str, float, float, float, float]


@dataclass(frozen=True)
class Outage:
    """One correction outage in seconds: from the last correction used to the first fresh age, and fixed again."""

    start_s: float
    end_s: float
    fixed_again_s: float


def effective_codes(codes: Codes, reported: NDArray[np.bool_]) -> Codes:
    """Return the codes that losses are judged by.

    Where mode letters cannot say fixed (older sentences) but GGA does, an epoch known only by its letter has the state
    of the epoch before it: a lost GGA is no lost fix.
    """
    fixed = codes == FIXED
    if not fixed[reported].any() or fixed[~reported].any() or reported.all():
        return codes
    at = np.maximum.accumulate(np.where(reported, np.arange(len(codes)), -1))
    return np.where(at >= 0, codes[np.maximum(at, 0)], codes)


def outages(fresh: NDArray[np.int8], made_s: Array, codes: Codes, line: Timeline) -> list[Outage]:
    """Return the correction outages; `made_s` is when the last correction known at each epoch was made.

    One that never ends reaches to the last epoch and has no time of being fixed again.
    """
    out: list[Outage] = []
    fixed_at = line.seconds[codes == FIXED]
    for start, end in intervals.runs(fresh == STALE):
        begin = float(min(made_s[start], line.seconds[start]))
        stop = float(line.seconds[end]) if end < len(fresh) else float(line.seconds[-1])
        again = _first_after(fixed_at, stop) if end < len(fresh) else float("nan")
        if out and begin - out[-1].end_s < thresholds("analyzer.metrics")["dropout.join_s"]:
            begin = out.pop().start_s  # a single correction between two outages does not part them
        out.append(Outage(begin, stop, again))
    return out


def _first_after(moments: Array, time_s: float) -> float:
    """Return the first of sorted `moments` at or after `time_s`, NaN where there is none."""
    at = int(np.searchsorted(moments, time_s - 1e-9))
    return float(moments[at]) if at < len(moments) else float("nan")


def find(fresh: NDArray[np.int8], made_s: Array, codes: Codes, line: Timeline) -> pd.DataFrame:
    """Return the dropouts: ``kind start_s end_s fixed_again_s refix_s``, sorted, never overlapping.

    Precedence: missing_epochs, correction_outage, fix_loss, no_fix_despite_corrections. Before the first fixed epoch
    only missing epochs and no_fix_despite_corrections count.
    """
    limit = thresholds("analyzer.metrics")
    shortest = limit["dropout.shortest_s"]
    fixed_at = line.seconds[codes == FIXED]
    first = float(fixed_at[0]) if len(fixed_at) else float("inf")
    gaps = _long(intervals.join_close(line.gap_spans, 1e-9), shortest)
    rows = [_missing_row(s, e, codes, line) for s, e in gaps]
    stale, reach = _outage_rows([o for o in outages(fresh, made_s, codes, line) if o.end_s > first], first, gaps, line=line, fixed_at=fixed_at)
    rows += stale
    taken = _sorted(np.vstack([gaps, reach]))
    lost = intervals.join_close(_loss_spans(codes, line, first), limit["dropout.join_s"])
    rows += _rest("fix_loss", lost, taken, shortest, fixed_at=fixed_at)
    waiting = _never_fixed(fresh, codes, line, first)
    rows += _waits(waiting, taken, codes, line, fixed_at=fixed_at)
    table = pd.DataFrame(rows, columns=["kind", "start_s", "end_s", "fixed_again_s", "refix_s"])
    return table.sort_values("start_s", kind="stable", ignore_index=True)


def _outage_rows(found: list[Outage], first_fixed_s: float, gaps: Array, *, line: Timeline, fixed_at: Array) -> tuple[list[Row], Array]:
    """Return the rows of the outages outside `gaps`, and the spans they take with the time to be fixed again.

    Where missing epochs cut an outage, only its last piece carries the time to be fixed again. An outage amid a longer loss has none.
    """
    shortest = thresholds("analyzer.metrics")["dropout.shortest_s"]
    rows: list[Row] = []
    reach = []
    for one in found:
        begin, amid = max(one.start_s, first_fixed_s), _amid_loss(one, line, fixed_at)
        again_s = float("nan") if amid else one.fixed_again_s
        pieces = _long(intervals.subtract([[begin, one.end_s]], gaps), shortest)
        for number, (start, end) in enumerate(pieces):
            again = again_s if number == len(pieces) - 1 else float("nan")
            rows.append(("correction_outage", start, end, again, again - one.end_s))
        if len(pieces):
            until = one.end_s if amid else again_s if np.isfinite(again_s) else float(line.seconds[-1])
            reach.append((begin, until))
    return rows, np.asarray(reach, dtype=np.float64).reshape(-1, 2)


def _amid_loss(one: Outage, line: Timeline, fixed_at: Array) -> bool:
    """Return whether the fix was lost before corrections stopped and stayed lost for long after they came back: something else kept it away."""
    limit = thresholds("analyzer.metrics")
    before = int(np.searchsorted(fixed_at, one.start_s + 1e-9)) - 1
    lost_before = before >= 0 and one.start_s - fixed_at[before] > limit["cause.near_s"] + line.nominal_s
    again = one.fixed_again_s if np.isfinite(one.fixed_again_s) else float(line.seconds[-1])
    return bool(lost_before and again - one.end_s > limit["dropout.no_fix_after_s"])


def _rest(kind: str, spans: Array, taken: Array, shortest_s: float, *, fixed_at: Array) -> list[Row]:
    """Return the rows of what `taken` leaves of `spans`, each with the next fixed epoch after it."""
    rows: list[Row] = []
    for start, end in _long(intervals.subtract(spans, taken), shortest_s):
        again = _first_after(fixed_at, end)
        rows.append((kind, start, end, again, again - end))
    return rows


def _sorted(spans: Array) -> Array:
    """Return spans sorted by start."""
    return spans[np.argsort(spans[:, 0], kind="stable")]


def _long(spans: Array, shortest_s: float) -> Array:
    """Return the spans of at least `shortest_s`; a microsecond of rounding is forgiven."""
    return spans[spans[:, 1] - spans[:, 0] >= shortest_s - 1e-6]


def _missing_row(start: float, end: float, codes: Codes, line: Timeline) -> Row:
    """Return the row of one gap, with the time to be fixed again where it was fixed before."""
    before = int(np.searchsorted(line.seconds, start + 1e-9)) - 1
    if codes[before] != FIXED:
        return "missing_epochs", start, end, float("nan"), float("nan")
    again = _first_after(line.seconds[codes == FIXED], end)
    return "missing_epochs", start, end, again, again - end


def _loss_spans(codes: Codes, line: Timeline, first_fixed_s: float) -> Array:
    """Return [first epoch not fixed, next fixed epoch] of every loss after the first fixed epoch."""
    runs = intervals.runs(codes != FIXED)
    if not len(runs):
        return np.empty((0, 2))
    runs = runs[line.seconds[runs[:, 0]] > first_fixed_s]
    return np.column_stack([line.seconds[runs[:, 0]], line.seconds[np.minimum(runs[:, 1], len(codes) - 1)]])


def _never_fixed(fresh: NDArray[np.int8], codes: Codes, line: Timeline, first_fixed_s: float) -> Array:
    """Return the stretches before the first fixed epoch in which corrections were fresh; short pauses are joined."""
    waiting = (fresh == FRESH) & (line.seconds < first_fixed_s)
    runs = intervals.runs(waiting)
    if not len(runs):
        return np.empty((0, 2))
    reach = np.minimum(runs[:, 1], len(codes) - 1)
    spans = np.column_stack([line.seconds[runs[:, 0]], line.seconds[reach]])
    return intervals.join_close(spans, thresholds("analyzer.metrics")["cause.before_s"])


def _waits(waiting: Array, taken: Array, codes: Codes, line: Timeline, *, fixed_at: Array) -> list[Row]:
    """Return the rows of waits for fixed that last long enough, all their pieces together; only the last is followed by fixed.

    A wait goes on over missing epochs that the receiver worked through. In a run that never was fixed a short loss of corrections
    does not begin it anew either: the search for a fix goes on with the old ones.
    """
    limit = thresholds("analyzer.metrics")
    pieces = _long(intervals.subtract(waiting, taken), limit["dropout.shortest_s"])
    if not len(pieces):
        return []
    first = np.minimum(np.searchsorted(line.seconds, pieces[:, 0] - 1e-6), len(codes) - 1)
    within = np.searchsorted(waiting[:, 0], pieces[:, 0], side="right")
    goes_on = (np.diff(within) == 0) & np.isin(codes[first[1:]], _ALIVE)
    if not len(fixed_at):
        goes_on |= pieces[1:, 0] - pieces[:-1, 1] < limit["dropout.waiting_pause_s"]
    number = np.concatenate([[0], np.cumsum(~goes_on)])
    lasting = np.bincount(number, weights=pieces[:, 1] - pieces[:, 0])[number]
    rows: list[Row] = []
    long = lasting >= limit["dropout.no_fix_after_s"] - 1e-6
    for (start, end), last in zip(pieces[long], np.append(~goes_on, True)[long], strict=True):
        again = _first_after(fixed_at, end) if last else float("nan")
        rows.append(("no_fix_despite_corrections", start, end, again, again - end))
    return rows
