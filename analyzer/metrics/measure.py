"""From a recording to every figure of the trade: composes the pure functions of this package."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import geodesy, tables, wording
from analyzer.metrics import correction_age, dropout_table, fix_state, satellites, standstill, time_to_fix
from analyzer.metrics.dropout_causes import Scene
from analyzer.metrics.dropouts import FIXED, effective_codes, find
from analyzer.metrics.first_minute import first_minute, resolution_metric
from analyzer.metrics.link_state import FRESH, freshness, last_used
from analyzer.metrics.metric import Metric
from analyzer.metrics.motion import Motion, motion
from analyzer.metrics.rate import Timeline, off_grid, rate_metrics, timeline
from analyzer.metrics.result import Metrics
from analyzer.metrics.route import Route, gap_table, route, route_metrics
from analyzer.metrics.signal_drop import Listed
from analyzer.recording import Finding, Recording, Source
from analyzer.scratch import Keeper, Scratch, held, keeper

Array = NDArray[np.float64]
#: Ledger kinds that stand for sentences lost to damage.
_DAMAGE = ("checksum", "truncated", "field", "other_text", "binary")


def measure(
    recording: Recording, *, windows: pd.DataFrame | None = None, base: tuple[float, float, float] | None = None,
    asked_rate_hz: float | None = None, position_limit_m: float | None = None, scratch: Scratch | None = None,
) -> Metrics:
    """Return every figure and table of the trade for one recording.

    Parameters
    ----------
    recording : what was read; positions and times come from ``recording.fixes``.
    windows : ``name start_utc end_utc`` of intervals of interest; shares are also given inside them.
    base : latitude [deg], longitude [deg] and ellipsoidal height [m] of the base, for distances from it.
    asked_rate_hz : output rate that was asked for; a lower one is reported.
    position_limit_m : limit of the purpose, against which the resolution of the coordinates is checked.
    scratch : holds what there is per epoch, for recordings too long for memory.

    Returns
    -------
    Metrics with one `Metric` per key; what cannot be had is not evaluated, with the reason. Linear in the number of
    epochs; times have to increase.
    """
    fixes = recording.fixes
    times = pd.DatetimeIndex(fixes.index)
    keep = keeper(scratch)
    drive = _drive(recording, keep, scratch)
    line, moves, way, codes = drive.line, drive.moves, drive.way, drive.codes
    states = fix_state.stretches(times, codes, line, way.distance_m)
    changes = fix_state.transitions(codes, line)
    link_values, link_findings, drops, ids = _link(recording, drive, base, keep)
    inside = fix_state.in_windows(windows, times) if windows is not None and len(windows) else None
    claims, claim_findings = satellites.claim_metrics(fixes)
    values = [
        *rate_metrics(line, duplicates=sum(s.ledger.count("duplicate_epoch") for s in recording.sources)),
        *fix_state.state_metrics(codes, line, way.distance_m, moving=moves.moving, in_windows=inside),
        *fix_state.change_metrics(states, changes), *link_values,
        *route_metrics(way, moves),
        *satellites.satellite_metrics(fixes, line), *claims, drive.resolution,
        *standstill.standstill_metrics(drive.still, line, moves),
    ]
    findings = [
        *first_minute(recording, line, resolution=drive.resolution, asked_rate_hz=asked_rate_hz,
                      position_limit_m=position_limit_m),
        *time_to_fix.slow_start(values), *link_findings, *claim_findings, *standstill.standstill_findings(drive.still),
        *_interruption_findings(times, way, line),
    ]
    return Metrics(
        values=tuple(values), epochs=_epochs(fixes, drive, ids, base, keep=keep), stretches=states, transitions=changes,
        gaps=gap_table(times, line, fixes, way), standstills=drive.still.table, dropouts=drops, origin=drive.origin,
        findings=tuple(findings),
    )


@dataclass(frozen=True)
class _Drive:
    """What all figures rest on: times, motion, route, fix states, stands, and places (3, n) [m] about `origin`."""

    line: Timeline
    moves: Motion
    way: Route
    codes: NDArray[np.int64]
    origin: tuple[float, float, float] | None
    local: Array
    resolution: Metric
    still: standstill.Standstills


def _drive(recording: Recording, keep: Keeper, scratch: Scratch | None) -> _Drive:
    """Return what all figures rest on."""
    fixes = recording.fixes
    line = held(timeline(pd.DatetimeIndex(fixes.index)), keep)
    moves = held(motion(fixes, line, scratch), keep)
    way = held(route(fixes, line, moves), keep)
    codes = keep(fix_state.state_codes(fixes["fix_state"]))
    origin = local_origin(fixes)
    local = keep(_local(fixes, origin))
    resolution = resolution_metric(fixes, _details(recording))
    still = held(standstill.standstills(fixes, line, moves, resolution_m=float(resolution.value or 0.0)), keep)
    return _Drive(line, moves, way, codes, origin, local, resolution, still)


def local_origin(fixes: pd.DataFrame) -> tuple[float, float, float] | None:
    """Return the first position as origin of the local frame; height 0 where no ellipsoidal height is known."""
    known = fixes["latitude_deg"].notna().to_numpy() & fixes["longitude_deg"].notna().to_numpy()
    if not known.any():
        return None
    first = int(np.argmax(known))
    heights = fixes["height_m"].to_numpy(dtype=np.float64)
    height = heights[np.isfinite(heights)][:1]
    latitude, longitude = (float(fixes[c].to_numpy(dtype=np.float64)[first]) for c in ("latitude_deg", "longitude_deg"))
    return latitude, longitude, float(height[0]) if len(height) else 0.0


def _local(fixes: pd.DataFrame, origin: tuple[float, float, float] | None) -> Array:
    """Return east, north, up [m], shape (3, n); up is NaN where the ellipsoidal height is unknown."""
    if origin is None:
        return np.full((3, len(fixes)), np.nan)
    latitude, longitude, height = (fixes[c].to_numpy(dtype=np.float64)
                                   for c in ("latitude_deg", "longitude_deg", "height_m"))
    known = np.isfinite(height)
    # far from the origin a wrong height moves a place sideways: epochs without one take their neighbours' height
    rows = np.arange(len(height))
    level = np.interp(rows, rows[known], height[known]) if known.any() else np.full(len(height), origin[2])
    east, north, up = geodesy.to_enu(latitude, longitude, level, origin=origin)
    return np.stack([east, north, np.where(known, up, np.nan)])


def _link(
    recording: Recording, drive: _Drive, base: tuple[float, float, float] | None, keep: Keeper,
) -> tuple[list[Metric], list[Finding], pd.DataFrame, NDArray[np.int64]]:
    """Return figures, findings and dropouts of the correction link, and the dropout per epoch (0 for none)."""
    fixes, line, codes = recording.fixes, drive.line, drive.codes
    age, count, cn0 = (fixes[c].to_numpy(dtype=np.float64)
                       for c in ("correction_age_s", "satellites_used", "cn0_median_dbhz"))
    field = correction_age.age_field(age, codes, line, stream_interval_s=correction_age.stream_interval(
        recording.corrections))
    reported = (fixes["fix_state_source"] != "derived").to_numpy()
    judged = effective_codes(codes, reported)
    fresh = freshness(age, judged, line, field=field, reported=reported, satellites=count, cn0_dbhz=cn0)
    changes = correction_age.station_changes(fixes["station_id"], line)
    told = age if field.usable else np.full_like(age, np.nan)  # a field that does not follow corrections is no evidence for a cause
    scene = _scene(recording, drive, codes=judged, age_s=told, satellites=count, cn0_dbhz=cn0, station_changes=changes,
                   fresh_s=field.fresh_s)
    found = find(fresh, last_used(age, line), judged, line)
    table = dropout_table.dropout_table(found, fixes, scene, distance_m=drive.way.distance_m, base=base)
    hours = float(line.seconds[-1]) / 3600.0 if len(line.seconds) else 0.0
    used = bool(fixes["fix_state"].isin(tables.CORRECTED).any())
    losses = time_to_fix.refixes(pd.DatetimeIndex(fixes.index), judged, line)
    position = fixes["latitude_deg"].notna().to_numpy()
    values = [
        *correction_age.age_metrics(age, codes, line, field),
        *correction_age.station_metrics(fixes["station_id"], changes),
        *time_to_fix.time_metrics(position, codes, line, fresh=fresh == FRESH, losses=losses),
        *dropout_table.dropout_metrics(table, hours, states=fix_state.recorded(codes)),
    ]
    findings = dropout_table.link_findings(field.reason, used=used, changes=changes, states=fix_state.recorded(codes))
    return values, findings, table, keep(dropout_table.dropout_ids(table, found, line.seconds))


def _scene(
    recording: Recording, drive: _Drive, *, codes: NDArray[np.int64], age_s: Array, satellites: Array, cn0_dbhz: Array,
    station_changes: pd.DataFrame, fresh_s: float,
) -> Scene:
    """Return what the causes of dropouts are read from: beside these the notes and damage of every source."""
    fixes, sources, line = recording.fixes, recording.sources, drive.line
    return Scene(
        line=line, codes=codes, age_s=age_s, satellites=satellites, cn0_dbhz=cn0_dbhz, off_grid=off_grid(line),
        in_view=fixes["satellites_in_view"].to_numpy(dtype=np.float64),
        byte_offset=fixes["byte_offset"].to_numpy(dtype=np.int64),
        source_id=fixes["source_id"].to_numpy(dtype=np.int64),
        station_changes=station_changes, fresh_s=fresh_s, stations_known=bool(fixes["station_id"].notna().any()),
        listed=Listed(recording.satellites, pd.DatetimeIndex(fixes.index), codes == FIXED), notes=[_texts(s, "notes") for s in sources],
        messages=[_texts(s, "messages") for s in sources],
        damage=[_damage(s) for s in sources],
        set_aside=[any(s.ledger.count(k) for k in _DAMAGE) for s in sources], stood=drive.still.ids > 0, unlogged=_unlogged(recording),
    )


def _unlogged(recording: Recording) -> list[str]:
    """Return in words what would tell why a fix was lost and is not in the recording."""
    fixes = recording.fixes
    of_gga = [words for words, column in (("age", "correction_age_s"), ("station id", "station_id")) if not fixes[column].notna().any()]
    return [
        *(["the satellites with their signals (GSV)"] if not len(recording.satellites) else []),
        *([f"{' and '.join(of_gga)} of the corrections (GGA)"] if of_gga else []),
    ]


def _details(recording: Recording) -> Mapping[str, object]:
    """Return the details of the source that most positions came from."""
    ids = recording.fixes["source_id"].to_numpy(dtype=np.int64)
    main = int(np.bincount(ids[ids >= 0]).argmax()) if (ids >= 0).any() else 0
    return recording.sources[main].details if main < len(recording.sources) else {}


def _texts(source: Source, name: str) -> list[tuple[int, str]]:
    """Return (byte offset, text) of the free-text lines of a source, its ``notes``, or of its ``messages``."""
    given = source.details.get(name, ())
    return [(int(o), str(t)) for o, t in given] if isinstance(given, Sequence) else []


def _damage(source: Source) -> NDArray[np.int64]:
    """Return the sorted byte offsets of the damaged sentences of a source."""
    given = source.details.get("damage")
    return np.sort(np.asarray(given, dtype=np.int64)) if given is not None else np.zeros(0, dtype=np.int64)


def _epochs(
    fixes: pd.DataFrame, drive: _Drive, ids: NDArray[np.int64], base: tuple[float, float, float] | None, *,
    keep: Keeper,
) -> pd.DataFrame:
    """Return the columns per epoch described in `analyzer.metrics.result.Metrics`."""
    latitude, longitude = (fixes[c].to_numpy(dtype=np.float64) for c in ("latitude_deg", "longitude_deg"))
    return pd.DataFrame({
        "interval_s": drive.line.interval_s, "distance_m": drive.way.distance_m, "east_m": drive.local[0],
        "north_m": drive.local[1], "up_m": drive.local[2], "moving": drive.moves.moving,
        "standstill_id": _optional(drive.still.ids, keep), "dropout_id": _optional(ids, keep),
        "base_distance_m": keep(dropout_table.base_distance(latitude, longitude, base)),
    }, index=fixes.index, copy=False)


def _optional(ids: NDArray[np.int64], keep: Keeper) -> pd.arrays.IntegerArray:
    """Return ids as Int32 with NA for 0."""
    return pd.arrays.IntegerArray(keep(ids.astype(np.int32)), keep(ids == 0))


def _interruption_findings(times: pd.DatetimeIndex, way: Route, line: Timeline) -> list[Finding]:
    """Return in words how much of the way is not covered by positions."""
    out: list[Finding] = []
    rows = way.interruptions
    if len(rows):
        apart = line.seconds[rows["end"]] - line.seconds[rows["start"]]
        worst = int(np.argmax(apart))
        at = times[int(rows["start"].iloc[worst])]
        out.append(Finding("route_interrupted", "note", (
            f"The track is interrupted {wording.times(len(rows))}, for {apart[worst]:.1f} s at most (from {at:%H:%M:%S} UTC); "
            f"straight lines across would add {rows['bridged_m'].sum():.0f} m."), {"interruptions": len(rows)}))
    if way.jumps:
        out.append(Finding("position_jumps", "warning", (
            f"{wording.count(way.jumps, 'step')} of the position, faster than any road vehicle, {'was' if way.jumps == 1 else 'were'} left out of the route."),
            {"jumps": way.jumps}))
    return out
