"""Check points: the only evidence of absolute error. What stands on known marks and passes over them show.

Nothing here shifts a position. Differences to unlike or unnamed frames are shown, but say nothing absolute; what turns
with the car needs no frame and is always told.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.evidence import check_point_pass_words as pass_words
from analyzer.evidence import check_point_words as words
from analyzer.evidence.check_point_latency import Latency, latency_from_passes
from analyzer.evidence.check_point_offsets import Offset, Separation, separate
from analyzer.evidence.check_point_passes import PASS_COLUMNS, passes_over_marks, plausible
from analyzer.evidence.check_point_reading import height_error, point_over_mark, used_of
from analyzer.evidence.check_point_stands import COLUMNS, is_pass, stands_on_marks
from analyzer.evidence.check_point_suspect import left_out, suspect_mark, suspect_words
from analyzer.evidence.check_point_words import Height
from analyzer.geodesy import distances
from analyzer.metrics.result import Metrics
from analyzer.recording import Finding, Recording
from analyzer.userfiles.setup_sheet import Setup
from analyzer.wording import few

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
    latency : None without a pass.
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

    @property
    def headless(self) -> int:
        """Return at how many of these the heading of the car is not known."""
        return int(used_of(self.table)["heading_deg"].isna().sum()) if self.used and "heading_deg" in self.table else 0


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
    used = used_of(table)
    wrong = suspect_mark(used, recording.fixes)
    blamed = used["name"] == wrong.name if wrong is not None else pd.Series(False, index=used.index)
    used = used[~blamed]
    found = separate(used)
    height = height_error(used)
    no_plan, no_height = refusals(points, setup)
    passes = plausible(passes_over_marks(points, recording.fixes), framed=not no_plan)
    out = CheckPointResult(
        table, passes, earth_fixed=found.earth if found else None, car_fixed=found.car if found else None,
        height=height, latency=latency_from_passes(passes, stands=found, framed=not no_plan), refused_horizontal=no_plan,
        refused_vertical=no_height, consistent=found is None or found.consistent,
        marks={int(i): str(n) for i, n in zip(table["standstill_id"], table["name"], strict=True)},
    )
    out = replace(out, bound_m=_bound(out), absolute=_absolute(out, assumed))
    lost = _not_visited(table, points)
    if lost and out.used:
        out = replace(out, absolute=f"{out.absolute}; no stand was found on {few(lost, 3)}")
    if wrong is not None:
        out = replace(out, absolute=f"{out.absolute}; {left_out(wrong)}")
        assumed = [*assumed, suspect_words(wrong, int(blamed.sum()))]
    return replace(out, findings=(*_matching(table, points, recording), *assumed, *_findings(out, found, setup, points, _geoid(recording))))


def _geoid(recording: Recording) -> float:
    """Return the geoid separation that was logged [m], NaN without any."""
    geoid = recording.fixes["geoid_separation_m"].to_numpy(np.float64)
    return float(np.nanmedian(geoid)) if np.isfinite(geoid).any() else float("nan")


def _absolute(found: CheckPointResult, assumed: Sequence[Finding]) -> str:
    """Return the absolute statement: that of stands, with what was `assumed` for it, and what passes show."""
    by_pass = pass_words.in_short(found.latency, found.passes)
    if found.earth_fixed is None and found.used:
        said = words.HEADINGS_UNKNOWN
    elif found.consistent or found.refused_horizontal or found.earth_fixed is None:
        said = words.absolute(found.earth_fixed, found.car_fixed, found.height, no_plan=found.refused_horizontal, no_height=found.refused_vertical)
    else:
        said = words.DISAGREE
    over = next((f.evidence["over_mark"] for f in assumed if f.code == "check_point_point_assumed"), None)
    said += f"; that holds if the {over} stood over the marks, as was assumed" if over and found.earth_fixed is not None else ""
    if by_pass and found.earth_fixed is None and not found.used:
        return f"checked while moving only, by {by_pass}"
    return f"{said}; {by_pass}" if by_pass else said


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


def bound_parts(found: CheckPointResult, times: pd.DatetimeIndex) -> tuple[Floats, Floats]:
    """Return the horizontal and vertical part of the bound of each epoch [m], for ``bound_check_point_m``.

    What lies along the track alone is not in it: see `Latency.along_m`. One error for the whole drive where the stands agree. Where they do not, an epoch has the larger of what the stand
    before and the stand after it show (upper end, only where it leaves its own interval): the change lies between.
    """
    used = used_of(found.table)
    used = used[np.isfinite(used["offset_e_m"].to_numpy(np.float64))] if len(used) else used
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
    plan += found.latency.earth_bound_m if found.latency is not None and not found.refused_horizontal else 0.0
    tall = found.height
    stated = tall is not None and not found.refused_vertical and tall.significant
    return float(plan), float(abs(tall.value_m) + tall.half_m) if tall is not None and stated else 0.0


def _matching(table: pd.DataFrame, points: pd.DataFrame, recording: Recording) -> list[Finding]:
    """Return findings on points without a stand, and on stands that cannot be used."""
    out = []
    lost = _not_visited(table, points)
    if lost:
        out.append(words.not_visited({name: _nearest_m(points[points["name"].astype(str) == name], recording) for name in lost}))
    loose = table[~table["used"].astype(bool)] if len(table) else table
    if len(loose):
        out.append(words.not_fixed(loose))
    return out


def _not_visited(table: pd.DataFrame, points: pd.DataFrame) -> list[str]:
    """Return the names of marks, other than those that were passed, without a standstill."""
    seen = set(table["name"].astype(str))
    return [n for n in dict.fromkeys(points.loc[~is_pass(points), "name"].astype(str)) if n not in seen]


def _nearest_m(points: pd.DataFrame, recording: Recording) -> float:
    """Return the least distance of a position from `points` of one name [m]; some of many positions, a car is never far from one of them."""
    places = recording.fixes[["latitude_deg", "longitude_deg"]].dropna()
    some = places.iloc[:: max(1, len(places) // 10_000)].to_numpy(np.float64)
    if not len(some):
        return float("nan")
    return min(float(distances(some[:, 0], some[:, 1], a, b).min()) for a, b in zip(points["latitude_deg"], points["longitude_deg"], strict=True))


def _findings(
    found: CheckPointResult, parts: Separation | None, setup: Setup, points: pd.DataFrame, geoid_m: float,
) -> list[Finding]:
    """Return everything worth saying of the offsets."""
    out = [words.refused("plan", found.refused_horizontal)] if found.refused_horizontal else []
    if found.refused_vertical and found.refused_vertical != found.refused_horizontal:
        out.append(words.refused("height", found.refused_vertical))
    if found.latency is not None:
        out.append(pass_words.latency(found.latency, found.passes, framed=not found.refused_horizontal))
    out += [*pass_words.lost(int(is_pass(points).sum()), len(found.passes)), *words.headings(found.table, parts)]
    if parts is None:
        return out
    out.append(words.offsets(parts, found.height, refused=bool(found.refused_horizontal), headless=found.headless))
    if not parts.consistent:
        out.append(words.inconsistent(parts, found.table))
    above = points["antenna_above_mark_m"].to_numpy(np.float64)
    antenna = float(np.nanmedian(above)) if np.isfinite(above).any() else float("nan")
    out += words.heights_apart(used_of(found.table), above)
    out += words.height_sizes(found.height, words.known_heights(setup, antenna_m=antenna), antenna_m=antenna, geoid_m=geoid_m)
    out += words.plan_sizes(parts, setup)
    return out


def nothing() -> CheckPointResult:
    """Return the result of a drive without check points."""
    return CheckPointResult(pd.DataFrame(columns=list(COLUMNS)), pd.DataFrame(columns=list(PASS_COLUMNS)))
