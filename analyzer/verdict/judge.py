"""Trust of every epoch for a purpose (DEVELOPERS.md, Result folder)."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from functools import cache
from importlib import resources

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.assessment import Purpose
from analyzer.tables import TRUST
from analyzer.verdict.purposes import limit_95

Flags = NDArray[np.bool_]
#: Version of the rules in this module, `windows` and `run`; a change that can change a verdict raises it.
#: 2: a heading that calls itself other than autonomous (THS) is doubtful in a fused solution; more solutions are found to be fused.
#: 3: a step of the position when corrections return weighs for or against another base; the frame of a stranger's base and ages of corrections
#: beyond half a minute count for more; stretches under one foreign station are decided as one.
#: 4: heights of other passes of the same place weigh for or against wrong fixes, other frames and slow swings, also in a fused solution and
#: without speed; a swing of 3 cm and more is a doubt, 2 cm before; a fused solution is asked what the base did from 20 s of outage on.
#: 5: velocity that comes late is moved onto the positions; claims of other states at the stand where the fix came, and a claim until the
#: next, tell of those of fixed; errors of inertial sensors that follow the motion are taken out; what old corrections add is an error of
#: its own and adds by squares; which of two whole stretches is off in height is weighed by stretches, and passes under a stranger's base
#: are no witnesses; large steps behind an outage, of 6 s and more, are believed more readily; an unseen wrong fix may reach 0.8 m.
#: 6: a window's time is held by its epochs: without a trusted one none of it is trusted, however short it is; an age, a count of
#: satellites or a channel that the purpose needs and that is not known makes an epoch not evaluated; a window has a rate of its own.
#: Also: a moved base keeps its frame behind later losses; bad moments come to steps of all stretches alike; noise of a tenth of the claim
#: shows a fused solution; what stands in another frame is called so; beside what hides a part of the sky a position is good to 8 cm at most;
#: spikes of one or two epochs at a few epochs per second are told from their neighbours.
#: 7: a fused solution that neither wheel speed nor raw inertial data watched is not evaluated for slow wrong fixes, and so never fit for limits
#: that such a fix would break; trust and bounds of its epochs are as before.
#: Also: slow steps count along each axis as well as that axis was watched; what an antenna ahead of the axle, slip and the scale of a gyro
#: leave across the track in bends is taken out; a slow step that no wrong fix makes is a bad moment of the sensor.
#: 8: which side of a jump is wrong is weighed by how the side before it began and how long it lasted, in place of a share for all: twenty minutes
#: are not wrong because the last one jumped; heights of a road are not carried over more than 40 s; what of velocity follows the way driven
#: (scale, direction, map grids) is taken out, and late velocity is led on beyond the end of a log; a claim that has grown as much as the
#: dilution, and twice over, stands beside what hides a part of the sky; an antenna ahead of the axle or beside the middle of the car is neither
#: a clock nor a slow step, and a step in height that no wrong fix makes is the road's.
#: 9: behind a stretch that sensors alone carried, a fused solution is not at once as good as its claims; drift at a stand that is gone on
#: driving on bears on the bound there alone; heights that agree across a jump speak against either side; a fused solution that surely
#: moved against its own velocity swings; slow steps at stands count once, those in height for 2.5 sigmas at most; where one of two stands
#: swings far the other tells what claims are worth; a fused fix whose entry moved by nobody knows how much is not confirmed.
#: 10: behind a slow step of a fused solution whose end nothing would have shown, either side of it is doubtful; heights between stretches
#: count at their own time, so that a slope is no step; what hides a part of the sky for a few seconds is no doubt by itself; small claims
#: that stands confirm lower the floor of the bound.
#: 11: velocity at a lower rate than positions leads through the epochs between, where it had ended stands, noise and stretches at each of
#: them; heights beside a gap on the only hill of a flat drive are no step; a pause of the log no longer ends the search for slow swings;
#: speed in another unit than that of the positions, claims of a size that no solution has and an age that stands still are not used; a
#: window of which exclusions leave less than half was not driven, and one of which they leave nothing is left out whether they name it or
#: its time.
#: 12: a step that the receiver draws out over some seconds, because it smooths its positions, is a step: the wrong fix that it mends or
#: takes stands by itself, and what lies beyond it is no longer doubted for not fitting.
#: 13: a velocity that strays for a moment while the positions run on smoothly is no step of the position; a car that creeps without a logged
#: course moves on the course it had or takes; swings of the position count for less where the car is fast all along and velocity has heavy tails; spikes of some tenths
#: of a second at high rates do not speak against the claims; what was driven during a pause tells of no antenna offset.
#: 14: a single bump of a decimetre and more is looked for beside noisy velocity; across a gap the way is as unsure as scale and direction of the
#: velocity are; an outage of corrections bears on the bound until the position is back, and velocity made from positions shows no ageing; a
#: fused fix that was watched for two minutes and never left is confirmed, and behind a wrong one taken anew the mended side is not doubted.
#: What passes over marks show along the track (latency, an offset along) is in the bound, and grows with the speed; the survey error of
#: a mark is one for all its stands; a course on one side of a stand is a heading only where the car was too fast to have reversed; a
#: significant offset at marks is put down to the frame only where the antenna offset is told from it.
#: A position without a fix state is not evaluated and has no bound; it had the class of no position.
#: 15: time in which epochs are missing counts against a run, but for pauses; what breaks a limit, a rate among them, is not fit whatever else
#: is not recorded. Velocity is turned into the axes of the positions where no position is logged, too, with what climbing adds far from the
#: origin; a course that points against the motion is turned about; over a leap second one second more passes. White noise stands for no
#: more of the error than long stands showed, and what is added to claims that stands disprove grows by degrees.
#: 16: a sensor that does not move with the solution, or speaks for a part of the drive only, has not watched it (data of another day had made a
#: fused run fit), and is not moved to another lap; heights of passes that go on parting are those of two roads and no error; a heading that is
#: off on all straights is off in its bound. A pass whose crossing falls into a gap of the positions takes in the gap; a joined row whose bound
#: exceeds the limit by what is not known of its clock is doubtful.
#: 17: one step of all positions that both sides outlive is the frame of the base, with no loss and no other station too, and what lies behind it
#: is off (a base knocked over by 0.15 to 0.2 m had passed as confirmed on both sides); the step from one epoch to the next is measured as
#: such. A step of many sigmas is no bad moment of the velocity in one case of twenty but of a hundred. A base is set up anew once, however
#: often radio is lost. A slow step that began before the car stood is seen in part; starts and stops beside a stand are no slow steps.
#: Storeys and ramps silence the road where they are, not everywhere; velocity errors of a second or two are no swings. Of a long stand only
#: the pieces in which the position strays are worse. A stand ends at a pause of the log, and an hour between two stands is a pause in which
#: nothing is missing; a base that the sheet states on another continent makes no position bad; an outage within the published growth of its
#: error is doubtful, not rejected.
#: 18: gentle starts and stops, and a car that creeps along a queue, are no stands (the way they cover had passed for an error of the position, and
#: up to two thirds of clean drives were rejected). On a straight road the ways east and north take no huge shares against each other, which had
#: been led on over an outage as tens of metres. Seconds without velocity are carried across by what the drive tells of such seconds, and by gyro
#: and wheels. What turns with the car turns evenly in slow turns; rounding of the speed adds up; heights that mostly do not return speak against
#: nothing. Of a slow step that a stand shows in part, half of what its pace leaves open is taken to have happened.
#: 19: a run whose planned lines were not all passed is fit with exclusions. A log that begins fixed does not show how that fix was taken: where
#: one step parts it from what lies behind, neither side is taken for right that easily. Of what a stand shows, slow errors are enlarged by its
#: length and white noise is not. The road confirms a fused fix from where it is met on; a fix that was wrong for its first minute had passed.
#: 20: what changes within two seconds of a stand is all seen there and is not enlarged. A base so many kilometres away adds what data sheets state
#: for both axes together, not per axis. Gaps of a few seconds no longer pass for an antenna offset that turns with the car, nor the scatter of a
#: few windows for a velocity that is late: both had been taken out of positions that were right.
#: Where no speed was logged a sharp step in height parts what lies before and behind it; it had been listed and judged nothing. To stray at
#: a stand by less than the base bound says no more than that bound.
#: 21: a step in height that no car drives over parts what lies before and behind it also where speed was logged, and is measured from the heights
#: beside it; on a slope it had been looked for at the wrong epoch. The bound of heights holds what heights show: the offset of a stretch that is
#: wrong or doubtful, and steps that were listed and left it as it was.
RULES_VERSION = "21"
BOUND_OF_AXIS = {
    "horizontal": "horizontal_bound_m",
    "vertical": "vertical_bound_m",
    "along": "along_bound_m",
    "across": "across_bound_m",
    "speed": "speed_bound_mps",
    "heading": "heading_bound_deg",
}
POSITION_AXES = ("horizontal", "vertical", "along", "across")
#: Parts that name the reason when a position bound is too large.
PART_REASON = {
    "bound_ageing_m": "age",
    "bound_baseline_m": "baseline",
    "bound_scatter_m": "scatter",
    "bound_segment_m": "segment",
    "bound_bridge_m": "bridge",
    "bound_standstill_m": "standstill",
    "bound_sky_m": "sky",
    "bound_frozen_m": "frozen",
    "bound_check_point_m": "check_point",
    "bound_alignment_m": "alignment",
    "bound_settling_m": "settling",
}
#: The largest part is named when it makes up at least this share of the bound, others from the larger share on.
NAMED_SHARE, ALSO_NAMED_SHARE = 0.2, 0.5


@cache
def reason_texts() -> dict[str, str]:
    """Return reason code -> what it says, in the published order."""
    text = resources.files("analyzer.verdict").joinpath("reasons.toml").read_text(encoding="utf-8")
    return {code: entry["text"] for code, entry in tomllib.loads(text).items()}


def judge(
    bounds: pd.DataFrame, epochs: pd.DataFrame, purpose: Purpose, *, lacking: Sequence[str] = ()
) -> tuple[pd.Categorical, pd.Categorical]:
    """Return trust and joined reason codes of every epoch.

    Parameters
    ----------
    bounds : `Evidence.bounds`.
    epochs : needs ``fix_state correction_age_s satellites_used``; same index. Without a fix state no position can be evaluated.
    purpose : limits, read as 95 % figures and multiplied by the purpose's margin before comparison.
    lacking : channels that the purpose requires and that were not recorded; with one of them no epoch can be evaluated.
    """
    rows = len(bounds)
    reasons: dict[str, Flags] = {code: np.zeros(rows, dtype=bool) for code in reason_texts()}
    by_axis, shown_beyond, unknown = _against_limits(bounds, purpose)
    placed = (
        np.isfinite(bounds["horizontal_bound_m"].to_numpy())
        & (epochs["fix_state"] != "no_fix").to_numpy()
    )
    contradicted, undecided = bounds["contradicted"].to_numpy(bool), bounds["undecided"].to_numpy(bool)
    too_old, too_few, untold = _beyond_plain_limits(epochs, purpose)
    stateless = placed & without_state(epochs) & any(limit.quantity == "position" for limit in purpose.limits)
    for axis in POSITION_AXES:
        by_axis[axis] &= ~stateless
    shown_beyond &= ~stateless  # what is shown starts from the class, too
    unknown |= untold | stateless | bool(lacking)
    rejected = ~placed | contradicted | shown_beyond
    doubtful = np.logical_or.reduce([*by_axis.values(), undecided, too_old, too_few])
    trust = np.select([rejected, unknown, doubtful], [2, 3, 1], default=0)
    reasons["no_position"] = ~placed
    reasons["not_recorded"] = unknown & placed
    reasons["age_limit"], reasons["satellites_limit"] = too_old, too_few
    reasons["speed"], reasons["heading"] = placed & by_axis["speed"], placed & by_axis["heading"]
    plan = by_axis["horizontal"] | by_axis["along"] | by_axis["across"] | contradicted | undecided
    _name_parts(bounds, epochs, placed & plan, reasons)
    _name_parts(bounds, epochs, placed & by_axis["vertical"], reasons, prefix="vertical_")
    _name_frames(bounds, reasons)
    return categories(trust, list(TRUST)), _join_codes(reasons)


def without_state(epochs: pd.DataFrame) -> Flags:
    """Return which epochs have no fix state: nothing says of what class their positions are."""
    return epochs["fix_state"].isna().to_numpy(dtype=bool)


def _against_limits(bounds: pd.DataFrame, purpose: Purpose) -> tuple[dict[str, Flags], Flags, Flags]:
    """Return by axis whether the bound exceeds a limit, whether a shown bound does, and whether a needed bound is missing."""
    rows = len(bounds)
    shown, unknown = (np.zeros(rows, dtype=bool) for _ in range(2))
    beyond = {axis: np.zeros(rows, dtype=bool) for axis in BOUND_OF_AXIS}
    for limit in purpose.limits:
        bound = bounds[BOUND_OF_AXIS[limit.axis]].to_numpy(np.float64)
        most = limit_95(limit)
        unknown |= ~np.isfinite(bound)
        beyond[limit.axis] |= bound * purpose.margin > most
        if limit.axis == "vertical":
            shown |= bounds["shown_vertical_m"].to_numpy(np.float64) > most
        elif limit.quantity == "position":
            share = bound / bounds["horizontal_bound_m"].to_numpy(np.float64)
            shown |= bounds["shown_horizontal_m"].to_numpy(np.float64) * share > most
    return beyond, shown, unknown


def _beyond_plain_limits(epochs: pd.DataFrame, purpose: Purpose) -> tuple[Flags, Flags, Flags]:
    """Return whether age, or satellites, miss the purpose's own limits, and whether one that it limits is not known."""
    old, few, untold = (np.zeros(len(epochs), dtype=bool) for _ in range(3))
    if purpose.largest_age_s is not None:
        age = epochs["correction_age_s"].to_numpy(np.float64)
        old, untold = age > purpose.largest_age_s, untold | np.isnan(age)
    if purpose.least_satellites is not None:
        count = epochs["satellites_used"].to_numpy(np.float64)
        few, untold = count < purpose.least_satellites, untold | np.isnan(count)
    return old, few, untold


def _name_parts(bounds: pd.DataFrame, epochs: pd.DataFrame, blamed: Flags, reasons: dict[str, Flags], *, prefix: str = "") -> None:
    """Set the reason codes of the blamed epochs from the parts of their horizontal bound, with a prefix of their vertical one."""
    if not blamed.any():
        return
    total = bounds["vertical_bound_m" if prefix else "horizontal_bound_m"].to_numpy(np.float64)
    codes = {f"{prefix}{part}": code for part, code in PART_REASON.items() if f"{prefix}{part}" in bounds}
    parts = [np.nan_to_num(bounds[part].to_numpy(np.float64)) / total for part in codes]
    shares = np.column_stack(parts) if parts else np.zeros((len(bounds), 0))
    largest = shares.max(axis=1, initial=0.0)
    named = np.zeros(len(bounds), dtype=bool)
    for share, code in zip(shares.T, codes.values(), strict=True):
        found = blamed & ((share >= ALSO_NAMED_SHARE) | ((share >= NAMED_SHARE) & (share == largest)))
        reasons[code] |= found
        named |= found
    not_fixed = (epochs["fix_state"] != "fixed").to_numpy()
    reasons["state"] |= blamed & not_fixed & ~without_state(epochs)
    reasons["claim"] |= blamed & ~named & ~not_fixed


def _name_frames(bounds: pd.DataFrame, reasons: dict[str, Flags]) -> None:
    """Say of what stands apart in another frame that it does, not that it is a wrong fix."""
    if "other_frame" in bounds:
        elsewhere = reasons["segment"] & bounds["other_frame"].to_numpy(bool)
        reasons["frame"] |= elsewhere
        reasons["segment"] &= ~elsewhere


def categories(codes: NDArray[np.integer], names: list[str]) -> pd.Categorical:
    """Return a categorical of `names` by `codes`."""
    made: pd.Categorical = pd.Categorical.from_codes(codes, categories=names)  # type: ignore[call-overload]
    return made


def _join_codes(reasons: dict[str, Flags]) -> pd.Categorical:
    """Return one category per occurring set of codes, joined by commas; empty for none."""
    codes = list(reasons)
    bits = np.zeros(len(next(iter(reasons.values()))), dtype=np.int64)
    for position, code in enumerate(codes):
        bits |= reasons[code].astype(np.int64) << position
    kinds, index = np.unique(bits, return_inverse=True)
    names = [",".join(c for p, c in enumerate(codes) if kind >> p & 1) for kind in kinds]
    return categories(index, names)
