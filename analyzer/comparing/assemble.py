"""Put the parts of a comparison together: tables of runs and offsets, and the answer in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import wording
from analyzer.comparing.changes import QUANTITIES
from analyzer.comparing.frame_verdict import LEVELS, Answer
from analyzer.comparing.frames import Frames
from analyzer.comparing.mark_precision import repeat_precision
from analyzer.comparing.offsets import offset_table
from analyzer.comparing.result import Comparison
from analyzer.comparing.runs import Run
from analyzer.recording import Finding
from analyzer.settings import thresholds

if TYPE_CHECKING:
    from analyzer.comparing.walks import Gathered

Array = NDArray[np.float64]


def comparison(
    *,
    runs: Sequence[Run],
    found: Frames,
    told: Sequence[Answer],
    level: str,
    reference: int,
    aligned_to: str | None,
    applied: Array,
    stands: pd.DataFrame,
    gathered: Gathered,
) -> Comparison:
    """Return the whole comparison."""
    notes = findings(runs, found, gathered)
    route = _route_words(runs, gathered)
    name = runs[reference].name if aligned_to else None
    mark = {"aligned_to": name or ""}
    labels = [r.name for r in runs]
    return Comparison(
        level=level,
        sentences=_sentences(runs, told, level, name, applied, notes),
        reference=runs[reference].name,
        aligned_to=name,
        runs=run_table(runs, found=found, told=told, applied=applied, gathered=gathered),
        offsets=offset_table(runs, found, told).assign(**mark),
        cells=gathered.cells,
        passes=_named(gathered.passes, labels).assign(**mark),
        spots=gathered.spots.assign(**mark),
        spot_passes=_named(gathered.spot_passes, labels),
        disagreements=_named(gathered.disagreements, labels),
        changes=gathered.changes,
        trends=gathered.trends,
        frames=found,
        answers=tuple(told),
        route=route,
        precision=repeat_precision(stands, found),
        findings=notes,
    )


def _named(frame: pd.DataFrame, labels: Sequence[str]) -> pd.DataFrame:
    """Return a table with runs by name."""
    codes = frame["run"].to_numpy(np.int64) if len(frame) else np.zeros(0, dtype=np.int64)
    return frame.assign(run=pd.Categorical.from_codes(codes.astype(np.int64), categories=pd.Index(list(labels))))


def run_table(
    runs: Sequence[Run], *, found: Frames, told: Sequence[Answer], applied: Array, gathered: Gathered
) -> pd.DataFrame:
    """Return one row per run."""
    rows = []
    by_run = {s.run: s for s in gathered.samples}
    for run in runs:
        answer, sample = told[int(found.group[run.index])], by_run.get(run.index)
        place = run.base.place or (np.nan,) * 3
        row: dict[str, Any] = {
            "run": run.name,
            "day": run.day,
            "setup": int(found.group[run.index]),
            "start_utc": run.start,
            "end_utc": run.end,
            "verdict": run.verdict,
            "base_latitude_deg": place[0],
            "base_longitude_deg": place[1],
            "base_height_m": place[2],
            "base_source": run.base.source,
            "station_id": run.base.station_id,
            "frames": answer.level,
            "shift_e_m": answer.shift_m[0] if answer.shift_m else np.nan,
            "shift_n_m": answer.shift_m[1] if answer.shift_m else np.nan,
            "shift_u_m": answer.shift_m[2] if answer.shift_m else np.nan,
            "evidence": answer.evidence,
            "applied_e_m": applied[run.index, 0],
            "applied_n_m": applied[run.index, 1],
            "applied_u_m": applied[run.index, 2],
            "share_common_cells": gathered.common[run.index],
            "dropouts": len(run.result.summary.get("dropouts", [])),
            "route_length_m": run.metric("route_length_m"),
            "time_to_first_fixed_s": run.metric("time_to_first_fixed_s"),
        }
        for quantity in QUANTITIES:
            row[quantity.key] = sample.value.get(quantity.key, np.nan) if sample else np.nan
            low, high = sample.interval.get(quantity.key, (np.nan, np.nan)) if sample else (np.nan, np.nan)
            row[f"{quantity.key}_low"], row[f"{quantity.key}_high"] = low, high
        rows.append(row)
    return pd.DataFrame(rows)


def _sentences(
    runs: Sequence[Run],
    told: Sequence[Answer],
    level: str,
    aligned: str | None,
    applied: Array,
    notes: Sequence[Finding],
) -> tuple[str, ...]:
    """Return the answer in words: the overall word, alignment, then every set-up."""
    head = {
        "comparable": "The runs are comparable as they stand",
        "comparable_after_shift": "The runs are comparable only after a shift of their base frames",
        "not_evaluated": "Whether the runs share one base frame is not evaluated",
        "not_comparable": "The runs are not comparable in position",
    }[level]
    out = [head]
    if aligned is not None:
        moved = int((np.linalg.norm(applied, axis=1) > 0).sum())
        out.append(
            f"Positions of {moved} of {len(runs)} runs were shifted to {aligned} by the estimated base "
            "difference for this comparison; "
            "the results themselves stay as logged"
        )
    order = sorted(told, key=lambda a: (-LEVELS.index(a.level), a.evidence == "reference"))
    out += [s for a in order for s in a.sentences]
    out += [f.text for f in notes if f.level == "problem"]
    return tuple(_stop(s) for s in out)


def _stop(text: str) -> str:
    return text if text.endswith(".") else f"{text}."


def _route_words(runs: Sequence[Run], gathered: Gathered) -> str:
    """Say whether the runs share a route."""
    least = thresholds("analyzer.comparing")["route.least_common"]
    if not len(gathered.cells):
        return "No run moved with a position, so no route can be compared."
    alone = [r.name for r in runs if gathered.common[r.index] < least]
    if len(alone) == len(runs):
        return "The runs are on different routes; places are not compared."
    length = len(gathered.cells) * thresholds("analyzer.comparing")["cell.length_m"] / 1000
    words = f"{len(gathered.cells)} cells of 10 m, both directions counted ({length:.1f} km)."
    return words + (f" On other routes: {', '.join(alone)}." if alone else "")


def findings(runs: Sequence[Run], found: Frames, gathered: Gathered) -> tuple[Finding, ...]:
    """Return what a reader must know beside the answer."""
    out = []
    for run in runs:
        if run.base.changes:
            out.append(
                Finding(
                    "base_changed_within_run",
                    "problem",
                    (
                        f"In {run.name} the sent base position changed {wording.count(run.base.changes, 'time')} within the "
                        "run; its positions are in more than one frame"
                    ),
                    {"run": run.name},
                )
            )
    for first, later, shift in found.within:
        east, north, up = shift.vector_m
        out.append(
            Finding(
                "base_shift_within_day",
                "problem",
                (
                    f"Between {runs[first].name} and {runs[later].name}, which share one set-up of the base, "
                    "positions on the marks shift by "
                    f"{east:+.3f} m east, {north:+.3f} m north, {up:+.3f} m up; the antenna was moved in between"
                ),
                {"shift_m": shift.vector_m},
            )
        )
    for setup in found.setups:
        if setup.log_settled is False:
            out.append(
                Finding(
                    "base_log_unsettled",
                    "warning",
                    f"The log at the base of {setup.day} had not settled throughout; coordinates read early in it shift "
                    "all positions of that day",
                    {"day": setup.day},
                )
            )
    if len({r.purpose for r in runs}) > 1:
        out.append(
            Finding(
                "purposes_differ",
                "warning",
                "The runs were judged for different purposes; their trust is not compared like with like",
                {},
            )
        )
    unknown = [r.name for r in runs if r.base.place is None]
    if unknown:
        out.append(
            Finding(
                "base_unknown",
                "warning",
                (
                    f"The base position of {wording.count(len(unknown), 'run')} is not known ({', '.join(unknown[:3])}): "
                    "neither corrections nor set-up sheet state it"
                ),
                {},
            )
        )
    stations = sorted({r.base.station_id for r in runs if r.base.station_id is not None})
    if len(stations) > 1:
        out.append(
            Finding(
                "stations_differ",
                "warning",
                f"The runs used different stations: {', '.join(map(str, stations))}",
                {"stations": stations},
            )
        )
    heights = int((gathered.disagreements["axis"] == "height").sum())
    if heights:
        text = f"At {wording.count(heights, 'stretch', 'stretches')} the height of a fixed pass disagrees with the other fixed passes; one was fixed wrongly"
        out.append(Finding("fixed_disagree", "warning", text, {"stretches": heights}))
    return tuple(out)
