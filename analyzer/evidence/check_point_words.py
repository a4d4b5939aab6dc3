"""What check points show, in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import wording
from analyzer.evidence.check_point_offsets import Offset, Separation
from analyzer.evidence.check_point_stands import BY_COURSE, limits
from analyzer.recording import Finding
from analyzer.userfiles.setup_sheet import Setup

CODE = "check_point"
DISAGREE = "not stated: the stands on marks disagree beyond their uncertainty"
HEADINGS_UNKNOWN = ("not stated in plan: the heading at the stands is not known, so that the stated antenna offset is not told from an error; "
                    "state heading_deg in the check points file")
NO_MARKS = "The check points file holds no mark, only a header: nothing was checked against known coordinates."


@dataclass(frozen=True)
class Height:
    """Height error [m], half width of its 95 % interval [m], and the number of stands."""

    value_m: float
    half_m: float
    stands: int

    @property
    def significant(self) -> bool:
        """Whether the interval leaves out zero."""
        return abs(self.value_m) > self.half_m


def absolute(
    earth: Offset | None, car: Offset | None, height: Height | None, *, no_plan: str, no_height: str,
) -> str:
    """Return the absolute statement in one sentence."""
    if earth is None:
        return "not checked: no fixed stand on a known mark"
    wrong = f"; car-fixed error (antenna offset) {_vector(car)}" if car is not None and car.significant else ""
    if no_plan:
        return f"refused: {no_plan}{wrong}"
    what = "earth-fixed offset" if car is not None else "offset (earth-fixed and car-fixed not told apart)"
    text = f"checked on {wording.count(earth.stands, 'stand')}: {what} {_vector(earth)}"
    if not earth.significant:
        text += f", within its uncertainty; up to {_length(earth.unseen_m)} would not have shown"
    text += wrong
    if no_height or height is None:
        return f"{text}; height not stated: {no_height or 'no height was logged'}"
    return f"{text}; height {_signed(height.value_m)} ± {_length(height.half_m)}"


def refused(what: str, reason: str) -> Finding:
    """Return why no absolute statement is made."""
    frames = any(word in reason for word in ("frame", "epoch", "height type", "geoid"))
    more = " The differences are shown, but they may be the difference between two frames." if frames else ""
    text = f"No absolute statement is made in {what}: {reason}.{more}"
    return Finding(f"{CODE}_refused", "warning", text, {"part": what})


def not_visited(nearest_m: Mapping[str, float]) -> Finding:
    """Return the points on which no standstill was found, with how near a position came [m]."""
    names = ", ".join(f"{name} (nearest position {wording.length(away)} away)" for name, away in nearest_m.items())
    return Finding(f"{CODE}_not_visited", "warning", (
        f"No standstill was found on {names}: check its coordinates and times, and stand for at least 5 s."),
        {"names": list(nearest_m), "nearest_m": list(nearest_m.values())})


def not_fixed(stands: pd.DataFrame) -> Finding:
    """Return the stands that were not fixed."""
    names = ", ".join(dict.fromkeys(f"{n} ({s})" for n, s in zip(stands["name"], stands["fix_state"], strict=True)))
    text = f"Stands that were not fixed say nothing of centimetres and are left out: {names}."
    return Finding(f"{CODE}_not_fixed", "note", text, {})


def assumed_plan(output_point: str | None, arm_m: float, *, fits: bool = True, but_for: str = "") -> Finding:
    """Return that the other point of the car is taken to have stood over the marks; `but_for` is the axis whose sign does not fit."""
    antenna = output_point == "reference_point"
    over, logged = ("antenna", "reference point") if antenna else ("reference point", "antenna")
    how = "fit" if fits or but_for else "come nearest to"
    text = (f"The offsets {how} the {over} standing over the marks, {_length(arm_m)} from the logged {logged} by the "
            f"set-up sheet; they are given for that point.")
    text += f" That is so but for the sign of antenna_{but_for}_m: it is the other way round." if but_for else ""
    text += "" if fits or but_for else " What is left is beyond its uncertainty: another point of the car may have stood there."
    if antenna:
        text += (" A wrong antenna offset shows that way only where the receiver was set to other values than the "
                 "set-up sheet states; stand with the reference point over the mark to see the rest.")
    return Finding(f"{CODE}_point_assumed", "warning", text, {"over_mark": over})


def assumed_height(output_point: str | None, up_m: float) -> Finding:
    """Return that the height in the file is taken to belong to the other point of the car."""
    over = "antenna" if output_point == "reference_point" else "reference point"
    return Finding(f"{CODE}_height_assumed", "warning", (
        f"antenna_above_mark_m fits the height of the {over}, {_length(abs(up_m))} from the logged point by the set-up "
        "sheet, and is read so; state the height of the logged point."), {"over_mark": over})


def offsets(parts: Separation, height: Height | None, *, refused: bool, headless: int = 0) -> Finding:
    """Return the offsets with their intervals; at `headless` of the stands the heading is not known."""
    facing = f"the heading at {headless} of them too little known" if headless and parts.earth.stands > 1 else "its heading not known" if headless else ""
    earth, car = parts.earth, parts.car
    seen = [earth] if car is None else [earth, car]
    strong = any(o.significant for o in seen) or (height is not None and height.significant)
    if car is None:
        text = (f"{wording.count(earth.stands, 'fixed stand')} on marks {'lies' if earth.stands == 1 else 'lie'} {_vector(earth)} off the known place, "
                f"{facing or 'facing too much the same way'} to tell a wrong base from a wrong antenna offset: stand on one mark facing both ways"
                f"{' and state heading_deg' if facing else ''}.")
    else:
        text = (f"{earth.stands} fixed stands on marks facing different ways: earth-fixed error (base or frame) "
                f"{_vector(earth)}, {_weight(earth)}; car-fixed error (antenna offset) {_vector(car)}, {_weight(car)}.")
    if height is not None:
        text += f" Height: {_signed(height.value_m)} ± {_length(height.half_m)} (base and antenna height together)."
    if refused:
        text += " Without a common frame only the car-fixed part is an error of this drive."
    evidence = {"earth_m": earth.value_m, "earth_half_m": earth.half_m, "car_m": car.value_m if car else None,
                "car_half_m": car.half_m if car else None, "height_m": height.value_m if height else None}
    return Finding(f"{CODE}_offsets", "warning" if strong else "note", text, evidence)


def headings(table: pd.DataFrame, parts: Separation | None) -> list[Finding]:
    """Return which stands are left out because their heading is not known, and which headings rest on the course."""
    used = table[table["used"].astype(bool)] if len(table) else table
    if not len(used):
        return []
    unknown, out = used[used["heading_deg"].isna()], []
    lost = unknown if parts is not None and parts.car is not None else unknown[unknown["offset_e_m"].isna()]
    if len(lost):
        names = ", ".join(f"{n} {t:%H:%M:%S}" for n, t in zip(lost["name"], lost["start_utc"], strict=True))
        out.append(Finding(f"{CODE}_heading_unknown", "warning", (
            f"{len(lost)} of {wording.count(len(used), 'fixed stand')} on marks {'is' if len(lost) == 1 else 'are'} left out in plan, because the heading there "
            f"is not known: {names}. State heading_deg in the check points file."), {"stands": len(lost)}))
    rolled = used[used["heading_from"].isin(BY_COURSE)]
    if len(rolled) and parts is not None and parts.car is not None:
        out.append(Finding(f"{CODE}_heading_by_course", "note", (
            f"The heading at {wording.count(len(rolled), 'stand')} on marks is the course beside {'it' if len(rolled) == 1 else 'them'}: the car is taken to roll "
            "forward. Where it reversed both ways, state heading_deg in the check points file."), {"stands": len(rolled)}))
    return out


def inconsistent(parts: Separation, table: pd.DataFrame) -> Finding:
    """Return that no single error explains the stands."""
    names = ", ".join(f"{r.name_} {r.start_utc:%H:%M:%S} ({r.offset_e_m:+z.3f}, {r.offset_n_m:+z.3f} m)"
                      for r in table[table["used"].astype(bool) & table["offset_e_m"].notna()].rename(columns={"name": "name_"}).itertuples())
    return Finding(f"{CODE}_inconsistent", "warning", (
        f"The stands disagree beyond their uncertainty (chi-squared {parts.misfit:.1f} per degree of freedom), so no "
        f"single error explains them: the base changed in between, one stand is on a wrong fix, or a mark is wrong. East and "
        f"north offsets: {names}."), {"misfit": parts.misfit})


def known_heights(setup: Setup, *, antenna_m: float) -> list[tuple[float, str]]:
    """Return signed lengths in height and what a height error of that size would mean."""
    base = setup.base.antenna_height_m
    out: list[tuple[float, str]] = []
    if base:
        out += [(base, "the height of the base antenna above its mark: entered twice, or the mark's height was raised to "
                       "the antenna although the receiver adds it"),
                (-base, "the height of the base antenna above its mark: left out at the base")]
    if np.isfinite(antenna_m):
        out += [(antenna_m, "the antenna height above the mark: given as the height of another point, or left out")]
        out += [(-antenna_m, "the antenna height above the mark: taken off twice")]
    if setup.antenna_up_m:
        out += [(s * setup.antenna_up_m, "the height of the antenna above the reference point") for s in (1.0, -1.0)]
    return out


def _geoid_size(height: Height, geoid_m: float) -> list[str]:
    """Return what a height error of about the geoid separation means: geoids of receiver and country differ by far more than positions do."""
    limit = limits()
    apart = abs(abs(height.value_m) - abs(geoid_m))
    coarse = min(limit["size.geoid"], limit["size.geoid_share"] * abs(geoid_m))
    if not (abs(geoid_m) >= limit["size.least"] and apart <= max(limit["size.tolerance"], height.half_m, coarse)):
        return []
    rest = f" to within {_length(apart)}, as coarse as geoids are" if apart > max(limit["size.tolerance"], height.half_m) else ""
    return [f"the geoid separation of the log, {_length(abs(geoid_m))},{rest}{',' if rest else ''} so one height is ellipsoidal and the other above the geoid"]


def height_sizes(
    height: Height | None, known: list[tuple[float, str]], *, antenna_m: float = float("nan"), geoid_m: float = float("nan"),
) -> list[Finding]:
    """Return findings on a height error that has the size of a known length, or of an antenna height that was left out.

    `antenna_m` is the antenna height above the mark as stated: an antenna of a car is never on the ground. `geoid_m` is the geoid
    separation of the log.
    """
    limit = limits()
    if height is None or not height.significant or abs(height.value_m) < limit["size.least"]:
        return []
    reach = max(limit["size.tolerance"], height.half_m)
    near = [text for size, text in known if abs(size) >= limit["size.least"] and abs(height.value_m - size) <= reach]
    near += _geoid_size(height, geoid_m)
    if abs(antenna_m) < limit["size.least"] and limit["size.antenna_least"] <= height.value_m <= limit["size.antenna_most"]:
        near.append(f"as high as an antenna of a car stands above a mark, and antenna_above_mark_m is given as {_length(antenna_m)}: "
                    "the antenna height was left out")
    return [Finding(f"{CODE}_suspicious_size", "problem", f"The height error of {_signed(height.value_m)} is {text}.", {
        "height_m": height.value_m}) for text in dict.fromkeys(near)]


def heights_apart(stands: pd.DataFrame, above_m: NDArray[np.float64]) -> list[Finding]:
    """Return a finding where stands disagree in height; `above_m` are the antenna heights of the file, which may differ by as much."""
    limit = limits()
    known = stands[np.isfinite(stands["offset_u_m"].to_numpy(np.float64))] if len(stands) else stands
    if len(known) < 2:
        return []
    up = known["offset_u_m"].to_numpy(np.float64)
    apart = float(up.max() - up.min())
    reach = max(limit["size.tolerance"], float(np.hypot(*np.sort(known["half_u_m"].to_numpy(np.float64))[-2:])))
    if apart <= max(reach, limit["size.least"]):
        return []
    names = ", ".join(f"{n} {t:%H:%M:%S} {_signed(u)}" for n, t, u in zip(known["name"], known["start_utc"], up, strict=True))
    stated = float(np.nanmax(above_m) - np.nanmin(above_m)) if np.isfinite(above_m).any() else 0.0
    same = stated >= limit["size.least"] and abs(apart - stated) <= reach
    why = (f"as the antenna heights in the file do (antenna_above_mark_m {_length(float(np.nanmin(above_m)))} to "
           f"{_length(float(np.nanmax(above_m)))}): one of them is wrong" if same else
           "beyond their uncertainty: an antenna height or the height of a mark is wrong, or the base changed in between")
    return [Finding(f"{CODE}_{'suspicious_size' if same else 'heights_apart'}", "problem" if same else "warning",
                    f"The heights of the stands differ by {_length(apart)}, {why}. {names}.", {"apart_m": apart})]


def plan_sizes(parts: Separation, setup: Setup) -> list[Finding]:
    """Return findings on plan errors that have the size of a frame shift or of an antenna offset."""
    limit, out = limits(), []
    earth, car = parts.earth, parts.car
    if parts.consistent and earth.significant and limit["size.plate_least"] <= earth.size_m <= limit["size.plate_most"]:
        years = earth.size_m / limit["size.plate_mpy"]
        what = (f"An earth-fixed error of {_length(earth.size_m)} towards {_towards(earth)}" if car is not None else
                f"As far as the {_length(earth.size_m)} towards {_towards(earth)} are earth-fixed, which the stands do not tell, that size")
        out.append(Finding(f"{CODE}_suspicious_size", "warning", (
            f"{what} is also what {years:.0f} years of "
            f"plate motion at {limit['size.plate_mpy'] * 100:g} cm a year make: ask for frame and epoch of base and marks "
            "before blaming the base antenna."), {"size_m": earth.size_m, "years": years}))
    if car is None or not car.significant:
        return out
    arm = setup.antenna_forward_m, setup.antenna_left_m
    for name, value, half, stated in zip(("forward", "left"), car.value_m, car.half_m, arm, strict=True):
        if stated and abs(stated) >= limit["size.least"]:
            out += _arm_size(name, value, half, stated, output_point=setup.output_point)
    return out


def _arm_size(name: str, value: float, half: float, stated: float, *, output_point: str | None) -> list[Finding]:
    """Return a finding where a car-fixed error along an axis has the size of the antenna offset `stated` there, or twice that; lengths in m.

    A receiver that subtracts a true offset with the wrong sign errs by twice that offset and with its sign; a sheet with the wrong sign makes it
    the other one.
    """
    near, other = limits()["size.tolerance"], value * stated < 0
    if abs(abs(value) - 2 * abs(stated)) <= max(near, half):
        where = f"antenna_{name}_m has" if other else f"the receiver was set to the offset with the other sign, or antenna_{name}_m has"
        level, text = "problem", (f"twice the stated antenna offset of {_signed(stated)}{' and of the other sign' if other else ''}: {where} the wrong sign "
                                  "(ISO 8855: forward and left are positive).")
    elif abs(abs(value) - abs(stated)) <= near and other and output_point == "antenna":
        level, text = "problem", (f"as long as the stated antenna offset of {_signed(stated)} and of the other sign: the reference point stood over the mark, "
                                  f"and antenna_{name}_m has the wrong sign (ISO 8855: forward and left are positive).")
    elif abs(abs(value) - abs(stated)) <= near:
        level, text = "warning", "the stated antenna offset itself: it was left out, or counted twice, or another point stood over the mark."
    else:
        return []
    return [Finding(f"{CODE}_suspicious_size", level, f"The car-fixed error {name} of {_signed(value)} is {text}", {"axis": name})]


def _weight(offset: Offset) -> str:
    return "which chance does not explain" if offset.significant else "which agrees with none"


def error_in_words(offset: Offset) -> str:
    """Return the error along both axes with the half widths of their 95 % intervals."""
    return _vector(offset)


def _vector(offset: Offset) -> str:
    pairs = zip(offset.axes, offset.value_m, offset.half_m, strict=True)
    return ", ".join(f"{axis} {_signed(v)} ± {_length(h)}" for axis, v, h in pairs)


def _towards(offset: Offset) -> str:
    """Return the direction of an earth-fixed error."""
    angle = np.degrees(np.arctan2(offset.value_m[0], offset.value_m[1])) % 360.0
    names = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
    return names[int((angle + 22.5) // 45.0) % 8]


def _signed(metres: float) -> str:
    return f"{metres:+z.3f} m"


def _length(metres: float) -> str:
    return f"{metres:.3f} m"
