"""Standstills found from the data, and how far positions scatter while the vehicle stands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import geodesy, wording
from analyzer.metrics.fix_state import state_codes, state_name
from analyzer.metrics.heading_mode import usable_heading
from analyzer.metrics.metric import Metric, missing
from analyzer.metrics.motion import Motion, rest_runs
from analyzer.metrics.rate import Timeline
from analyzer.metrics.scatter import METHOD, Scatter, scatter
from analyzer.recording import Finding
from analyzer.settings import thresholds

#: Layout of standstills.csv; further columns follow.
COLUMNS = ("standstill_id", "start_utc", "end_utc", "n", "n_eff", "fix_state", "latitude_deg", "longitude_deg",
           "height_m", "var_ee_m2", "var_nn_m2", "var_en_m2", "var_uu_m2", "cep50_m", "r95_m", "heading_deg",
           "check_point")
MORE = ("drms_m", "two_drms_m", "vertical_68_m", "vertical_95_m", "sep_m", "sigma_major_m", "sigma_minor_m",
        "orientation_deg", "cep50_normal_m", "r95_normal_m", "lag_one", "drift_m", "drifts", "pinned", "no_interval")


@dataclass(frozen=True)
class Standstills:
    """Standstills as a table (layout of standstills.csv), the id per epoch (0 for none), and each one's scatter."""

    table: pd.DataFrame
    ids: NDArray[np.int64]
    scatters: tuple[Scatter, ...]


def standstills(
    fixes: pd.DataFrame, line: Timeline, moves: Motion, *, resolution_m: float = 0.0,
) -> Standstills:
    """Return the standstills of at least 5 s with at least two positions.

    Only epochs of the state that most of a standstill has count towards its scatter, so that a float minute does not
    widen a fixed one, and none of the first and last second, in which the car still creeps. Each standstill has a local
    frame of its own: about a far origin a height that is missing or changes would move the place sideways.
    """
    limit = thresholds("analyzer.metrics")
    runs = rest_runs(moves.moving, line, limit["standstill.shortest_s"])
    codes = state_codes(fixes["fix_state"])
    times = pd.DatetimeIndex(fixes.index)
    ids = np.zeros(len(codes), dtype=np.int64)
    rows: list[dict[str, object]] = []
    scatters: list[Scatter] = []
    for start, end in runs:
        calm = _calm(line, start, end, limit["standstill.trim_s"])
        at = np.arange(start, end)[moves.position[start:end] & calm]
        if len(at) < 2:
            continue
        main = int(np.bincount(codes[at]).argmax())
        at = at[codes[at] == main]
        if len(at) < 2:
            continue
        local_m, origin = own_frame(fixes.iloc[at])
        one = scatter(*local_m, resolution_m=resolution_m)
        ids[start:end] = len(rows) + 1
        rows.append(_row(len(rows) + 1, (times[start], times[end - 1]), main, one, fixes=fixes.iloc[at], origin=origin))
        scatters.append(one)
    table = pd.DataFrame(rows, columns=[*COLUMNS, *MORE])
    return Standstills(table, ids, tuple(scatters))


def own_frame(fixes: pd.DataFrame) -> tuple[NDArray[np.float64], tuple[float, float, float]]:
    """Return east, north, up [m], shape (3, n), about the mean place of `fixes`, and that place.

    East and north lie in the horizontal plane of the mean height; up is NaN where the height is unknown.
    """
    latitude, longitude, height = (
        fixes[c].to_numpy(dtype=np.float64) for c in ("latitude_deg", "longitude_deg", "height_m")
    )
    turn = longitude[0]
    level = float(np.nanmean(height)) if np.isfinite(height).any() else 0.0
    origin = float(latitude.mean()), float(turn + ((longitude - turn + 180.0) % 360.0 - 180.0).mean()), level
    east, north, _ = geodesy.to_enu(latitude, longitude, np.full(len(latitude), level), origin=origin)
    return np.stack([east, north, height - level]), origin


def _calm(line: Timeline, start: int, end: int, trim_s: float) -> NDArray[np.bool_]:
    """Return which epochs of a standstill lie away from its ends; the ends of a log or gap need no trimming."""
    moment = line.seconds[start:end]
    rolled = start > 0 and not line.gap_after[start - 1]
    leaves = end < len(line.seconds) and not line.gap_after[end - 1]
    low, high = moment[0] + trim_s * rolled, moment[-1] - trim_s * leaves
    return np.asarray((moment >= low - 1e-6) & (moment <= high + 1e-6))


def _row(
    number: int, span: tuple[pd.Timestamp, pd.Timestamp], code: int, one: Scatter, *, fixes: pd.DataFrame,
    origin: tuple[float, float, float],
) -> dict[str, object]:
    """Return one row of the table; the mean position is that of the local means."""
    east, north, up = one.mean_m
    place = geodesy.from_enu(east, north, up if np.isfinite(up) else 0.0, origin=origin)
    height = float(place[2]) if np.isfinite(up) else float("nan")
    return {
        "standstill_id": number, "start_utc": span[0], "end_utc": span[1], "n": one.n, "n_eff": one.n_eff,
        "fix_state": state_name(code), "latitude_deg": float(place[0]), "longitude_deg": float(place[1]),
        "height_m": height, "heading_deg": mean_direction(usable_heading(fixes)),
        "check_point": None,
        **{name: getattr(one, name) for name in (*COLUMNS, *MORE) if hasattr(one, name) and name not in ("n", "n_eff")},
    }


def mean_direction(angles_deg: NDArray[np.float64]) -> float:
    """Return the mean of directions [deg, 0 to 360), NaN where none is known."""
    known = angles_deg[np.isfinite(angles_deg)]
    if not len(known):
        return float("nan")
    return float(np.degrees(np.angle(np.exp(1j * np.radians(known)).mean())) % 360.0)


def standstill_metrics(found: Standstills, line: Timeline, moves: Motion) -> list[Metric]:
    """Return count and time at rest, and the scatter of the longest standstill with the best fix state."""
    weight = np.nan_to_num(line.interval_s)
    total = float(weight.sum())
    rest = float(weight[~moves.moving].sum())
    speed = "speed below a threshold, from the speed channel" if moves.from_channel > 0.5 else \
        "speed below a threshold, formed from positions"
    out = [Metric("standstills", len(found.scatters), "1", len(moves.moving), f"{speed}, for at least 5 s")]
    out.append(Metric("share_time_standing", rest / total, "1", len(moves.moving), speed) if total > 0
               else missing("share_time_standing", "1", speed, "fewer than two neighbouring epochs"))
    names = ("cep50_m", "r95_m", "drms_m", "two_drms_m", "vertical_68_m", "vertical_95_m", "sep_m")
    best = _best(found)
    for name in names:
        key = f"standstill_{name}"
        value = getattr(found.scatters[best], name) if best is not None else float("nan")
        if best is None or not np.isfinite(value):
            reason = "no standstill of at least 5 s" if best is None else "most positions there have no height"
            out.append(missing(key, "m", METHOD, reason))
            continue
        one = found.scatters[best]
        note = {"standstill_id": best + 1, "n_eff": one.n_eff, "fix_state": found.table["fix_state"].iloc[best],
                "lag_one": one.lag_one, "no_interval": one.no_interval}
        out.append(Metric(key, value, "m", one.n, METHOD, interval=one.intervals.get(name), evidence=note))
    return out


def _best(found: Standstills) -> int | None:
    """Return the longest standstill among those with the best fix state, or None."""
    if not found.scatters:
        return None
    codes = state_codes(found.table["fix_state"])
    counts = np.where(codes == codes.min(), found.table["n"].to_numpy(dtype=np.int64), -1)
    return int(np.argmax(counts))


def standstill_findings(found: Standstills) -> list[Finding]:
    """Return in words what standstills show beyond their figures: slow drift and pinned output."""
    out = []
    drifting = [i for i, s in enumerate(found.scatters) if s.drifts and s.no_interval and not s.pinned
                and s.drift_m > 0.02]
    if drifting:
        states = found.table["fix_state"].astype(str).tolist()
        fixed = [i for i in drifting if states[i] == "fixed"]
        worst = max(fixed or drifting, key=lambda i: found.scatters[i].drift_m)
        one = found.scatters[worst]
        # what is not fixed wanders by its nature: only a fixed position that does is worth a warning
        out.append(Finding("standstill_drift", "warning" if fixed else "note", (
            f"At standstill {worst + 1} the {states[worst].replace('_', ' ')} position drifts slowly by {one.drift_m:.2f} m peak to peak in east or "
            f"north (lag-one autocorrelation {one.lag_one:.2f}): its {one.n} epochs are worth about "
            f"{wording.count(round(one.n_eff), 'independent sample')}, so the scatter has no useful confidence interval."),
            {"standstills": [i + 1 for i in drifting], "drift_m": one.drift_m, "n_eff": one.n_eff}))
    if len(found.ids) and (found.ids > 0).all():
        out.append(Finding("never_moved", "warning", "The car stood throughout this recording: nothing of a drive is in it, however good its positions are.", {}))
    pinned = [i + 1 for i, s in enumerate(found.scatters) if s.pinned]
    if pinned:
        most = max(found.scatters[i - 1].drms_m for i in pinned)
        out.append(Finding("pinned_output", "warning", (
            f"At {wording.count(len(pinned), 'standstill')} positions scatter by {most * 1000:.2f} mm or less, far below the noise of "
            "satellite positions: the output is held by a filter there, so its repeatability says nothing."),
            {"standstills": pinned, "drms_m": most}))
    return out
