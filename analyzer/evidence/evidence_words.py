"""What the evidence found and what it cannot show, in words."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from analyzer import intervals
from analyzer.evidence.fused import FusedDoubts
from analyzer.evidence.independent import Independent
from analyzer.evidence.learnt import SIGMA_PER_MEDIAN
from analyzer.evidence.parts import in_other_frame
from analyzer.evidence.road import Seconds
from analyzer.evidence.second_opinion import SecondOpinion
from analyzer.evidence.slews import Slews
from analyzer.evidence.track import Track
from analyzer.recording import Finding
from analyzer.settings import thresholds
from analyzer.wording import listing

#: Heights of two passes differ when they do so by this many sigma.
DIFFERS = 3.0

WHOLE_DAY = "a constant offset of the whole day: nothing in a rover log shows it without a check point"

KIND_UNKNOWN = ("whether the velocity is independent of the positions: nothing tells a solution of satellites alone from one fused with "
                "inertial data, in which a wrong fix is taken slowly and the velocity agrees")


def words_of(
    opinion: SecondOpinion, doubts: FusedDoubts | None, slews: Slews, motion: Independent | None
) -> tuple[Finding, ...]:
    """Return the findings on slow steps and swings, alignment, an offset that turns with the car, late velocity, and honest innovations."""
    return (*_slow_words(slews, motion), *_swing_words(opinion), *_alignment_words(doubts), *_turning_words(opinion), *_delay_words(opinion),
            *_stray_words(opinion), *_innovation_words(opinion))


def frame_words(opinion: SecondOpinion, times: pd.DatetimeIndex) -> Iterator[Finding]:
    """Return the finding that all positions step because the base moved or another station spoke, once for each change."""
    spans = opinion.stretches.spans
    for first, behind in intervals.runs(in_other_frame(opinion)):
        begin, end = times[spans[first, 0]], times[spans[behind - 1, 1] - 1]
        east, north = (round(float(x), 2) for x in opinion.posterior.offset[first, :2])
        kept = float((opinion.posterior.wrong * (1 - opinion.posterior.frame))[first:behind].max())
        or_kept = f" (as a wrong fix that was kept would, less likely here: {100 * kept:.0f} %; the log alone does not tell them apart)" if kept >= NAMED else ""
        yield Finding("other_frame", "problem", (
            f"From {begin:%H:%M:%S} to {end:%H:%M:%S} UTC all positions stand {np.hypot(east, north):.2f} m off ({east:+.2f} m east, {north:+.2f} m north): "
            f"a base that came back in another place, or another station, does this{or_kept}; correcting it by a constant needs a known mark."),
            {"start_utc": begin.isoformat(), "end_utc": end.isoformat(), "east_m": east, "north_m": north})


#: Probability from which the rival of what is said is named beside it.
NAMED = 0.02
#: Axes of the track in words, and what would watch them.
AXES = {"across": ("across the track", "yaw rate or heading"), "along": ("along the track", "wheel speed or raw inertial data"),
        "up": ("in height", "raw inertial data")}


def unwatched_axes(motion: Independent | None) -> tuple[str, ...]:
    """Return the axes on which nothing independent watched a fused solution, or for a part of the time in motion only."""
    least = thresholds("analyzer.evidence")["witness.share"]
    return tuple(axis for axis in AXES if motion is None or axis not in motion.sources or motion.watched.get(axis, 1.0) < least)


def unwatched_words(lacking: tuple[str, ...], motion: Independent | None = None) -> Iterator[Finding]:
    """Return the finding that on the axes `lacking` nothing independent watched a fused solution, and why what was given does not count."""
    if motion is not None and motion.refused:
        yield Finding("witness_refused", "problem", f"{listing(motion.refused)[0].upper()}{listing(motion.refused)[1:]}: what does not move with the car "
                      "says nothing of it, and counts as not given. Recorded on another drive, another clock or with other axes or units?", {"refused": list(motion.refused)})
    if lacking:
        where = listing(AXES[axis][0] for axis in lacking)
        what = AXES[lacking[-1]][1]  # what watches the last watches those before it as well
        partly = [share for axis, share in (motion.watched if motion is not None else {}).items() if axis in lacking]
        given = motion.refused if motion is not None else ()
        ask = f"What was given does not count: {listing(given)}." if given else f"Give {what} to have it checked."
        only = f" but for {100 * min(partly):.0f} % of the time in motion" if partly else ""
        yield Finding("fused_unwatched", "warning", (
            f"Nothing independent watched this fused solution {where}{only}: a wrong fix that it took slowly while it stayed fixed would not show there, and what was "
            f"fixed without a loss rests on the receiver's word. {ask}"), {"axes": list(lacking)})


def _slow_words(slews: Slews, motion: Independent | None) -> Iterator[Finding]:
    if motion is not None and len(slews.spans):
        largest = float(np.hypot(*slews.step[:, :2].T).max())
        words = " and ".join(dict.fromkeys(motion.sources.values())) or "the stand of the car"
        yield Finding("slow_steps", "warning", f"The fused solution moved slowly against {words} {_times(len(slews.spans))}, by up to "
                      f"{largest:.2f} m in plan: wrong fixes are taken and left this way.", {"count": len(slews.spans)})


def _swing_words(opinion: SecondOpinion) -> Iterator[Finding]:
    swings = opinion.waves
    if len(swings.spans):
        seconds = float((swings.spans[:, 1] - swings.spans[:, 0]).max())
        yield Finding("slow_swings", "warning", f"While fixed the position swung slowly against its velocity, or in height against other "
                      f"passes of the road, {_times(len(swings.spans))}, by up to {swings.size.max():.2f} m in plan and within {seconds:.0f} s at the longest: slow multipath does this.",
                      {"count": len(swings.spans), "size_m": float(swings.size.max())})


def road_words(road: Seconds) -> Iterator[Finding]:
    """Return the finding on heights of places that were passed more than once."""
    if not len(road.at_s):
        return
    size = np.abs(road.off_m)
    differing = size > DIFFERS * road.sigma_m
    said = []
    if not differing.all():
        sigma = float(np.median(size[~differing])) * SIGMA_PER_MEDIAN
        agree = "agree within" if sigma < thresholds("analyzer.evidence")["road.agreeing"] else "agree no better than to"
        said.append(f"{agree} {100 * sigma:.1f} cm (1 sigma)")
    if differing.any():
        said.append(f"differ for {differing.sum()} s, by up to {size[differing].max():.2f} m: the road did not move, so one of the passes is off")
    yield Finding("road_heights", "warning" if differing.any() else "note",
                  f"For {len(road.at_s)} s the car was where it also passed at another time: the heights of such passes {', but '.join(said)}.",
                  {"seconds": len(road.at_s), "differing_s": int(differing.sum())})


def _alignment_words(doubts: FusedDoubts | None) -> Iterator[Finding]:
    if doubts is not None and np.isfinite(doubts.turned_deg):
        yield Finding("not_aligned", "problem", f"Heading and course of the fused solution differed by up to {doubts.turned_deg:.0f} deg in "
                      "motion: until it aligned its reference point lay beside the true one.", {"turned_deg": doubts.turned_deg})


def _turning_words(opinion: SecondOpinion) -> Iterator[Finding]:
    if opinion.turning is None:
        return
    x = opinion.turning
    if x.is_offset:
        yield Finding("offset_turns_with_car", "warning", f"Positions turn with the car by {x.forward_m:+.2f} m forward and {x.left_m:+.2f} m "
                      f"left (1 sigma {x.sigma_m:.2f} m): the antenna offset that was entered is off by that much, or the output is not at "
                      "the antenna.", {"forward_m": x.forward_m, "left_m": x.left_m, "sigma_m": x.sigma_m})
    else:
        yield Finding("position_and_velocity_apart", "warning", f"Positions stray from the integrated velocity by {x.forward_m:+.1f} m forward and "
                      f"{x.left_m:+.1f} m left of the car (1 sigma {x.sigma_m:.1f} m), more than any antenna offset is wrong: positions and velocity "
                      "are of different moments, or speed or course is not of this car.",
                      {"forward_m": x.forward_m, "left_m": x.left_m, "sigma_m": x.sigma_m})


def _delay_words(opinion: SecondOpinion) -> Iterator[Finding]:
    if opinion.delay_s:
        late = "later" if opinion.delay_s > 0 else "earlier"
        yield Finding("velocity_late", "note", f"Velocity is {1000 * abs(opinion.delay_s):.0f} ms {late} than the positions it is logged with; it was moved by that "
                      "much before the two were held against each other.", {"delay_s": opinion.delay_s})
    if opinion.askew:
        yield Finding("velocity_askew", "note", f"Velocity and positions differ by {1000 * opinion.askew:.2f} m per km of the way driven: a scale of the speed, or a "
                      "conversion between a map and latitude and longitude, does this; it was taken out before the two were held against each other.",
                      {"share": opinion.askew})


def _stray_words(opinion: SecondOpinion) -> Iterator[Finding]:
    if len(opinion.strays):
        worst_s, way_m = opinion.strays[int(np.argmax(opinion.strays[:, 1]))]
        when = pd.Timestamp(worst_s, unit="s", tz="UTC")
        yield Finding("velocity_strays", "warning", f"The logged velocity left the motion of the positions {_times(len(opinion.strays))}, for up to two seconds, "
                      f"at {when:%H:%M:%S} UTC by {way_m:.2f} m of way, while the positions ran on smoothly: speed and course are wrong there, the positions "
                      "were held against velocity put in between.", {"count": len(opinion.strays), "way_m": float(way_m), "worst_utc": when.isoformat()})


def _innovation_words(opinion: SecondOpinion) -> Iterator[Finding]:
    if len(opinion.innovations):
        row = opinion.innovations.iloc[0]
        if not row["low"] <= row["mean"] <= row["high"]:
            side = "more" if row["mean"] > row["high"] else "less"
            yield Finding("innovations", "note", f"The walk between positions scatters {side} than its learnt noise: mean normalised innovation "
                          f"squared {row['mean']:.2f}, expected 2, 95 % bounds {row['low']:.2f} to {row['high']:.2f} for {row['n_eff']:.0f} "
                          "effective samples.", {"mean": float(row["mean"])})


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def blind_spots(
    track: Track, opinion: SecondOpinion, motion: Independent | None, slews: Slews, *, fused: bool, kind_known: bool = True,
    road: bool = False,
) -> tuple[str, ...]:
    """Return what nothing in this recording can show; `road` says whether some places were passed more than once."""
    once = " where the road was passed only once" if road else ""
    out = [WHOLE_DAY] if kind_known else [WHOLE_DAY, KIND_UNKNOWN]
    if fused:
        out += _fused_blind(motion, slews, once)
    elif track.from_places:
        out.append(f"slow multipath while fixed{once}: no speed was logged that is independent of the positions")
    else:
        drift = f"{opinion.noise.wander(30.0):.2f} m" if opinion.noise.learnt else "some centimetres"
        out.append(f"multipath while fixed{once} that moves slower than the Doppler velocity drifts, {drift} (1 sigma per axis) in half a minute")
    return tuple(out)


def _fused_blind(motion: Independent | None, slews: Slews, once: str) -> list[str]:
    """Return what a fused solution cannot show with the sensors at hand."""
    known = set(motion.sources) if motion is not None else set()
    out = [f"slow multipath of a fused solution{once}: its velocity follows its position"]
    if not known:
        return [*out, f"a wrong fix that the fused solution takes slowly{once}: neither inertial data, wheel speed nor heading were given"]
    lacking = [f"{where}: no {what} {'was' if axis == 'across' else 'were'} given" for axis, (where, what) in AXES.items() if axis not in known]
    out += [f"a wrong fix that the fused solution takes slowly {word}" for word in lacking]
    if slews.sigma_m and not lacking:
        worst = 3 * max(slews.sigma_m.values())
        out.append(f"a wrong fix below about {worst:.2f} m that the fused solution takes slowly: three sigma of a step over five seconds")
    return out
