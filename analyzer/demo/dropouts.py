"""The dropouts that truly happened in a simulated drive, by the definitions of a result, with their cause.

Found from what was simulated (states, ages, missing epochs), not from the text that was written.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyzer.demo.drive import Drive
from analyzer.demo.kinds import kind_of
from analyzer.demo.link import outage_end
from analyzer.demo.planted import acting
from analyzer.demo.route import lap, stretch
from analyzer.demo.sky import OPEN
from analyzer.demo.states import DIFFERENTIAL, FIXED
from analyzer.intervals import join_close, runs, subtract

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Dropouts shorter than this are listed without a kind: whether they count depends on the reader's thresholds [s].
SURE_S = 2.0
#: Outages of one lost correction set are natural: shorter than this many intervals they are no planted fault.
LOST_SET_INTERVALS = 2.6
_SHORTEST_S = 1.0
_LINK = ("radio_loss", "base_pause", "base_off", "stale_corrections", "base_resurveyed", "second_base")


@dataclass(frozen=True)
class Dropout:
    """One dropout; times in seconds from the first epoch."""

    kind: str
    start_s: float
    end_s: float
    fault: str
    cause: str
    cause_without_recordings: str


def true_dropouts(drive: Drive, logged: Flags) -> list[Dropout]:
    """Return the dropouts of 1 s and more of a drive, in time order, never overlapping."""
    step = 1.0 / drive.spec.rate_hz
    seen = np.flatnonzero(logged)
    fixed = seen[drive.state[seen] == FIXED]
    missing = _missing(drive, seen, step)
    out = [_named(drive, "missing_epochs", a, b) for a, b in missing]
    if not len(fixed) or drive.plan.one("never_fixed") is not None:
        waiting = seen[seen < fixed[0]] if len(fixed) else seen
        out += [_named(drive, "no_fix_despite_corrections", a, b) for a, b in _never(drive, waiting)]
    if not len(fixed):
        return sorted(out, key=lambda d: d.start_s)
    outages = _outages(drive, seen, int(fixed[0]))
    losses = _losses(drive, seen, int(fixed[0]), outages)
    out += [_named(drive, "correction_outage", a, b) for a, b in _long(subtract(outages, missing))]
    taken = join_close(np.array(sorted([*map(tuple, missing), *map(tuple, outages)])), 0.0)
    out += [_named(drive, "fix_loss", a, b) for a, b in _long(subtract(losses, taken))]
    return sorted(out, key=lambda d: d.start_s)


def _long(spans: Array) -> Array:
    """Return the spans of 1 s and more, pauses under 1 s joined."""
    joined = join_close(spans, _SHORTEST_S)
    return joined[(joined[:, 1] - joined[:, 0]) >= _SHORTEST_S]


def _missing(drive: Drive, seen: NDArray[np.int64], step: float) -> Array:
    """Return the gaps between logged epochs."""
    time = drive.time_s[seen]
    at = np.flatnonzero(np.diff(time) - step >= _SHORTEST_S - 1e-6)
    return join_close(np.column_stack([time[at], time[at + 1]]), _SHORTEST_S)


def _never(drive: Drive, seen: NDArray[np.int64]) -> Array:
    """Return the stretch with fresh corrections of a drive that never was fixed."""
    time = drive.time_s[seen]
    fresh = drive.state[seen] >= DIFFERENTIAL
    return np.array([[time[fresh][0], time[-1]]]) if fresh.any() else np.empty((0, 2))


def _outages(drive: Drive, seen: NDArray[np.int64], first_fixed: int) -> Array:
    """Return from the last correction used to the first fresh age (or the end)."""
    usual = drive.link.usual_largest_age_s + 0.35 * drive.link.interval_s
    age = drive.age_s[seen]
    time = drive.time_s[seen]
    stale = np.zeros(len(seen), dtype=bool)
    known = ~np.isnan(age)
    stale[known] = age[known] > usual
    last_known = np.maximum.accumulate(np.where(known, np.arange(len(seen)), -1))
    stale = np.where(known, stale, (last_known >= 0) & stale[np.maximum(last_known, 0)])
    shortest = LOST_SET_INTERVALS * drive.link.interval_s + max(0.0, 1.0 / drive.spec.rate_hz - 0.1)
    spans = []
    for start, end in runs(stale):
        if seen[start] <= first_fixed:
            continue
        used = time[start] - age[start] + (drive.link.usual_largest_age_s - drive.link.interval_s)
        back = float(time[end] if end < len(time) else time[-1])
        if back - used >= shortest:
            spans.append((max(float(used), 0.0), back))
    return join_close(np.array(spans).reshape(-1, 2), _SHORTEST_S)


def _losses(drive: Drive, seen: NDArray[np.int64], first_fixed: int, outages: Array) -> Array:
    """Return the stretches after the first fix that are not fixed, and not begun by or within an outage."""
    time = drive.time_s[seen]
    lost = (drive.state[seen] != FIXED) & (seen > first_fixed)
    spans = []
    for start, end in runs(lost):
        begin, stop = float(time[start]), float(time[end] if end < len(time) else time[-1])
        if not any(a <= begin <= b + 0.5 for a, b in outages):
            spans.append((begin, stop))
    return join_close(np.array(spans).reshape(-1, 2), _SHORTEST_S)


def _named(drive: Drive, kind: str, start: float, end: float) -> Dropout:
    """Return the dropout with the fault that brought it."""
    fault = _fault(drive, kind, start, end)
    if not fault:
        if kind == "correction_outage":
            return Dropout(kind, start, end, "link_hiccup", "correction_link", "corrections_stopped")
        return Dropout(kind, start, end, "unplanned", "unknown", "unknown")
    if fault == "gantry":
        return Dropout(kind, start, end, "wrong_fix", "sky_obstruction", "sky_obstruction")
    known = kind_of(fault)
    if fault.startswith("wrong_fix"):
        return Dropout(kind, start, end, fault, "unknown", "unknown")
    return Dropout(kind, start, end, fault, known.cause, known.cause_without_recordings)


def _fault(drive: Drive, kind: str, start: float, end: float) -> str:
    """Return the planted fault behind a dropout: the one at work at its start, of a sort that can bring it."""
    plan = drive.plan
    sorts = {
        "missing_epochs": ("logger_gap", "receiver_restart", "damaged_bytes"), "correction_outage": _LINK,
        "no_fix_despite_corrections": ("never_fixed",), "fix_loss": ("receiver_restart", "second_base"),
    }[kind]
    for event in plan.of(*sorts):
        stop = event.end_s if kind != "correction_outage" else outage_end(
            event.kind, event.start_s, event.end_s, event.detail["a"])
        tail = 25.0 if event.kind == "receiver_restart" and kind == "fix_loss" else 3.0
        early = 2.0 + 1.2 * drive.link.interval_s
        if event.start_s - early <= start <= stop + tail and end >= event.start_s:
            return event.kind
    if kind == "correction_outage" and plan.one("radio_shadow") is not None and _in_shadow(drive, start, end):
        return "radio_shadow"
    if kind == "fix_loss":
        return _sky_fault(drive, start)
    return ""


def _in_shadow(drive: Drive, start: float, end: float) -> bool:
    """Return whether the car was in the radio shadow for most of a span."""
    first, last = stretch("shadow")
    position = drive.motion.at(np.linspace(start, end, 9)[2:-1]).lap_m % lap().length_m
    return bool(np.mean((position >= first) & (position < last)) > 0.5)


def _sky_fault(drive: Drive, start: float) -> str:
    """Return what hid the sky at the moment of a loss, else a wrong fix that is entered or left there."""
    near = (drive.time_s >= start - 2.5) & (drive.time_s <= start + 0.5)
    names = acting(drive.plan, drive.time_s[near], drive.sky.obstruction[drive.tick[near]], OPEN)
    parts = [p for n in names for p in n.split(";") if p in ("underpass", "trees", "halls", "gantry")]
    if parts:
        return parts[-1]
    event = next((e for e in drive.plan.of("wrong_fix", "wrong_fix_fused")
                  if e.start_s - 8.0 <= start <= e.end_s + 1.0), None)
    return event.kind if event else ""
