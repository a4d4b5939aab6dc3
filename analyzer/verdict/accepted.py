"""Decisions of a person applied to judged epochs and windows, with an audit trail in every output.

* ``exclude`` takes time out of what is judged. Trust, bounds and reasons of its epochs stay, the reason code
  ``excluded`` is added, and a window that loses part of its time is at best ``fit_with_exclusions``. One that loses all
  of it is left out altogether; one of which too little is left was not driven.
* ``accept`` lets doubtful epochs count as usable, and time in which nothing watched a fused solution. It never touches a rejected epoch, a missing one, or one whose
  quantity was not recorded: a contradiction and a lack are not a matter of opinion. What is accepted is at best
  ``fit_with_exclusions``.
* The judged ``verdict`` of a window stays as evidence has it; ``verdict_with_decisions`` beside it is what the run's
  verdict and ``repeat`` follow. A decision that changes nothing is kept and says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import intervals, wording
from analyzer.assessment import Purpose, Verdict
from analyzer.errors import UsageError
from analyzer.metrics.result import Metrics
from analyzer.recording import Finding
from analyzer.settings import thresholds
from analyzer.tables import VERDICTS
from analyzer.userfiles.accept import WHAT, Decision
from analyzer.verdict.elsewhere import lies_beside
from analyzer.verdict.judge import RULES_VERSION
from analyzer.verdict.run import judge_run
from analyzer.verdict.unwatched import USABLE
from analyzer.verdict.windows import judge_windows
from analyzer.wording import share_in_words

Flags = NDArray[np.bool_]
Span = tuple[pd.Timestamp, pd.Timestamp]
EXCLUDED = "excluded"
BEST = "fit_with_exclusions"


class WindowRow(NamedTuple):
    """One judged window."""

    name: str
    start_utc: pd.Timestamp
    end_utc: pd.Timestamp
    verdict: str
    reason: str


class Rest(NamedTuple):
    """What decisions leave of a window: its level, why, and whether exclusions leave nothing at all."""

    level: str
    reason: str
    gone: bool = False


@dataclass(frozen=True)
class Applied:
    """The judged run after the decisions.

    Attributes
    ----------
    epochs : as judged; ``reasons`` hold ``excluded`` where a stretch was left out.
    windows : layout of windows.csv with ``accepted_by accepted_reason`` and further columns ``decision`` (``accept``,
        ``exclude`` or empty) and ``verdict_with_decisions``.
    verdict : of the run.
    findings : the audit trail: one per decision, with who, why and what it changed.
    """

    epochs: pd.DataFrame
    windows: pd.DataFrame
    verdict: Verdict
    findings: tuple[Finding, ...]


def apply_decisions(
    epochs: pd.DataFrame, windows: pd.DataFrame, decisions: Sequence[Decision], *, metrics: Metrics, purpose: Purpose,
    channels: tuple[str, ...] = (), unwatched: str = "",
) -> Applied:
    """Return epochs, windows and verdict after the decisions.

    Parameters
    ----------
    epochs : layout of epochs.parquet, judged.
    windows : judged windows, layout `tables.WINDOWS`.
    decisions : from `analyzer.userfiles.accept.read_accept`.
    metrics, purpose, channels, unwatched : as for `analyzer.verdict.run.judge_run`.

    Raises
    ------
    UsageError : a decision names a window that does not exist, or a time outside the run.
    """
    spans = [_span(d, windows, epochs) for d in decisions]
    held = {action: _inside(epochs, [s for d, s in zip(decisions, spans, strict=True) if d.action == action])
            for action in ("accept", "exclude")}
    eased = _eased(epochs, held["accept"], held["exclude"])
    marked = epochs.assign(reasons=_with_code(epochs["reasons"], held["exclude"]))
    rate = metrics["rate_hz"].value
    nominal_s = 1 / float(rate) if rate else None
    cuts = [s for d, s in zip(decisions, spans, strict=True) if d.action == "exclude"]
    taken = [s for d, s in zip(decisions, spans, strict=True) if d.action == "accept"]
    again = [_rest(row, eased, cuts, nominal_s, purpose, "" if _within(row, taken) else unwatched) for row in _rows(windows)]
    table = _windows(windows, again, decisions, spans)
    gone = np.array([rest.gone for rest in again], dtype=bool)
    unwatched = "" if (held["accept"] | held["exclude"]).all() else unwatched
    return Applied(marked, table, _verdict(eased, table, gone, held["exclude"], metrics, purpose=purpose, channels=channels,
                                            decisions=decisions, unwatched=unwatched),
                   tuple(_finding(d, s, epochs, windows, table) for d, s in zip(decisions, spans, strict=True)))


def _span(decision: Decision, windows: pd.DataFrame, epochs: pd.DataFrame) -> Span:
    """Return the time a decision is about."""
    if decision.window is not None:
        rows = windows[windows["name"].astype(str) == decision.window]
        if not len(rows):
            names = ", ".join(windows["name"].astype(str)) or "none"
            raise UsageError(f"{decision.place or WHAT}: there is no window '{decision.window}'; the windows of this run are {names}.")
        return pd.Timestamp(rows["start_utc"].iloc[0]), pd.Timestamp(rows["end_utc"].iloc[0])
    start, end = decision.start_utc, decision.end_utc
    if start is None or end is None or end < epochs.index[0] or start > epochs.index[-1]:
        raise UsageError(f"{decision.place or WHAT}: the time from {start} to {end} lies outside the run, which lasts from "
                         f"{epochs.index[0]} to {epochs.index[-1]}; correct the times.")
    return start, end


def _inside(epochs: pd.DataFrame, spans: Sequence[Span]) -> Flags:
    """Return which epochs lie in one of the spans."""
    flags = np.zeros(len(epochs), dtype=bool)
    for start, end in spans:
        flags[epochs.index.searchsorted(start):epochs.index.searchsorted(end, side="right")] = True
    return flags


def _eased(epochs: pd.DataFrame, accepted: Flags, excluded: Flags) -> pd.DataFrame:
    """Return the epochs with doubtful ones of accepted stretches as trusted, and excluded ones taken away."""
    trust = epochs["trust"].astype(object).to_numpy().copy()
    trust[accepted & (trust == "doubtful")] = "trusted"
    return epochs.assign(trust=pd.Categorical(trust, categories=epochs["trust"].cat.categories))[~excluded]


def _with_code(reasons: pd.Series, flags: Flags) -> pd.Categorical:
    """Return joined reason codes with ``excluded`` added where flagged."""
    words = reasons.astype(object).where(reasons.notna(), "").astype(str).to_numpy(dtype=object)
    words[flags] = [",".join([*filter(None, w.split(",")), EXCLUDED]) for w in words[flags]]
    return pd.Categorical(words)


def _rows(windows: pd.DataFrame) -> list[WindowRow]:
    columns = [windows[c] for c in ("name", "start_utc", "end_utc", "verdict", "reason")]
    return [WindowRow(str(n), pd.Timestamp(a), pd.Timestamp(b), str(v), "" if pd.isna(r) else str(r))
            for n, a, b, v, r in zip(*columns, strict=True)]


def _rest(row: WindowRow, eased: pd.DataFrame, cuts: Sequence[Span], nominal_s: float | None, purpose: Purpose, unwatched: str) -> Rest:
    """Return what decisions leave of a window: each piece that exclusions leave is judged, the worst counts.

    A window of which exclusions leave nothing is ``not_evaluated``, one of which they leave less than `window.least_left` at best
    ``not_fit``.
    """
    pieces = [(a, b) for a, b in _pieces(row, cuts) if (b - a).total_seconds() > (nominal_s or 1.0) or _inside(eased, [(a, b)]).any()]
    if not pieces:
        return Rest("not_evaluated", "", gone=True)
    spans = pd.DataFrame([(row.name, a, b) for a, b in pieces], columns=["name", "start_utc", "end_utc"])
    judged = judge_windows(spans, eased, nominal_s, purpose, unwatched=unwatched)
    levels = judged["verdict"].tolist()
    level = max(levels, key=VERDICTS.index)
    reason = str(judged["reason"].iloc[levels.index(level)] or "")
    whole_s = (row.end_utc - row.start_utc).total_seconds()
    left = sum((b - a).total_seconds() for a, b in pieces) / whole_s if whole_s else 1.0
    if left < thresholds("analyzer.verdict")["window.least_left"] and level in USABLE:
        return Rest("not_fit", f"exclusions leave {share_in_words(left)} of it")
    changed = level != row.verdict or pieces != [(row.start_utc, row.end_utc)]
    return Rest(BEST if changed and level == "fit" else level, reason)


def _within(row: WindowRow, spans: Sequence[Span]) -> bool:
    """Return whether a window lies within one of the spans."""
    return any(a <= row.start_utc and row.end_utc <= b for a, b in spans)


def _pieces(row: WindowRow, cuts: Sequence[Span]) -> list[Span]:
    """Return what exclusions leave of a window."""
    if not any(a <= row.end_utc and b >= row.start_utc for a, b in cuts):
        return [(row.start_utc, row.end_utc)]
    seconds = [[(t - row.start_utc).total_seconds() for t in cut] for cut in sorted(cuts)]
    left = intervals.subtract([[0.0, (row.end_utc - row.start_utc).total_seconds()]], seconds)
    return [(row.start_utc + pd.Timedelta(seconds=a), row.start_utc + pd.Timedelta(seconds=b)) for a, b in left.tolist()]


def _windows(
    windows: pd.DataFrame, left: Sequence[Rest], decisions: Sequence[Decision],
    spans: Sequence[Span],
) -> pd.DataFrame:
    """Return the windows with the audit trail; several decisions on one window are joined."""
    out = windows.copy()
    out["verdict_with_decisions"] = [rest.level for rest in left]
    out["decision"] = ""
    for at, (row, rest) in enumerate(zip(_rows(windows), left, strict=True)):
        own = [d for d, (a, b) in zip(decisions, spans, strict=True)
               if (d.window == row.name if d.window is not None else a <= row.end_utc and b >= row.start_utc)]
        if not own:
            continue
        label = out.index[at]
        out.loc[label, "decision"] = ", ".join(dict.fromkeys(d.action for d in own))
        out.loc[label, "accepted_by"] = "; ".join(dict.fromkeys(d.by for d in own))
        out.loc[label, "accepted_reason"] = "; ".join(dict.fromkeys(d.reason for d in own))
        out.loc[label, "repeat"] = rest.level not in USABLE and not rest.gone and not lies_beside(row.reason)
        out.loc[label, "reason"] = _window_words(row, rest, own)
    return out


def _window_words(row: WindowRow, rest: Rest, own: Sequence[Decision]) -> str:
    """Return the reason of a window with what was decided; the judged verdict stays readable."""
    who = "; ".join(dict.fromkeys(f"{'accepted' if d.action == 'accept' else 'excluded'} by {d.by} ({d.reason})" for d in own))
    judged, reason, verdict = row.verdict, row.reason, row.verdict.replace("_", " ")
    if rest.gone:
        return f"{who}; judged {verdict}" + (f": {reason}" if reason else "")
    if rest.level in USABLE and judged not in USABLE:
        return f"{who}; usable by that decision only, judged {verdict}: {reason}"
    if rest.level not in USABLE:
        return f"{who}; what remains is {rest.level.replace('_', ' ')}: {rest.reason}"
    return f"{who}; {reason}" if reason else who


def _verdict(
    eased: pd.DataFrame, windows: pd.DataFrame, gone: Flags, excluded: Flags, metrics: Metrics, *, purpose: Purpose,
    channels: tuple[str, ...], decisions: Sequence[Decision], unwatched: str,
) -> Verdict:
    """Return the verdict of the run with the decisions; at best ``fit_with_exclusions`` where they changed anything."""
    judged = windows.assign(verdict=windows["verdict_with_decisions"])[~gone]
    note = (f"{wording.count(len(decisions), 'decision')} of {', '.join(dict.fromkeys(d.by for d in decisions))} {'counts' if len(decisions) == 1 else 'count'} in this verdict",)
    if (len(windows) and not len(judged)) or not len(eased):
        return Verdict("not_evaluated", ("everything that was to be judged is excluded", *note), RULES_VERSION)
    kept = replace(metrics, epochs=metrics.epochs[~excluded])
    found = judge_run(eased, judged, kept, purpose, channels=channels, unwatched=unwatched)
    if not decisions:
        return found
    return Verdict(BEST if found.level == "fit" else found.level, (*found.sentences, *note), found.rules_version)


def _finding(
    decision: Decision, span: Span, epochs: pd.DataFrame, before: pd.DataFrame,
    after: pd.DataFrame,
) -> Finding:
    """Return one decision as an entry of the audit trail."""
    part = epochs[_inside(epochs, [span])]
    counts = part["trust"].astype(str).value_counts()
    what = f"window {decision.window}" if decision.window is not None else f"{span[0]:%H:%M:%S} to {span[1]:%H:%M:%S} UTC"
    done = "left out of the judged time" if decision.action == "exclude" else "accepted in spite of doubt"
    hard = int(counts.get("rejected", 0)) + int(counts.get("not_evaluated", 0))
    more = ""
    if decision.action == "accept":
        more = f"; {int(counts.get('doubtful', 0))} doubtful epochs count as usable"
        more += f", {hard} rejected or not evaluated ones do not" if hard else ""
    changed = before["verdict"].astype(str).to_numpy() != after["verdict_with_decisions"].astype(str).to_numpy()
    names = after["name"].astype(str).to_numpy()[changed & (after["decision"] != "").to_numpy()].tolist()
    return Finding(f"decision_{decision.action}", "note", f"{what}: {done} by {decision.by}: {decision.reason}{more}.", {
        "by": decision.by, "reason": decision.reason, "action": decision.action, "start_utc": span[0], "end_utc": span[1],
        "epochs": len(part), "trust": {str(k): int(v) for k, v in counts.items()}, "windows_changed": names})
