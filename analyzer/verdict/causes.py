"""Better causes of dropouts, from what was recorded beside the rover log.

Order for lost corrections: another station or damaged frames heard in the car (``interference``), a changed reference
position (``base_position_changed``), what the recording at the base shows, else the base's own log, else a second rover
(silent there, or lost there too: ``base_outage``; sent there, or kept there: ``correction_link``), corrections that came
to the car unused (``incomplete_corrections``). For a lost fix: the first two. What decides nothing leaves the first cause as it was.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import intervals
from analyzer.metrics.dropout_causes import advice
from analyzer.metrics.measure import measure
from analyzer.metrics.result import Metrics
from analyzer.recording import Recording
from analyzer.settings import thresholds
from analyzer.verdict.heard import Heard, hear, overlap_s, pauses

Array = NDArray[np.float64]
#: Cause and the evidence for it in words.
Found = tuple[str, str]
#: First causes that further recordings may replace, by kind of dropout.
_OPEN = {
    "correction_outage": ("corrections_stopped", "unknown", "interference"),
    "fix_loss": ("unknown", "incomplete_corrections", "interference"),
}


@dataclass(frozen=True)
class Witnesses:
    """Everything beside the rover log that can speak on a dropout; times in seconds since the first rover epoch.

    `base_log_s` are the epochs of the base receiver's own log and `second` the correction outages of a second rover
    with `second_span`, when its log begins and ends; None where not given.
    """

    heard: dict[str, Heard]
    base_log_s: Array | None = None
    second: Array | None = None
    second_span: tuple[float, float] | None = None


def better_causes(
    dropouts: pd.DataFrame, recording: Recording, metrics: Metrics, *, base_log: Recording | None = None,
    second_rover: Recording | None = None,
) -> pd.DataFrame:
    """Return `dropouts` with cause, evidence and advice as all recordings together have them.

    Parameters
    ----------
    dropouts : layout of dropouts.csv; ``Metrics.dropouts``.
    recording : of the drive; its recorded corrections are used with the place they were recorded at.
    metrics : of the same drive.
    base_log : log of the receiver at the base: a gap in it is an outage of the base.
    second_rover : log of another rover on the same base: corrections lost there too are an outage of the base.
    """
    if not len(dropouts):
        return dropouts
    zero = pd.Timestamp(metrics.epochs.index[0])
    seen = witnesses(recording, zero, base_log, second_rover)
    start, end = (intervals.seconds(pd.DatetimeIndex(dropouts[c]), zero) for c in ("start_utc", "end_utc"))
    again = intervals.seconds(pd.DatetimeIndex(dropouts["fixed_again_utc"]), zero)
    again = np.where(np.isfinite(again), again, end)
    out = dropouts.copy()
    causes, words = out["cause"].astype(str).tolist(), out["evidence"].astype(str).tolist()
    before, told = list(causes), out["advice"].astype(str).tolist()
    for i, kind in enumerate(out["kind"].astype(str)):
        if kind == "no_fix_despite_corrections":
            words[i] += _lacking(seen)
        elif causes[i] in _OPEN.get(kind, ()):
            causes[i], words[i] = _decide(kind, (causes[i], words[i]), (start[i], end[i], again[i]), seen)
    sentences = advice()
    out["cause"], out["evidence"], out["advice"] = causes, words, [
        told[i] if c == before[i] else sentences[c] for i, c in enumerate(causes)]
    return out


def witnesses(
    recording: Recording, zero: pd.Timestamp, base_log: Recording | None, second_rover: Recording | None,
) -> Witnesses:
    """Return what can speak on the dropouts of `recording`, with times since `zero`."""
    own = base_log.fixes.index if base_log is not None and len(base_log.fixes) else None
    base_log_s = intervals.seconds(pd.DatetimeIndex(own), zero) if own is not None else None
    if second_rover is None or not len(second_rover.fixes):
        return Witnesses(hear(recording), base_log_s)
    lost = measure(second_rover).dropouts
    lost = lost[lost["kind"] == "correction_outage"]
    spans = np.column_stack([intervals.seconds(pd.DatetimeIndex(lost[c]), zero) for c in ("start_utc", "end_utc")])
    ends = intervals.seconds(pd.DatetimeIndex(second_rover.fixes.index[[0, -1]]), zero)
    return Witnesses(hear(recording), base_log_s, spans.reshape(-1, 2), (float(ends[0]), float(ends[1])))


def _decide(kind: str, first: Found, span: tuple[float, float, float], seen: Witnesses) -> Found:
    """Return the first answer of the witnesses in their order; without one the first cause, with what they add."""
    start, end, again = span
    reach = end if kind == "correction_outage" else min(end, start + _limits()["cause.near"])
    for found in (_interference(start, reach, seen), _new_position((start, end, again), seen)):
        if found is not None:
            return found
    if kind != "correction_outage" or first[0] == "interference":
        return first
    plain = first[1].removesuffix("; a rover log alone cannot tell base from link")
    found, remarks = _side(start, end, seen)
    if found is not None:
        return found[0], "; ".join([found[1], plain, *remarks])
    return first[0], "; ".join([first[1], *remarks])


def _interference(start: float, end: float, seen: Witnesses) -> Found | None:
    """Return that another station, or frames destroyed on the way, were heard in the car."""
    near, share = _limits()["cause.near"], _limits()
    for place in ("rover", "unknown"):
        heard = seen.heard.get(place)
        if heard is None:
            continue
        low, high = start - near, end + near
        usual = max((high - low) / heard.interval_s, 1.0)
        foreign = int(((heard.foreign_s >= low) & (heard.foreign_s <= high)).sum())
        damaged = float(heard.damaged_byte[(heard.damaged_s >= low) & (heard.damaged_s <= high)].sum())
        lost = damaged / max(heard.byte_rate * (high - low), 1.0)
        hurt = f"; {lost:.0%} of the usual bytes arrived damaged" if lost > 0.01 else ""
        if foreign >= max(share["cause.foreign_share"] * usual, 1.0):
            ids = ", ".join(map(str, heard.foreign_ids))
            return "interference", f"in the car {foreign} epochs of station {ids} were received meanwhile{hurt}"
        if lost >= share["cause.damaged_share"]:
            return "interference", (f"{damaged:.0f} bytes arrived in the car damaged (CRC), {lost:.0%} of the usual amount: "
                                    "a signal was there and was destroyed")
    return None


def _new_position(span: tuple[float, float, float], seen: Witnesses) -> Found | None:
    """Return that the base changed its reference position within a dropout, as far as the messages place it."""
    (start, end, again), limit = span, _limits()
    for heard in seen.heard.values():
        rows = heard.changes[(heard.changes["time_s"] >= start - limit["cause.near"])
                             & (heard.changes["time_s"] <= again + limit["cause.position_wait"])
                             & (heard.changes["before_s"] <= end + limit["cause.near"])
                             & (heard.changes["change_m"] <= limit["cause.new_base"])]
        if len(rows):
            row = rows.iloc[0]
            return "base_position_changed", (
                f"station {int(row['station_id'])} sends a reference position {row['change_m']:.3f} m from the one before, "
                f"first {row['time_s'] - start:.0f} s after the start: the base was set up anew, and every position "
                "since then moved with it")
    return None


def _side(start: float, end: float, seen: Witnesses) -> tuple[Found | None, list[str]]:
    """Return on which side corrections were lost, and remarks that decide nothing."""
    found: list[Found] = []
    remarks: list[str] = []
    base, log = seen.heard.get("base"), seen.base_log_s
    if base is not None:
        answer = _by_base(start, end, base)
        found += [answer] if answer is not None else []
        remarks += [] if answer is not None else ["the recording at the base does not reach over it"]
    if log is not None and len(log) > 1:
        silent = overlap_s(pauses(log, float(np.median(np.diff(log)))), start, end)
        if log[0] > start or log[-1] < end:
            remarks.append("the base log does not reach over it")
        elif silent >= _limits()["cause.share"] * (end - start):
            found.append(("base_outage", f"the base log has a gap of {silent:.1f} s of these {end - start:.1f} s"))
        else:
            remarks.append("the base receiver logged on meanwhile, which does not prove that it sent")
    if seen.second is not None and seen.second_span is not None:
        answer = _by_second(start, end, seen.second, seen.second_span)
        found += [answer] if answer is not None else []
    if found:
        return found[0], [w for _, w in found[1:]] + remarks
    return _by_rover(start, end, seen.heard.get("rover")), remarks


def _by_base(start: float, end: float, base: Heard) -> Found | None:
    """Return what the recording at the base says, None where it does not reach over the dropout."""
    if not base.covers(start, end):
        return None
    silent, sent = base.silent_s(start, end), base.count(start + 1e-3, end)
    if silent >= _limits()["cause.share"] * (end - start):
        return "base_outage", f"the base was silent for {silent:.1f} s of these {end - start:.1f} s"
    gap = "without a gap" if silent == 0 else f"and paused for {silent:.1f} s"
    return "correction_link", f"the base sent {sent} epochs {gap} in these {end - start:.1f} s"


def _by_second(start: float, end: float, lost: Array, span: tuple[float, float]) -> Found | None:
    """Return what a second rover says, None where its log does not reach over the dropout."""
    if span[0] > start or span[1] < end:
        return None
    share = overlap_s(lost, start, end) / max(end - start, 1e-6)
    if share >= _limits()["cause.share"]:
        return "base_outage", f"a second rover lost its corrections too, for {share:.0%} of this time"
    if share == 0:
        return "correction_link", "a second rover kept its corrections all the time"
    return None


def _by_rover(start: float, end: float, heard: Heard | None) -> Found | None:
    """Return that corrections came to the car and were not used; None otherwise."""
    if heard is None or not heard.covers(start, end):
        return None
    came, usual = heard.count(start + 1e-3, end), (end - start) / heard.interval_s
    if came < _limits()["cause.arrived_share"] * usual:
        return None
    return "incomplete_corrections", (
        f"{came} epochs came to the car in these {end - start:.1f} s and the receiver used none: look between the recorder "
        "and the receiver, and at what the messages hold")


def _lacking(seen: Witnesses) -> str:
    """Return in words what the recorded corrections lack."""
    words = [t.rstrip(".") for h in seen.heard.values() for t in h.lacking]
    return "".join(f"; {w[0].lower()}{w[1:]}" for w in dict.fromkeys(words))


def _limits() -> dict[str, float]:
    """Return the limits of this part."""
    return dict(thresholds("analyzer.verdict", "thresholds_causes.toml"))
