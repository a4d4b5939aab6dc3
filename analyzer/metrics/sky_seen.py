"""What satellites and their signals say of a dropout: the sky was hidden, something disturbed all signals, or satellites were left out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analyzer.metrics.link_state import BLIND
from analyzer.metrics.signal_drop import SignalDrop, signal_drop
from analyzer.settings import thresholds

if TYPE_CHECKING:
    from analyzer.metrics.dropout_causes import Scene

Array = NDArray[np.float64]
#: What all signals that weaken at once may be, said as what it is: not known.
WEAKENED = "something transmits in the band of the satellites, or the antenna, its cable or its supply failed"


def sky_of_loss(start_s: float, end_s: float, scene: Scene) -> str:
    """Return in words that the sky was obstructed during a loss or just before it, or an empty text.

    Held against what is usual while fixed, since the seconds before a loss may lie under the same trees.
    """
    limit = thresholds("analyzer.metrics")
    early = start_s - limit["cause.near_s"]
    counts, signals = scene.during(scene.satellites, early, end_s), scene.during(scene.cn0_dbhz, early, end_s)
    usual = scene.usual
    if len(counts) and (counts.min() < (1 - limit["cause.satellites_drop"]) * usual[0]
                        or counts.min() < limit["cause.satellites_needed"]):
        return f"satellites fell to {counts.min():.0f} from the usual {number(usual[0])}"
    if len(signals) and signals.min() < usual[1] - limit["cause.cn0_drop_db"]:
        return f"C/N0 fell to {signals.min():.0f} from the usual {usual[1]:.0f} dB-Hz"
    return "the position was lost" if _lost_from_sight(start_s, end_s, scene) else ""


def _lost_from_sight(start_s: float, end_s: float, scene: Scene) -> bool:
    """Whether the position was lost, and not while as many satellites as usual were counted: those were not hidden."""
    during = slice(scene.index(start_s), scene.index(end_s, side="right"))
    blind = np.isin(scene.codes[during], BLIND)
    least = (1 - thresholds("analyzer.metrics")["cause.satellites_partly"]) * scene.usual[0]
    return bool(blind.any()) and not middle(scene.satellites[during][blind]) > least


def begun_anew(start_s: float, end_s: float, scene: Scene) -> str:
    """Return in words that there was no position while as many satellites were heard as strong as usual, or an empty text.

    A sky that is hidden hides signals; a receiver that begins anew loses its solution alone.
    """
    limit = thresholds("analyzer.metrics")
    during = slice(scene.index(start_s), scene.index(end_s, side="right"))
    lost = scene.line.seconds[during][np.isin(scene.codes[during], BLIND)]
    if not len(lost) or scene.codes[during.stop - 1] in BLIND:
        return ""
    # a roof that was left again hides signals for a second, and the position for longer: no moment around the loss may show it
    begun, ended = float(lost[0]) - limit["cause.near_s"], min(float(lost[-1]), float(lost[0]) + limit["cause.near_s"])
    seen = [drop for at in np.arange(begun, ended + 1e-6, 1.0) if (drop := signal_drop(float(at), float(at) + 1.0, scene.listed)) is not None]
    if len(seen) < limit["cause.near_s"] or any(_hidden(drop) for drop in seen):
        return ""
    least = min(seen, key=lambda drop: drop.heard)
    return (f"there was no position for {lost[-1] - lost[0] + scene.line.nominal_s:.0f} s while at least {least.heard:.0f} satellites were heard, "
            f"of the usual {least.usual:.0f}, about as strong as before")


def _hidden(drop: SignalDrop) -> bool:
    """Return whether signals of one moment are fewer or weaker than a receiver needs to lose its position by."""
    limit = thresholds("analyzer.metrics")
    return not (drop.heard >= limit["cause.satellites_stay"] * drop.usual and drop.most_db < limit["cause.cn0_drop_db"])


def open_sky(start_s: float, end_s: float, scene: Scene) -> str:
    """Return in words that for most of a loss, and longer than a fix takes, as many satellites were used as usual, or an empty text."""
    limit = thresholds("analyzer.metrics")
    counts, usual = scene.during(scene.satellites, start_s, end_s), scene.usual[0]
    enough = counts >= (1 - limit["cause.satellites_partly"]) * usual
    if not len(counts) or enough.mean() < 0.5 or enough.sum() * scene.line.nominal_s < limit["dropout.no_fix_after_s"]:
        return ""
    return f"fixed did not come back for {end_s - start_s:.0f} s, though for {enough.sum() * scene.line.nominal_s:.0f} s of it {middle(counts[enough]):.0f} satellites were used, of the usual {number(usual)}"


def sky_partly(start_s: float, scene: Scene) -> str:
    """Return in words that a part of the sky was hidden where fixed was lost, or an empty text: a wall or a lorry on one side hides a few."""
    limit = thresholds("analyzer.metrics")
    near = start_s - limit["cause.near_s"], start_s + limit["cause.near_s"]
    counts, signals = scene.during(scene.satellites, *near), scene.during(scene.cn0_dbhz, *near)
    if len(counts) and counts.min() <= (1 - limit["cause.satellites_partly"]) * scene.usual[0]:
        return f"satellites fell to {counts.min():.0f} from the usual {number(scene.usual[0])}"
    if len(signals) and middle(signals) <= scene.usual[1] - limit["cause.cn0_partly_db"]:
        return f"C/N0 lay at {middle(signals):.0f} where {scene.usual[1]:.0f} dB-Hz are usual"
    return ""


def sky_of_outage(start_s: float, end_s: float, scene: Scene) -> str:
    """Return in words that satellites were missing through most of an outage, or an empty text.

    Not where they were as few before it while corrections still came, nor where they fell after the next corrections were due:
    such a sky was no reason to lose them.
    """
    least = 1 - thresholds("analyzer.metrics")["cause.satellites_drop"]
    typical, usual = middle(scene.during(scene.satellites, start_s, end_s)), scene.usual[0]
    early = scene.during(scene.satellites, start_s, min(end_s, start_s + scene.fresh_s))
    fell_later = len(early) > 0 and early.min() >= least * usual
    as_few_before = typical >= least * scene.before(scene.satellites, start_s)
    if typical < least * usual and not as_few_before and not fell_later:
        return f"satellites fell to {typical:.0f} from the usual {usual:.0f}"
    return ""


def disturbed(start_s: float, end_s: float, scene: Scene) -> str:
    """Return in words that the signals of all satellites weakened at once, or an empty text.

    What hides the sky takes satellites away and leaves some as strong as they were; a transmitter in their band weakens every one,
    and all alike. So does the roof of a tunnel, but no position is left to use them for, nor for a moment under a bridge. Where the log
    lists no satellites, the median and the number of those used have to tell.
    """
    limit, in_use = thresholds("analyzer.metrics"), scene.during(scene.satellites, start_s, end_s)
    if end_s - start_s < limit["cause.roof"] and np.nanmin(in_use, initial=np.inf) < limit["cause.satellites_position"]:
        return ""
    used, drop = middle(in_use), signal_drop(start_s, end_s, scene.listed)
    return _weaker_on_the_whole(start_s, end_s, scene) if drop is None else _weaker_alike(drop, used)


def _weaker_alike(drop: SignalDrop, used: float) -> str:
    limit = thresholds("analyzer.metrics")
    alike = drop.most_db - drop.least_db <= limit["cause.cn0_alike_db"]
    heard = drop.heard >= limit["cause.signals_heard"] * drop.usual and used >= limit["cause.satellites_position"]
    if not (drop.least_db >= limit["cause.cn0_all_db"] and alike and heard):
        return ""
    by = dict.fromkeys((f"{drop.least_db:.0f}", f"{drop.most_db:.0f}"))
    return (f"{drop.heard:.0f} of the usual {drop.usual:.0f} signals were heard, weaker alike, the middle half of them by {' to '.join(by)} dB: "
            f"{WEAKENED}")


def weak_rest(start_s: float, end_s: float, scene: Scene) -> str:
    """Return in words, to follow others, that the few signals that were left weakened alike, which nothing that hides others does; or an empty text."""
    limit, drop = thresholds("analyzer.metrics"), signal_drop(start_s, end_s, scene.listed)
    if drop is None or drop.heard < limit["cause.satellites_position"] or not (
        drop.least_db >= limit["cause.cn0_all_db"] and drop.most_db - drop.least_db <= limit["cause.cn0_alike_db"]
    ):
        return ""
    return f"; the {drop.heard:.0f} of {drop.usual:.0f} signals that were left were all weaker, half of them by {drop.least_db:.0f} dB and more: or {WEAKENED}"


def _weaker_on_the_whole(start_s: float, end_s: float, scene: Scene) -> str:
    limit = thresholds("analyzer.metrics")
    signal, used = middle(scene.during(scene.cn0_dbhz, start_s, end_s)), middle(scene.during(scene.satellites, start_s, end_s))
    count, strength = scene.usual
    if signal <= strength - limit["cause.cn0_all_db"] and used >= limit["cause.satellites_stay"] * count:
        return (f"C/N0 of all satellites fell to {signal:.0f} from the usual {strength:.0f} dB-Hz while {number(used)} of the usual {number(count)} stayed in use: "
                f"{WEAKENED}")
    return ""


def left_out(start_s: float, end_s: float, scene: Scene) -> str:
    """Return in words that satellites with strong signals were in view and not used, or an empty text: corrections lack their observations."""
    limit = thresholds("analyzer.metrics")
    view, used, signal = (middle(scene.during(x, start_s, end_s)) for x in (scene.in_view, scene.satellites, scene.cn0_dbhz))
    least = max(limit["cause.satellites_open"], limit["cause.in_view_ratio"] * used)
    if view >= least and signal >= max(limit["cause.cn0_open"], scene.usual[1] - limit["cause.cn0_partly_db"]):
        return f"only {number(used)} of {number(view)} satellites in view were used though signals were strong ({signal:.0f} dB-Hz)"
    return ""


def middle(values: Array) -> float:
    """Return the median of the known values, NaN where there are none."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")


def number(value: float) -> str:
    """Return a number for a sentence, or a word where it is unknown."""
    return f"{value:.1f}".removesuffix(".0") if np.isfinite(value) else "an unknown number"
