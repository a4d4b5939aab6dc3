"""Corrections recorded at the base and at the rover, held against each other: was it the link or the base?"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date as Date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import wording
from analyzer.metrics.corrections_clock import WEEK_S, time_messages
from analyzer.metrics.corrections_epochs import GAP_COLUMNS, epochs_s, find_gaps, usual_interval_s
from analyzer.metrics.corrections_reference import main_station
from analyzer.metrics.metric import Metric, missing
from analyzer.recording import Finding
from analyzer.settings import thresholds

_KEY = ["message_type", "station_id", "epoch_s", "size_byte", "crc"]
_COLUMNS = [*GAP_COLUMNS, "cause", "base_silent_s", "base_epochs", "evidence"]
_Float = NDArray[np.float64]


@dataclass(frozen=True)
class PlaceComparison:
    """What two recordings of the same corrections show together.

    Attributes
    ----------
    gaps : pauses at the rover with ``cause`` (``correction_link``, ``base_outage``, or ``corrections_stopped`` where
        the recording at the base does not reach), ``base_silent_s`` (how long the base was silent within the pause),
        ``base_epochs`` (epochs the base sent within it) and ``evidence`` in words.
    values : share of the base's messages that reached the rover, and of epochs that came in part.
    """

    gaps: pd.DataFrame
    values: tuple[Metric, ...]
    findings: tuple[Finding, ...]


def compare_places(
    base: pd.DataFrame, rover: pd.DataFrame, *, fixes: pd.DataFrame | None = None, date: Date | None = None,
) -> PlaceComparison:
    """Return for every pause of the corrections at the rover whether the base was sending.

    Parameters
    ----------
    base, rover : tables of schema ``CORRECTIONS`` recorded at the base and at the rover, timed or not.
    fixes, date : as in ``measure_link``; with fixes, silence at the start or end of the drive is a pause too.
    """
    at_base, at_rover = (time_messages(t, fixes=fixes, date=date).messages for t in (base, rover))
    at_base, at_rover = at_base[~at_base["repeated"]], at_rover[~at_rover["repeated"]]
    station = main_station(at_rover)
    sent, got = epochs_s(at_base, station), epochs_s(at_rover, station)
    if station is None or len(sent) < 2 or len(got) < 2:
        return _not_comparable(main_station(at_base), station)
    shift = WEEK_S * float(np.round((np.median(got) - np.median(sent)) / WEEK_S))
    found = find_gaps(at_rover, "rover")
    found = _with_edges(found[found["station_id"] == station], at_rover, got, fixes)
    rows = [_judge(gap, sent + shift) for gap in found[["start_s", "end_s"]].to_numpy(dtype=np.float64)]
    judged = pd.DataFrame(rows, columns=_COLUMNS[len(GAP_COLUMNS):], index=found.index)
    gaps = pd.concat([found, judged], axis=1).reset_index(drop=True)
    return PlaceComparison(gaps, _delivery(at_base, at_rover, station, shift), _findings(gaps))


def _not_comparable(base_station: int | None, rover_station: int | None) -> PlaceComparison:
    """Return the answer for recordings that have no station in common."""
    reason = (f"the recording at the base holds observations of station {base_station}, the one at the rover of "
              f"station {rover_station}")
    text = f"Base and rover corrections cannot be held against each other: {reason}."
    values = (missing("corrections_delivered_share", "-", "messages of the base found at the rover", reason),)
    finding = Finding("corrections_not_comparable", "warning", text)
    return PlaceComparison(pd.DataFrame(columns=_COLUMNS), values, (finding,))


def _with_edges(gaps: pd.DataFrame, messages: pd.DataFrame, got: _Float, fixes: pd.DataFrame | None) -> pd.DataFrame:
    """Return the pauses plus those from the start of the drive and to its end."""
    index = pd.DatetimeIndex(fixes.index if fixes is not None else []).dropna()
    if not len(index) or not messages.index.notna().any():
        return gaps
    zero = messages.index[0] - pd.Timedelta(seconds=float(messages["message_s"].iloc[0]))
    first, last = ((t - zero).total_seconds() for t in (index.min(), index.max()))
    limits, usual = thresholds("analyzer.metrics", "thresholds_link.toml"), usual_interval_s(got)
    parts = [gaps] if len(gaps) else []
    for low, high in ((first, float(got[0])), (float(got[-1]), last)):
        if high - low <= max(limits["gap.factor"] * usual, limits["gap.least"]) or last < got[0] or first > got[-1]:
            continue
        ends = [zero + pd.Timedelta(seconds=t) for t in (low, high)]
        row = (*ends, high - low, "rover", main_station(messages), low, high, usual, round((high - low) / usual))
        parts.append(pd.DataFrame([row], columns=GAP_COLUMNS))
    return pd.concat(parts, ignore_index=True).sort_values("start_s") if parts else gaps


def _judge(gap: _Float, sent: _Float) -> tuple[str, float, int, str]:
    """Return cause, silence of the base [s], epochs it sent, and the evidence in words for one pause at the rover."""
    start, end = float(gap[0]), float(gap[1])
    limits, usual = thresholds("analyzer.metrics", "thresholds_link.toml"), usual_interval_s(sent)
    inside = int(((sent > start) & (sent < end)).sum())
    if start < sent[0] - usual or end > sent[-1] + usual:
        return "corrections_stopped", float("nan"), inside, "the recording at the base does not cover this pause"
    step = np.diff(sent)
    silent = (step > limits["gap.factor"] * usual) & (step >= limits["gap.least"])
    low, high = sent[:-1][silent], sent[1:][silent]
    overlap = float(np.clip(np.minimum(high, end) - np.maximum(low, start), 0.0, None).sum())
    words = f"the base was silent for {overlap:.1f} s of these {end - start:.1f} s and sent {inside} epochs in the rest"
    if overlap > 0:
        from_base = overlap >= limits["gap.base_share"] * (end - start)
        return "base_outage" if from_base else "correction_link", overlap, inside, words
    return "correction_link", 0.0, inside, f"the base sent {inside} epochs without a gap in these {end - start:.1f} s"


def _delivery(base: pd.DataFrame, rover: pd.DataFrame, station: int, shift: float) -> tuple[Metric, ...]:
    """Return the share of the base's observation messages that reached the rover while both recorded."""
    key, method = "corrections_delivered_share", "equal type, station, time, size and CRC, while both recorded"
    sent, got = (t[t["system"].notna() & t["epoch_s"].notna() & (t["station_id"] == station)] for t in (base, rover))
    sent = sent[sent["message_s"].between(got["message_s"].min() - shift, got["message_s"].max() - shift)]
    if not len(sent):
        reason = "the recordings share no time"
        return missing(key, "-", method, reason), missing("corrections_partial_epochs", "-", method, reason)
    arrived = pd.MultiIndex.from_frame(sent[_KEY]).isin(pd.MultiIndex.from_frame(got[_KEY]))
    per_epoch = pd.Series(arrived).groupby(sent["message_s"].to_numpy()).mean()
    partial = int(((per_epoch > 0) & (per_epoch < 1)).sum())
    return (
        Metric(key, float(arrived.mean()), "-", len(sent), method),
        Metric("corrections_partial_epochs", partial, "-", len(per_epoch), "epochs that arrived in part"),
    )


def _findings(gaps: pd.DataFrame) -> tuple[Finding, ...]:
    """Return the pauses by cause, in words."""
    words = {
        "correction_link": "while the base kept sending: the link lost them",
        "base_outage": "because the base itself was silent",
        "corrections_stopped": "at times that the recording at the base does not cover",
    }
    out = []
    for cause, part in gaps.groupby("cause", sort=False):
        text = (f"Corrections paused at the rover {wording.times(len(part))}, {part['duration_s'].sum():.1f} s in all, "
                f"{words[str(cause)]}.")
        out.append(Finding(f"corrections_pause_{cause}", "note", text, {"n": len(part)}))
    return tuple(out)
