"""The answer on a base site in words, with what it cannot show."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analyzer import wording
from analyzer.comparing.base_move_words import all_moves, detectable_words, which_part
from analyzer.comparing.base_move_words import size as _size
from analyzer.metrics.base_site import SiteMean
from analyzer.metrics.base_site_settling import Answer, Settling
from analyzer.metrics.base_site_shift import Shift, limits
from analyzer.metrics.base_site_start import StartUp
from analyzer.metrics.rate import timeline
from analyzer.settings import thresholds


@dataclass(frozen=True)
class Facts:
    """What the words are made from."""

    settling: Settling
    start: StartUp
    answer: Answer
    mean: SiteMean
    state: str
    grade: str
    length_s: float
    begin: pd.Timestamp
    steady_from: pd.Timestamp
    steady_until: pd.Timestamp
    count: int
    sky: Mapping[str, float]
    period: tuple[float | None, float, str]
    shift: Shift | None
    against: str
    named: tuple[str, ...]
    accuracy_m: float | None
    wait_s: float | None
    gaps: tuple[str, ...] = ()


def gap_words(times: pd.DatetimeIndex, state: str) -> tuple[str, ...]:
    """Return for how long no position of the log's `state` was logged, where that matters: nothing is known of the base meanwhile."""
    line = timeline(times)
    lengths = np.diff(line.gap_spans, axis=1).ravel() if len(times) else np.zeros(0)
    whole = float(lengths.sum())
    if not len(lengths) or whole < limits()["gap.told_share"] * float(line.seconds[-1]):
        return ()
    return (
        f"In {wording.count(len(lengths), 'gap')} of together {wording.duration(whole)} no {wording.words(state)} position was logged: what "
        "moved and came back meanwhile was not seen.",
    )


def judged_words(facts: Facts) -> tuple[str, ...]:
    """Return the answer, most important first."""
    # coordinates that are not to be entered need no praise
    entered = facts.answer.settled is not False or facts.answer.steady_at_end
    return (
        *_settled(facts),
        *facts.gaps,
        *_shifted(facts),
        *(_absolute(facts) if entered else ()),
        *_coordinates(facts),
        *_sky(facts),
        *_multipath(facts),
        *_waiting(facts),
        *(("What matters most: enter the same coordinates every day the antenna stands at this place, to the last digit; "
           "then all days share one frame, whatever its absolute error.",) if entered else ()),
    )


def _settled(facts: Facts) -> tuple[str, ...]:
    one, told = facts.settling, facts.answer
    if told.settled is None:
        return (_open(facts), *_few(facts))
    if told.settled:
        begun = f", although {facts.start.signs[0][1]}" if facts.start else ""
        return (
            f"The base had settled: over {facts.length_s / 60:.0f} min neither a drift nor a step was found{begun}. In four "
            f"of five cases one would have been: {detectable_words(one)}.",
            *_few(facts),
        )
    part = which_part(told, facts.count, (facts.steady_from, facts.steady_until))
    moved = _moved(facts, part)
    if set(told.by) <= {move.kind for move in one.moves}:
        return (*moved, *_few(facts))
    since = f"from {facts.steady_from:%H:%M:%S} UTC on, and the coordinates below are from then"
    then = (
        f"{'It was steady' if one.drifts else 'It is taken as settled'} {since}"
        if told.steady_at_end
        else "It was not steady until the end, so do not enter its coordinates; log longer"
    )
    begun = f"The base had not settled when the log began: {'; '.join(_against(facts))}."
    return (*moved, begun, *_few(facts)) if moved else (f"{begun} {then}.", *_few(facts))


def _moved(facts: Facts, part: str) -> tuple[str, ...]:
    """Return that the position moved within the log, and what is left of it."""
    moves = facts.settling.moves
    if not moves:
        return ()
    return (
        f"The base did not stand still: its position {all_moves(moves, facts.begin)}, more than it wanders; the antenna was "
        f"moved, or its solution was. {part}.",
    )


def _few(facts: Facts) -> tuple[str, ...]:
    """Return that satellites are too few most of the time, so that nobody reads settled as fit."""
    limit, sky = limits(), facts.sky
    least = limit["sky.least_satellites"]
    few = 1.0 - sky["share_ge_12"]
    if not few > limit["sky.few_share"]:
        return ()
    had = {True: "Settled is not yet fit: with", False: "Beside this, with", None: "Whatever it had done, with"}
    return (
        f"{had[facts.answer.settled]} fewer than {least:.0f} satellites for {100 * few:.0f} % of the time (median "
        f"{sky['used_p50']:.0f}) this place is not shown to be fit for a base; look for shading or another place.",
    )


def _open(facts: Facts) -> str:
    """Return why it cannot be told, with the size above which nothing was found."""
    one = facts.settling
    if one.drifts is None:
        return f"Whether the base had settled is not evaluated: {one.reason}."
    return (
        f"Whether the base had settled is not evaluated: no drift above {_size(one.detectable_m[0])} horizontally and "
        f"{_size(one.detectable_m[1])} in height that dies out with a time constant of {one.detectable_decay_s:.0f} s was "
        f"found, nor a step above {_size(max(one.detectable_step_m))} in the middle half of the log or a steady drift above "
        f"{_size(max(one.detectable_steady_m))} over it, and a smaller one cannot be told from the wander of a {facts.grade.replace('_', ' ')}-grade log; log from ten minutes after "
        "switching on, or hold the mean against a mark or another day."
    )


def _against(facts: Facts) -> list[str]:
    """Return each piece of evidence that the base had not settled."""
    one = facts.settling
    words = [text for _, text in facts.start.signs]
    if one.drifts:
        horizontal, up = float(np.hypot(*one.drift_m[:2])), one.drift_m[2]
        words = [f"the position drifted by {_size(horizontal)} horizontally and {_size(up)} in height", *words]
    elif one.drifts is False and not one.moves:
        words.append(
            f"the positions cannot rule out a drift below {_size(one.detectable_m[0])} horizontally and "
            f"{_size(one.detectable_m[1])} in height that dies out with a time constant of {one.detectable_decay_s:.0f} s"
        )
    return words


def _shifted(facts: Facts) -> tuple[str, ...]:
    shift, moves = facts.shift, facts.settling.moves
    if shift is None and moves:
        return (
            f"The antenna was shifted within this log, or its solution was: it {all_moves(moves, facts.begin)}; against "
            "another day it is not evaluated without --expected or --previous.",
        )
    if shift is None:
        return (
            "Whether the antenna was shifted is not evaluated: give --expected or --previous to hold this log against.",
        )
    within = f"The antenna was shifted within this log, or its solution was: it {all_moves(moves, facts.begin)}; what follows is of the part named above."
    return (*((within,) if moves else ()), *_against_another(facts, shift))


def _against_another(facts: Facts, shift: Shift) -> tuple[str, ...]:
    """Return whether the log stands where it should."""
    size = f"{shift.vector_m[0]:+z.3f} m east, {shift.vector_m[1]:+z.3f} m north, {shift.vector_m[2]:+z.3f} m up"
    away_m = float(np.hypot(*shift.vector_m[:2]))
    if shift.found and away_m > thresholds("analyzer.verdict")["base.farthest"]:
        return (f"The log stands {wording.size(round(away_m / 1000))} km from {facts.against}: those coordinates are of another place, or a figure of them is "
                "mistyped; check latitude, longitude and their order.",)
    if shift.found:
        words = (
            f"The log stands {size} from {facts.against}, more than such logs differ from day to day: the "
            "antenna was shifted, "
            "or the coordinates do not belong to its place.",
        )
        return words + tuple(f"The size fits: {n}." for n in facts.named[:2])
    if facts.grade == "centimetre":
        return (f"Against {facts.against} no shift above {_size(shift.detectable_m)} was found ({size}).",)
    return (
        f"Whether the antenna was shifted against {facts.against} is not evaluated below {_size(shift.detectable_m)}: "
        f"a {facts.grade.replace('_', ' ')}-grade log sees no less; marks or a centimetre-grade log would.",
    )


def _absolute(facts: Facts) -> tuple[str, ...]:
    if facts.grade == "centimetre":
        return (
            "These coordinates are as absolute as the network or base that fixed them; a known mark would confirm it.",
        )
    return (
        "These coordinates are consistent, not absolute: averaging autonomous or code positions converges to a "
        "biased value, "
        "metres from the truth, however long one waits.",
    )


def _within(value_m: float) -> str:
    """Return a length that something keeps within, never below the smallest figure that is printed."""
    return _size(max(value_m, 0.001))


def _coordinates(facts: Facts) -> tuple[str, ...]:
    sigma = facts.mean.sigma_m
    return (
        f"The mean repeats within {_within(1.96 * max(sigma[0], sigma[1]))} per horizontal axis and "
        f"{_within(1.96 * sigma[2])} in height (95 %) "
        f"in this log: {facts.mean.n} positions are worth about {facts.mean.n_eff:.0f} independent ones.",
    )


def _sky(facts: Facts) -> tuple[str, ...]:
    least, sky = limits()["sky.least_satellites"], facts.sky
    if not np.isfinite(sky["used_p50"]):
        return ("Satellites are not logged.",)
    counted = f"{100 * sky['share_ge_12']:.0f} % of the time (median {sky['used_p50']:.0f})"
    if sky["share_ge_12"] >= 0.95:
        said = f"Satellites: at least {least:.0f} for {counted}."
    else:
        capped = " The text of older receivers stops at 12." if sky["largest"] == least else ""
        said = f"Satellites: {least:.0f} or more only for {counted}; look for shading.{capped}"
    highest = limits()["sky.largest_pdop"]
    if np.isfinite(sky["pdop_p95"]) and sky["pdop_p95"] > highest:
        said += f" Dilution reaches {sky['pdop_p95']:.1f} (95 %), above {highest:.0f}."
    return (said,)


def _multipath(facts: Facts) -> tuple[str, ...]:
    period, amplitude, reason = facts.period
    if period is None:
        return (f"Multipath period: not evaluated, {reason}.",)
    return (
        f"The position swings with a period of {period / 60:.1f} min and {_size(amplitude)}, as reflections do; "
        "average over whole periods.",
    )


def _waiting(facts: Facts) -> tuple[str, ...]:
    if facts.accuracy_m is None or facts.wait_s is None:
        return ()
    wait = facts.wait_s
    moved = facts.steady_from > facts.begin + pd.Timedelta(minutes=1)
    words = (
        f"at once{f' from {facts.steady_from:%H:%M:%S} UTC on' if moved else ''}"
        if wait < 60
        else f"after about {wait / 60:.0f} min"
        if wait < 7200
        else f"after about {wait / 3600:.0f} h"
    )
    beyond = ", beyond this log and so extrapolated" if wait > facts.length_s else ""
    return (
        f"The mean repeats within {_within(facts.accuracy_m)} (95 %) {words}{beyond}; this concerns repeatability "
        "only, not nearness to the truth.",
    )
