"""Stands of the vehicle in many runs: which of them are on a mark, which at a common parking place."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import geodesy
from analyzer.comparing.car_points import OnePoint, to_one_point
from analyzer.comparing.runs import Run, headings
from analyzer.metrics.base_site_shift import limits

Array = NDArray[np.float64]
#: States whose stands carry evidence of centimetres.
USABLE = ("fixed",)
COLUMNS = (
    "run",
    "place",
    "kind",
    "start_utc",
    "east_m",
    "north_m",
    "up_m",
    "var_e_m2",
    "var_n_m2",
    "var_u_m2",
    "heading_deg",
    "claimed_ratio",
    "above_m",
    "mark_east_m",
    "mark_north_m",
    "mark_up_m",
    "mark_sigma_h_m",
    "mark_sigma_v_m",
)


def stands_of_runs(
    runs: Sequence[Run],
    origin: tuple[float, float, float],
    shifts: Sequence[Array],
    check_points: pd.DataFrame | None,
    *,
    use: Sequence[int] | None = None,
    reference: int = 0,
) -> OnePoint:
    """Return the fixed stands of all runs, of one point of the car, in the layout `COLUMNS` with their places named.

    Parameters
    ----------
    origin : of the local frame shared by all runs.
    shifts : (3,) per run, what to take off before stands are matched by place [m].
    use : indices of the runs whose stands count; default all.
    reference : index of the run that the others are held against.
    check_points : marks; see `analyzer.userfiles.tabular.read_check_points`.
    """

    def one(run: Run) -> pd.DataFrame:
        table = run.result.table("standstills")
        ways, ratio = _ways_and_claim(run, table) if len(table) else (np.zeros(0), np.nan)
        return stands_of(
            run.index,
            table,
            origin=origin,
            shift_m=shifts[run.index],
            headings_deg=ways,
            claimed_ratio=ratio,
            check_points=check_points,
        )

    with ThreadPoolExecutor(2) as pool:
        parts = [p for p in pool.map(one, [runs[i] for i in (range(len(runs)) if use is None else use)]) if len(p)]
    if not parts:
        return OnePoint(pd.DataFrame(columns=list(COLUMNS)))
    found = to_one_point(pd.concat(parts, ignore_index=True), runs, reference=reference, shifts=shifts)
    table = common_places(found.stands, shifts)
    held = {runs[int(i)].name for i in table.loc[table["kind"] == "mark", "run"].unique()}
    told = tuple(f for f in found.findings if f.code == "stands_not_compared" or f.evidence["run"] in held)
    return replace(found, stands=table, findings=told)


def _ways_and_claim(run: Run, standstills: pd.DataFrame) -> tuple[Array, float]:
    """Return the direction of the vehicle per standstill [deg] and the claimed height over horizontal sigma."""
    epochs = run.result.epochs(["course_deg", "speed_mps", "claimed_horizontal_m", "claimed_vertical_m"])
    course, speed, horizontal, vertical = (epochs[c].to_numpy(np.float64) for c in epochs.columns)
    ways = headings(standstills, pd.DatetimeIndex(epochs.index), course, speed)
    ratio = float(np.nanmedian(vertical / horizontal)) if epochs["claimed_vertical_m"].notna().any() else np.nan
    return ways, ratio


def stands_of(
    run: int,
    standstills: pd.DataFrame,
    *,
    origin: tuple[float, float, float],
    shift_m: Array,
    headings_deg: Array,
    claimed_ratio: float,
    check_points: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Return the fixed stands of one run in the layout `COLUMNS`; place and kind are empty but for marks.

    Parameters
    ----------
    run : index of the run.
    standstills : layout of standstills.csv.
    origin : of the local frame shared by all runs.
    shift_m : (3,) what to take off before stands are matched to marks by place: the entered base difference [m].
    headings_deg : (n,) direction of the vehicle per standstill, NaN where unknown.
    claimed_ratio : claimed height over horizontal sigma of the run.
    check_points : marks; see `analyzer.userfiles.tabular.read_check_points`.
    """
    rows = standstills[standstills["fix_state"].isin(USABLE) & standstills["height_m"].notna()]
    if not len(rows):
        return pd.DataFrame(columns=list(COLUMNS))
    at = standstills.index.get_indexer(rows.index)
    east, north, up = geodesy.to_enu(
        *(rows[f"{c}"].to_numpy(np.float64) for c in ("latitude_deg", "longitude_deg", "height_m")), origin=origin
    )
    worth = np.maximum(rows["n_eff"].to_numpy(np.float64), 1.0)
    out = pd.DataFrame(
        {
            "run": run,
            "place": "",
            "kind": "",
            "start_utc": rows["start_utc"].to_numpy(),
            "east_m": east,
            "north_m": north,
            "up_m": up,
            "heading_deg": headings_deg[at],
            "claimed_ratio": claimed_ratio,
        }
    )
    for axis, name in (("e", "var_ee_m2"), ("n", "var_nn_m2"), ("u", "var_uu_m2")):
        out[f"var_{axis}_m2"] = _mean_variance(rows[name].to_numpy(np.float64), worth)
    names = rows["check_point"].to_numpy() if "check_point" in rows else np.full(len(rows), None)
    out["place"] = [str(n) if isinstance(n, str) and n else "" for n in names]
    out = out.reindex(columns=list(COLUMNS))
    if check_points is not None and len(check_points):
        out = _on_marks(out, rows, check_points, origin=origin, shift_m=shift_m)
    out.loc[out["place"] != "", "kind"] = "mark"
    return out


def _mean_variance(variance: Array, worth: Array) -> Array:
    """Return the variance of a mean: widened for the few independent samples behind the variance itself."""
    return np.asarray(variance / worth / (1.0 - 1.0 / np.maximum(worth, 2.0)))


def _on_marks(
    out: pd.DataFrame, rows: pd.DataFrame, marks: pd.DataFrame, *, origin: tuple[float, float, float], shift_m: Array
) -> pd.DataFrame:
    """Name the stands on marks: by the times given for a mark and by place."""
    local = np.stack(
        geodesy.to_enu(
            marks["latitude_deg"].to_numpy(np.float64),
            marks["longitude_deg"].to_numpy(np.float64),
            np.nan_to_num(marks["height_m"].to_numpy(np.float64), nan=origin[2]),
            origin=origin,
        )
    )
    radius = limits()["mark.radius"]
    out = out.copy()
    for i, (start, end) in enumerate(zip(rows["start_utc"], rows["end_utc"], strict=True)):
        away = np.hypot(
            local[0] - (out["east_m"].iloc[i] - shift_m[0]), local[1] - (out["north_m"].iloc[i] - shift_m[1])
        )
        timed = _overlap_s(marks, start, end)
        fits = np.where(np.isnan(timed), away < radius, (timed > 0) & (away < 10 * radius))
        if not fits.any():
            continue
        best = int(np.argmin(np.where(fits, away, np.inf)))
        _fill_mark(out, i, marks.iloc[best], local[:, best])
    return out


def _overlap_s(marks: pd.DataFrame, start: pd.Timestamp, end: pd.Timestamp) -> Array:
    """Return the common time [s] of a stand with each mark's times, NaN where a mark has none."""
    if "start_utc" not in marks or marks["start_utc"].isna().all():
        return np.full(len(marks), np.nan)
    first, last = (pd.to_datetime(marks[c], utc=True) for c in ("start_utc", "end_utc"))
    span = last.where(last < end, end) - first.where(first > start, start)
    return np.asarray(span / pd.Timedelta(seconds=1), dtype=np.float64)


def _fill_mark(out: pd.DataFrame, row: int, mark: pd.Series, local: Array) -> None:
    """Write name, known place and direction of a mark into the stand `row`."""
    label = out.index[row]
    out.loc[label, "place"] = str(mark["name"])
    stated = all(str(mark.get(c) or "") for c in ("frame", "height_type")) and mark.get("height_type") == "ellipsoidal"
    above = float(mark.get("antenna_above_mark_m", np.nan))
    out.loc[label, "above_m"] = above
    if stated and np.isfinite(above) and np.isfinite(float(mark.get("height_m", np.nan))):
        out.loc[label, ["mark_east_m", "mark_north_m", "mark_up_m"]] = [local[0], local[1], local[2] + above]
        for axis, fallback in (("h", 0.01), ("v", 0.02)):
            sigma = float(mark.get(f"sigma_{axis}_m", np.nan))
            out.loc[label, f"mark_sigma_{axis}_m"] = sigma if np.isfinite(sigma) else fallback
    heading = float(mark.get("heading_deg", np.nan))
    if np.isfinite(heading):
        out.loc[label, "heading_deg"] = heading


def common_places(stands: pd.DataFrame, shifts_m: Sequence[Array]) -> pd.DataFrame:
    """Name the stands that several runs share without a mark: ``P1``, ``P2`` …, kind ``parking``.

    Stands are matched after taking off each run's entered base difference `shifts_m` (one per run) [m].
    """
    free = np.flatnonzero((stands["kind"] == "").to_numpy())
    if not len(free):
        return stands
    off = np.array([shifts_m[r] for r in stands["run"].iloc[free]])
    points = stands[["east_m", "north_m"]].to_numpy(np.float64)[free] - off[:, :2]
    labels = _clusters(points, limits()["parking.radius"])
    stands = stands.copy()
    number = 0
    for label in np.unique(labels):
        rows = free[labels == label]
        if stands["run"].iloc[rows].nunique() < 2:
            continue
        number += 1
        stands.loc[stands.index[rows], ["place", "kind"]] = [f"P{number}", "parking"]
    return stands


def _clusters(points: Array, radius: float) -> NDArray[np.int64]:
    """Return a label per point: each joins the nearest centre within `radius` or opens one, in order."""
    centres: list[Array] = []
    labels = np.full(len(points), -1, dtype=np.int64)
    for i, point in enumerate(points):
        away = np.hypot(*(np.array(centres) - point).T) if centres else np.zeros(0)
        if len(away) and away.min() <= radius:
            labels[i] = int(np.argmin(away))
            continue
        labels[i] = len(centres)
        centres.append(point)
    return labels
