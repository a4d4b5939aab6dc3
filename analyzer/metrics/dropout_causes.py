"""A first cause for each dropout, with the evidence in words. The verdict layer may better it with more recordings."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property
from importlib import resources

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import tables, wording
from analyzer.metrics.fix_state import state_name
from analyzer.metrics.gap_content import damaged_between, in_place, message_between
from analyzer.metrics.link_state import BLIND
from analyzer.metrics.rate import Timeline
from analyzer.metrics.signal_drop import Listed
from analyzer.metrics.sky_seen import (
    WEAKENED,
    begun_anew,
    disturbed,
    left_out,
    middle,
    number,
    open_sky,
    sky_of_loss,
    sky_of_outage,
    sky_partly,
    weak_rest,
)
from analyzer.metrics.stations_heard import TOO, other_station, replaced_base
from analyzer.settings import thresholds

Array = NDArray[np.float64]
Cause = tuple[str, str]
_FIXED = tables.FIX_STATES.index("fixed")
_ALIVE = tuple(tables.FIX_STATES.index(s) for s in ("fixed", "precise", "float"))
#: Words of a gap that is a pause of the recording, and what to do about one.
PAUSED = "whoever parks and ends the recording leaves such a gap"
PAUSE_ADVICE = "Nothing needs mending where the recording was paused on purpose: end the log when you park, begin a new one and wait for fixed before you drive on."
#: What to do where all signals weakened at once: the antenna has two kinds of faults that look like a transmitter.
SIGNAL_ADVICE = ("All satellites weakened at once: look for transmitters beside the antenna and at this place; where it comes back elsewhere, look at the antenna, "
                 "its cable, connectors and supply, and at what lies over it.")
#: What to do about another base beside another cause.
OTHER_ADVICE = "Accept only your own station id at the rover: another base was heard meanwhile."


@dataclass(frozen=True)
class Scene:
    """What the causes are read from, one entry per epoch unless said otherwise.

    `notes` holds, per source, (byte offset, text) of free-text lines, `messages` those of TXT sentences; `damage`, per source, the byte offsets of damaged
    sentences; `set_aside`, per source, whether its ledger holds damaged pieces at all. `off_grid` says which epochs lie
    off the usual grid of times; `station_changes` is a table ``index time_s from_id to_id`` and `stations_known` whether ids are logged at all; `listed` holds the satellites as listed;
    `stood` says in which epochs the car stood, empty where nobody looked; `unlogged` names what would tell causes and was not logged.
    """

    line: Timeline
    codes: NDArray[np.int64]
    age_s: Array
    satellites: Array
    in_view: Array
    cn0_dbhz: Array
    off_grid: NDArray[np.bool_]
    byte_offset: NDArray[np.int64]
    source_id: NDArray[np.int64]
    station_changes: pd.DataFrame
    fresh_s: float
    stations_known: bool = True
    listed: Listed = field(default_factory=Listed)
    notes: Sequence[Sequence[tuple[int, str]]] = field(default=())
    messages: Sequence[Sequence[tuple[int, str]]] = field(default=())
    damage: Sequence[NDArray[np.int64]] = field(default=())
    set_aside: Sequence[bool] = field(default=())
    stood: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=bool))
    unlogged: Sequence[str] = field(default=())

    def index(self, time_s: float, *, side: str = "left") -> int:
        """Return the first epoch at or after `time_s` (left), or the last at or before it (right)."""
        if side == "left":
            return min(int(np.searchsorted(self.line.seconds, time_s - 1e-6)), len(self.codes) - 1)
        return max(int(np.searchsorted(self.line.seconds, time_s + 1e-6, side="right")) - 1, 0)

    def before(self, values: Array, time_s: float) -> float:
        """Return the median of `values` in the 10 s before `time_s`, NaN where unknown."""
        span = thresholds("analyzer.metrics")["cause.before_s"]
        return middle(values[self.index(time_s - span):self.index(time_s, side="right") + 1])

    @cached_property
    def usual(self) -> tuple[float, float]:
        """Median satellites used and C/N0 [dB-Hz] while fixed, or of all epochs where none is fixed."""
        fixed = self.codes == _FIXED
        keep = fixed if fixed.any() else np.ones(len(fixed), dtype=bool)
        return middle(self.satellites[keep]), middle(self.cn0_dbhz[keep])

    def during(self, values: Array, start_s: float, end_s: float) -> Array:
        """Return the known `values` from `start_s` up to, not including, `end_s`."""
        low, high = self.index(start_s), int(np.searchsorted(self.line.seconds, end_s - 1e-6))
        part = values[low:max(high, low + 1)]
        return part[np.isfinite(part)]


@cache
def advice() -> dict[str, str]:
    """Return the sentence of advice per cause."""
    text = resources.files("analyzer.metrics").joinpath("advice.toml").read_text(encoding="utf-8")
    return {str(k): str(v) for k, v in tomllib.loads(text).items()}


def advice_for(cause: str, words: str, unlogged: Sequence[str] = ()) -> str:
    """Return what to do about a cause with its evidence in words; a pause needs no mending, and what is `unlogged` may show what is unknown."""
    if PAUSED in words:
        return PAUSE_ADVICE
    if cause == "unknown" and unlogged:
        return f"The log does not show why: log {wording.listing(unlogged)} on the next drive."
    if cause != "interference" and words.endswith(TOO):
        return f"{advice()[cause]} {OTHER_ADVICE}"
    if WEAKENED not in words:
        return advice()[cause]
    return SIGNAL_ADVICE if cause == "interference" else f"{SIGNAL_ADVICE} {advice()[cause]}"


def cause_of(kind: str, start_s: float, end_s: float, scene: Scene) -> Cause:
    """Return the first cause of a dropout and the evidence for it in words."""
    if kind == "missing_epochs":
        return _of_missing(start_s, end_s, scene)
    if kind == "correction_outage":
        return _of_outage(start_s, end_s, scene)
    if kind == "fix_loss":
        return _of_loss(start_s, end_s, scene)
    return _of_no_fix(start_s, end_s, scene)


def _of_no_fix(start_s: float, end_s: float, scene: Scene) -> Cause:
    """Return why fresh corrections brought no fix: few satellites, by what is usual while fixed or by what an open sky has, or what they hold."""
    limit = thresholds("analyzer.metrics")
    other = other_station(start_s, end_s, scene)
    heard = f"; {other}{TOO}" if other else ""
    fresh = f"corrections were fresh (age {number(middle(scene.during(scene.age_s, start_s, end_s)))} s) for {end_s - start_s:.0f} s"
    never = f"{fresh} and the solution never became fixed{_whole_wait(start_s, end_s, scene)}{heard}"
    used, usual = middle(scene.during(scene.satellites, start_s, end_s)), scene.usual[0]
    idle = left_out(start_s, end_s, scene)
    if idle:
        return "incomplete_corrections", f"{idle}; {never}"
    fewer = used < (1 - limit["cause.satellites_drop"]) * usual
    if fewer or (not (scene.codes == _FIXED).any() and used < limit["cause.satellites_open"]):
        beside = f", {number(usual)} while fixed" if fewer else ""
        return "sky_obstruction", f"only {number(used)} satellites were used{beside}; {fresh}{heard}"
    return "incomplete_corrections", never


def _whole_wait(start_s: float, end_s: float, scene: Scene) -> str:
    """Return in words how long the run waited for its first fixed in all, where a piece of that wait is not the whole; else an empty text."""
    fixed = scene.codes == _FIXED
    until = float(scene.line.seconds[int(np.argmax(fixed)) if fixed.any() else -1])
    if until - float(scene.line.seconds[0]) < 1.5 * (end_s - start_s):
        return ""
    return f"; in all nothing was fixed for {until - float(scene.line.seconds[0]):.0f} s from the start of the log{'' if fixed.any() else ' to its end'}"


def _of_missing(start_s: float, end_s: float, scene: Scene) -> Cause:
    """Return the cause of missing epochs: text, damage, a parked car, life before and after, start-up, in this order."""
    limit = thresholds("analyzer.metrics")
    last, first = scene.index(start_s, side="right"), scene.index(end_s)
    held = in_place(last, first, (end_s - start_s) / scene.line.nominal_s - 1, scene)
    if held is not None:
        return held
    was, now = int(scene.codes[last]), int(scene.codes[first])
    parked = len(scene.stood) > 0 and end_s - start_s >= limit["cause.pause"] and bool(scene.stood[last])
    if parked and scene.stood[first]:
        return "unknown", f"the car stood before and after it: {PAUSED}"
    soon = scene.index(end_s + limit["cause.restart_s"], side="right") + 1
    counts = scene.before(scene.satellites, start_s), middle(scene.satellites[first:soon])
    fewer = counts[1] < (1 - limit["cause.satellites_drop"]) * counts[0]
    if now != _FIXED and (said := message_between(last, first, scene)):
        return "receiver_restart", f"a text of the receiver itself stands in place of the epochs: {said}"
    if now in _ALIVE and not (fewer and was == _FIXED and now != _FIXED):
        return "logger_gap", f"the solution was {state_name(now)} right after: the receiver never stopped"
    if scene.off_grid[first:soon].any():
        return "receiver_restart", "the first epochs after it lie off the usual grid of times: a clock that starts anew"
    if now in BLIND and was not in BLIND:
        told = f"; the car stood before it, and {PAUSED}" if parked else ""
        return "receiver_restart", f"there is no position right after, before it was {state_name(was)}{told}"
    if fewer:
        return "receiver_restart", f"satellites build up anew after it: {counts[0]:.0f} before, {counts[1]:.0f} after"
    if was in _ALIVE:
        return "receiver_restart", f"the solution begins anew as {state_name(now)}, before it was {state_name(was)}"
    return "unknown", f"the solution is {state_name(now)} after and {state_name(was)} before, and no text explains it"


def _of_outage(start_s: float, end_s: float, scene: Scene) -> Cause:
    """Return the cause of a correction outage."""
    replaced = replaced_base(start_s, end_s, scene)
    if replaced:
        return "base_position_changed", replaced
    other = other_station(start_s, end_s, scene)
    if other:
        return "interference", other
    sky = sky_of_outage(start_s, end_s, scene)
    if sky:
        return "sky_obstruction", f"{sky} while corrections were missing"
    ages = scene.during(scene.age_s, start_s, end_s)
    seen = len(ages) > 0 and ages.max() > scene.fresh_s
    climbed = f"the age climbed to {ages.max():.1f} s" if seen else "the age is empty"
    count, low = scene.before(scene.satellites, start_s), scene.during(scene.satellites, start_s, end_s)
    stayed = f" while satellites stayed ({count:.0f} before, at least {low.min():.0f} meanwhile)" \
        if len(low) and np.isfinite(count) else ""
    weak = disturbed(start_s, end_s, scene)
    return "corrections_stopped", f"{climbed}{stayed}{'; ' if weak else ''}{weak}; a rover log alone cannot tell base from link"


def _of_loss(start_s: float, end_s: float, scene: Scene) -> Cause:
    """Return the cause of a lost fix with fresh corrections."""
    limit = thresholds("analyzer.metrics")
    first = scene.index(start_s)
    last = min(scene.index(start_s - limit["cause.near_s"]), max(first - 1, 0))
    gaps = np.flatnonzero(scene.line.gap_after[last:first])
    if len(gaps):
        at = last + int(gaps[-1])
        began = float(scene.line.seconds[at]), float(scene.line.seconds[at + 1])
        cause, words = _of_missing(*began, scene)
        return cause, f"it follows missing epochs: {words}"
    other = other_station(start_s, start_s + limit["cause.near_s"], scene)
    if other:
        return "interference", other
    age = scene.before(scene.age_s, start_s)
    fresh = f", corrections before it were fresh (age {age:.1f} s)" if np.isfinite(age) else ""
    seen, words = _as_seen(start_s, end_s, scene, aged=bool(np.isfinite(age)))
    if words:
        return seen, f"{words}{weak_rest(start_s, end_s, scene) if seen == 'sky_obstruction' else ''}{fresh}"
    if damaged_between(last, scene.index(start_s + limit["cause.near_s"]), scene) >= limit["cause.near_s"]:
        return "damaged_data", f"damaged sentences stand where fixed was lost{fresh}"
    if end_s - start_s >= limit["dropout.no_fix_after_s"] and np.isfinite(age):
        return "incomplete_corrections", f"fixed did not come back for {end_s - start_s:.0f} s{fresh}"
    partly = sky_partly(start_s, scene)
    return ("sky_obstruction", f"{partly}, and nothing else changed{fresh}") if partly else ("unknown", f"{_unchanged(start_s, scene, age)}{fresh}")


def _as_seen(start_s: float, end_s: float, scene: Scene, *, aged: bool) -> Cause:
    """Return what satellites and their signals say of a lost fix, and in which words; empty words where they say nothing."""
    looks = [("interference", disturbed), ("receiver_restart", begun_anew), *([("incomplete_corrections", open_sky)] if aged else []), ("sky_obstruction", sky_of_loss)]
    return next(((cause, words) for cause, look in looks if (words := look(start_s, end_s, scene))), ("unknown", ""))


def _unchanged(start_s: float, scene: Scene, age_s: float) -> str:
    """Return in words what of satellites, station id and age is known before `start_s` and did not change."""
    known = {"satellites": bool(np.isfinite(scene.before(scene.satellites, start_s))), "station id": scene.stations_known, "age": bool(np.isfinite(age_s))}
    kept, untold = ([name for name, told in known.items() if told is which] for which in (True, False))
    said = f"neither {', '.join(kept[:-1])} nor {kept[-1]} changed" if len(kept) > 1 else "".join(f"{name} did not change" for name in kept)
    return "; ".join(filter(None, [said, f"{wording.listing(untold)} not recorded" if untold else ""]))
