"""Check points: the only evidence of absolute error. What stands on known marks and passes over them show.

Nothing here shifts a position. Differences to unlike or unnamed frames are shown, but say nothing absolute; what turns
with the car needs no frame and is always told.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.evidence import check_point_words as words
from analyzer.evidence.check_point_offsets import (
    Latency,
    Offset,
    Separation,
    car_to_earth,
    latency_from_passes,
    separate,
)
from analyzer.evidence.check_point_passes import PASS_COLUMNS, passes_over_marks
from analyzer.evidence.check_point_stands import COLUMNS, is_pass, limits, stands_on_marks
from analyzer.evidence.check_point_words import Height
from analyzer.metrics.result import Metrics
from analyzer.recording import Finding, Recording
from analyzer.userfiles.setup_sheet import Setup

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class CheckPointResult:
    """What check points show.

    Attributes
    ----------
    table : stands on marks, layout `check_point_stands.COLUMNS`.
    passes : moments of passing over marks, layout `check_point_passes.PASS_COLUMNS`.
    earth_fixed : error that stays when the car turns (base, frame), or the sum of both where `car_fixed` is None; None
        without a usable stand.
    car_fixed : error that turns with the car (antenna offset), None where stands do not face different ways.
    height : error in height, None where none can be stated; base and antenna height cannot be told apart.
    latency : None without two passes.
    refused_horizontal, refused_vertical : why no absolute statement is made, in words; empty where one is made.
    consistent : False where no single error explains the stands; then look at `bound_parts` for what holds when.
    bound_m : what to add to the horizontal and the vertical bound: upper end of the errors that are significant and may
        be stated, else 0.
    absolute : the absolute statement in one sentence, for ``frame.absolute`` of summary.json.
    marks : standstill id -> name of the mark, for the column ``check_point`` of standstills.csv.
    """

    table: pd.DataFrame
    passes: pd.DataFrame
    earth_fixed: Offset | None = None
    car_fixed: Offset | None = None
    height: Height | None = None
    latency: Latency | None = None
    refused_horizontal: str = ""
    refused_vertical: str = ""
    consistent: bool = True
    bound_m: tuple[float, float] = (0.0, 0.0)
    absolute: str = "not checked: no known mark was visited"
    findings: tuple[Finding, ...] = ()
    marks: Mapping[int, str] = field(default_factory=dict)

    @property
    def used(self) -> int:
        """Return how many stands on marks were fixed, so that they say something."""
        return int(self.table["used"].astype(bool).sum()) if len(self.table) else 0


def check(recording: Recording, metrics: Metrics, setup: Setup, points: pd.DataFrame) -> CheckPointResult:
    """Return what the check points of the user's file show of this drive.

    Parameters
    ----------
    recording, metrics : of the drive; standstills are those of `metrics`.
    setup : the set-up sheet: frame and height type of the base, antenna offsets, base antenna height.
    points : see `analyzer.userfiles.tabular.read_check_points`.
    """
    if points.empty:
        return replace(nothing(), findings=(Finding("check_points_empty", "warning", words.NO_MARKS, {}),))
    table = stands_on_marks(metrics.standstills, points, recording)
    table, assumed = point_over_mark(table, setup)
    passes = passes_over_marks(points, recording.fixes)
    used = _used(table)
    found = separate(used)
    height = height_error(used)
    no_plan, no_height = refusals(points, setup)
    geoid = recording.fixes["geoid_separation_m"].to_numpy(np.float64)
    geoid_m = float(np.nanmedian(geoid)) if np.isfinite(geoid).any() else float("nan")
    out = CheckPointResult(
        table, passes, earth_fixed=found.earth if found else None, car_fixed=found.car if found else None,
        height=height, latency=latency_from_passes(passes), refused_horizontal=no_plan, refused_vertical=no_height,
        consistent=found is None or found.consistent,
        marks={int(i): str(n) for i, n in zip(table["standstill_id"], table["name"], strict=True)},
    )
    sentence = words.absolute(out.earth_fixed, out.car_fixed, height, no_plan=no_plan, no_height=no_height)
    sentence = sentence if out.consistent or no_plan else words.DISAGREE
    out = replace(out, bound_m=_bound(out), absolute=sentence)
    return replace(out, findings=(*_matching(table, points), *assumed, *_findings(out, found, setup, points, geoid_m)))


def refusals(points: pd.DataFrame, setup: Setup) -> tuple[str, str]:
    """Return why no absolute statement can be made in plan and in height, in words; empty where it can."""
    plan = _first(
        _lacking(points, "frame", "the check points file names no frame for"),
        "" if setup.frame else "the set-up sheet does not name the frame of the base (key frame)",
        _unlike(points, "frame", setup.frame),
        _lacking(points, "epoch_year", "the check points file names no epoch (epoch_year) for"),
    )
    height = _first(
        plan,
        _lacking(points, "height_m", "the check points file gives no height for"),
        _lacking(points, "height_type", "the check points file names no height type for"),
        "" if setup.height_type else "the set-up sheet does not name the type of the base height (key height_type)",
        _unlike(points, "height_type", setup.height_type),
        "" if setup.height_type in (None, "ellipsoidal") else (
            "heights are above a geoid, and which geoid model the base height rests on is not known"),
        _lacking(points, "antenna_above_mark_m", "the check points file gives no antenna_above_mark_m (antenna height) for"),
    )
    return plan, height


def _first(*reasons: str) -> str:
    return next((r for r in reasons if r), "")


def _lacking(points: pd.DataFrame, column: str, text: str) -> str:
    """Return `text` with the names of the points whose `column` is empty, or an empty text."""
    values = points[column]
    empty = values.isna() | (values.astype(str).str.strip() == "")
    names = list(dict.fromkeys(points.loc[empty, "name"].astype(str)))
    return f"{text} {', '.join(names)}" if names else ""


def _unlike(points: pd.DataFrame, column: str, stated: str | None) -> str:
    """Return in words that points and base differ in `column`, or an empty text."""
    label = column.replace("_", " ")
    if not stated:
        return ""
    others = sorted({str(v) for v in points[column] if str(v).strip().casefold() != stated.strip().casefold()})
    return f"the {label} of the check points is {', '.join(others)}, that of the base {stated}" if others else ""


def point_over_mark(table: pd.DataFrame, setup: Setup) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the stands with offsets to the point of the car that stood over the mark, and what had to be assumed.

    A file can mean the antenna or the reference point. Where the stated antenna offset explains the stands clearly
    better than none (half the size or less), the other point is taken to have stood over the mark; likewise the height, where
    nothing beyond its uncertainty is left: a height that fits no known point is an error to be named, not one to be explained away.
    """
    arm = np.array([setup.antenna_forward_m, setup.antenna_left_m, setup.antenna_up_m], dtype=np.float64)
    sign = -1.0 if setup.output_point == "reference_point" else 1.0
    if not len(table):
        return table, []
    table, findings = table.copy(), []
    heading = table["heading_deg"].to_numpy(np.float64)
    plan = table[["offset_e_m", "offset_n_m"]].to_numpy(np.float64)
    if np.isfinite(arm[:2]).all() and np.hypot(*arm[:2]) >= limits()["separate.arm"] and np.isfinite(heading).all():
        moved = plan - sign * (car_to_earth(heading) @ arm[:2])
        if np.hypot(*moved.T).max() <= 0.5 * np.hypot(*plan.T).max():
            table["offset_e_m"], table["offset_n_m"] = moved.T
            left_over = separate(_used(table))
            fits = left_over is None or not any(o.significant for o in (left_over.earth, left_over.car) if o is not None)
            findings.append(words.assumed_plan(setup.output_point, float(np.hypot(*arm[:2])), fits=fits))
    up = table["offset_u_m"].to_numpy(np.float64)
    if np.isfinite(up).any() and np.isfinite(arm[2]) and abs(arm[2]) >= limits()["separate.arm"]:
        other = up - sign * arm[2]
        left = height_error(_used(table.assign(offset_u_m=other)))
        fits = left is not None and not left.significant
        if fits and np.nanmax(np.abs(other)) <= 0.5 * np.nanmax(np.abs(up)):
            table["offset_u_m"] = other
            findings.append(words.assumed_height(setup.output_point, float(arm[2])))
    return table, findings


def _used(table: pd.DataFrame) -> pd.DataFrame:
    """Return the stands that say something of centimetres."""
    return table[table["used"].astype(bool)] if len(table) else table


def height_error(stands: pd.DataFrame) -> Height | None:
    """Return the mean height error of `stands` weighted by their sigmas, None where no height difference is known.

    The survey of one mark and the antenna height are common to its stands: the mean is never taken as better than one
    stand's known part, so its sigma is the smallest single one.
    """
    known = stands[np.isfinite(stands["offset_u_m"].to_numpy(np.float64))] if len(stands) else stands
    if not len(known):
        return None
    value, sigma = known["offset_u_m"].to_numpy(np.float64), known["sigma_u_m"].to_numpy(np.float64)
    weight = sigma**-2.0
    mean = float(np.sum(weight * value) / weight.sum())
    scatter = float(np.sqrt(np.sum(weight * (value - mean) ** 2) / max(len(value) - 1, 1) / weight.sum()))
    return Height(mean, float(1.959963984540054 * max(sigma.min(), scatter)), len(value))


def bound_parts(found: CheckPointResult, times: pd.DatetimeIndex) -> tuple[Floats, Floats]:
    """Return the horizontal and vertical part of the bound of each epoch [m], for ``bound_check_point_m``.

    One error for the whole drive where the stands agree. Where they do not, an epoch has the larger of what the stand
    before and the stand after it show (upper end, only where it leaves its own interval): the change lies between.
    """
    used = _used(found.table)
    if found.consistent or not len(used):
        return np.full(len(times), found.bound_m[0]), np.full(len(times), found.bound_m[1])
    plan, half = (np.hypot(*used[[f"{k}_e_m", f"{k}_n_m"]].to_numpy(np.float64).T) for k in ("offset", "half"))
    tall, tall_half = used["offset_u_m"].abs().to_numpy(np.float64), used["half_u_m"].to_numpy(np.float64)
    after = times.searchsorted(pd.DatetimeIndex(used["start_utc"]))
    stand = np.searchsorted(after, np.arange(len(times)), side="right")
    near = np.stack([np.clip(stand - 1, 0, len(used) - 1), np.clip(stand, 0, len(used) - 1)])
    out = [np.where(size > width, size + width, 0.0) * (not no) for size, width, no in (
        (plan, half, found.refused_horizontal), (tall, tall_half, found.refused_vertical))]
    return out[0][near].max(axis=0), np.nan_to_num(out[1])[near].max(axis=0)


def _bound(found: CheckPointResult) -> tuple[float, float]:
    """Return what to add to the bounds: significant errors that may be stated, at the upper end of their interval."""
    parts = [found.car_fixed] + ([found.earth_fixed] if not found.refused_horizontal else [])
    plan = sum(p.upper_m for p in parts if p is not None and p.significant)
    tall = found.height
    stated = tall is not None and not found.refused_vertical and tall.significant
    return float(plan), float(abs(tall.value_m) + tall.half_m) if tall is not None and stated else 0.0


def _matching(table: pd.DataFrame, points: pd.DataFrame) -> list[Finding]:
    """Return findings on points without a stand, and on stands that cannot be used."""
    out = []
    seen = set(table["name"].astype(str))
    lost = [n for n in dict.fromkeys(points.loc[~is_pass(points), "name"].astype(str)) if n not in seen]
    if lost:
        out.append(words.not_visited(lost))
    loose = table[~table["used"].astype(bool)] if len(table) else table
    if len(loose):
        out.append(words.not_fixed(loose))
    return out


def _findings(
    found: CheckPointResult, parts: Separation | None, setup: Setup, points: pd.DataFrame, geoid_m: float,
) -> list[Finding]:
    """Return everything worth saying of the offsets."""
    out = [words.refused("plan", found.refused_horizontal)] if found.refused_horizontal else []
    if found.refused_vertical and found.refused_vertical != found.refused_horizontal:
        out.append(words.refused("height", found.refused_vertical))
    if found.latency is not None:
        out.append(words.latency(found.latency))
    if parts is None:
        return out
    out.append(words.offsets(parts, found.height, refused=bool(found.refused_horizontal)))
    if not parts.consistent:
        out.append(words.inconsistent(parts, found.table))
    above = points["antenna_above_mark_m"].to_numpy(np.float64)
    antenna = float(np.nanmedian(above)) if np.isfinite(above).any() else float("nan")
    out += words.heights_apart(_used(found.table), above)
    out += words.height_sizes(found.height, words.known_heights(setup, antenna_m=antenna, geoid_m=geoid_m), antenna_m=antenna)
    out += words.plan_sizes(parts, setup)
    return out


def nothing() -> CheckPointResult:
    """Return the result of a drive without check points."""
    return CheckPointResult(pd.DataFrame(columns=list(COLUMNS)), pd.DataFrame(columns=list(PASS_COLUMNS)))
