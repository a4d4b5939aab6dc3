"""The whole evidence for one moment, dropout or window of a result, in plain words with its numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analyzer import wording
from analyzer.assessment import Limit
from analyzer.errors import UsageError
from analyzer.tables import BOUND_PARTS
from analyzer.verdict import explain_words as w
from analyzer.verdict.elsewhere import lies_beside
from analyzer.verdict.judge import BOUND_OF_AXIS, reason_texts
from analyzer.verdict.purposes import limit_95

Row = Mapping[Any, Any]
#: A jump this near belongs to the moment.
NEAR_JUMP_S = 2.0
#: Parts smaller than this are not worth a line.
LEAST_PART_M = 0.0005


@dataclass(frozen=True)
class Facts:
    """A result as tables: layouts of the result folder; `purpose` is ``verdict.purpose`` of summary.json.

    `decisions` is what the user accepted and excluded: the evidence of those findings (action, by, reason, start_utc, end_utc).
    """

    run: str
    epochs: pd.DataFrame
    segments: pd.DataFrame
    jumps: pd.DataFrame
    dropouts: pd.DataFrame
    windows: pd.DataFrame
    standstills: pd.DataFrame
    purpose: Mapping[str, Any]
    decisions: Sequence[Mapping[str, Any]] = ()


def explain_time(facts: Facts, time: pd.Timestamp) -> str:
    """Return everything about the epoch nearest to `time`.

    Raises
    ------
    UsageError : the time lies outside the run.
    """
    times = pd.DatetimeIndex(facts.epochs.index)
    if not len(times) or time < times[0] or time > times[-1]:
        span = f"lasts from {_iso(times[0])} to {_iso(times[-1])}" if len(times) else "holds no epoch"
        raise UsageError(f"explain: {_iso(time)} lies outside the run, which {span}; choose a time within it.")
    after = int(times.searchsorted(time))
    at = after if after == 0 or times[after] - time <= time - times[after - 1] else after - 1
    usual = float(np.median(np.diff(times.asi8[:10_000]))) if len(times) > 1 else 0.0
    row: Row = facts.epochs.iloc[at].to_dict()
    head = [f"{facts.run}, {_iso(times[at])}, {w.km(w.value(row, 'distance_m'))}"]
    if abs((times[at] - time) / pd.Timedelta(microseconds=1)) > 1.5 * usual:
        head.append(f"No epoch was recorded at {w.clock(time)}: the nearest, {w.clock(times[at])}, is shown.")
    parts = [head, _position(row), _bounds(row, facts.purpose), _parts(row), _trust(row)]
    parts += [_segment(facts.segments, row), _jump(facts.jumps, times[at]), _standstill(facts.standstills, row)]
    parts += [_dropouts_at(facts, time), _window_at(facts.windows, times[at]), _decisions_at(facts.decisions, times[at])]
    return "\n".join(line for part in parts for line in part)


def _iso(time: pd.Timestamp) -> str:
    return time.tz_convert("UTC").isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _position(row: Row) -> list[str]:
    """Return position, state, corrections, satellites, claim and motion."""
    latitude, longitude, height = (w.value(row, f"{c}") for c in ("latitude_deg", "longitude_deg", "height_m"))
    where = f"{latitude:.9f}°, {longitude:.9f}°, height {w.figure(height, '{:.3f} m')}" if np.isfinite(latitude) else "none was logged"
    source = w.text(row, "fix_state_source")
    station, mode = w.value(row, "station_id"), w.text(row, "heading_mode")
    return [
        f"position: {where}",
        f"state: {w.plain(w.text(row, 'fix_state')) or 'unknown'}{f' ({source})' if source else ''}, "
        f"solution {w.text(row, 'solution_kind') or 'unknown'}",
        f"corrections: age {w.figure(w.value(row, 'correction_age_s'), '{:.1f} s')}, station {w.figure(station, '{:.0f}')}, "
        f"base {w.figure(w.value(row, 'base_distance_m') / 1000, '{:.2f} km away')}",
        f"sky: {w.figure(w.value(row, 'satellites_used'), '{:.0f}')} satellites used, "
        f"HDOP {w.figure(w.value(row, 'hdop'), '{:.1f}')}, C/N0 {w.figure(w.value(row, 'cn0_median_dbhz'), '{:.0f} dB-Hz')}",
        f"claim of the receiver (1 sigma): per horizontal axis {w.figure(w.value(row, 'claimed_horizontal_m'), '{:.3f} m')}, "
        f"height {w.figure(w.value(row, 'claimed_vertical_m'), '{:.3f} m')}",
        f"motion: {w.figure(w.value(row, 'speed_mps'), '{:.2f} m/s')}, course {w.figure(w.value(row, 'course_deg'), '{:.1f}°')}, "
        f"heading {w.figure(w.value(row, 'heading_deg'), '{:.1f}°')}{f' ({w.plain(mode)})' if mode else ''}",
    ]


def _bounds(row: Row, purpose: Mapping[str, Any]) -> list[str]:
    """Return the bounds, and what the purpose asks of them."""
    limits = {x["axis"]: Limit(**x) for x in purpose.get("limits", ())}
    margin = float(purpose.get("margin", 1.0))
    lines = [f"error bounds (95 %, relative to the base), purpose {purpose.get('title', 'unknown')}:"]
    for axis, column in BOUND_OF_AXIS.items():
        bound, unit = w.value(row, column), "m" if axis in ("horizontal", "vertical", "along", "across") else column.rsplit("_", 1)[1]
        unit = {"mps": "m/s", "deg": "°"}.get(unit, unit)
        limit = limits.get(axis)
        if not np.isfinite(bound) and limit is None:
            continue
        words = w.bound(bound, unit) if np.isfinite(bound) else "not evaluated"
        if limit is not None and np.isfinite(bound):
            most = limit_95(limit)
            words += (f", with margin {w.bound(bound * margin, unit)}: {'within' if bound * margin <= most else 'beyond'} the limit "
                      f"of {most:.3f} {unit}")
        lines.append(f"  {axis}: {words}")
    return lines


def _parts(row: Row) -> list[str]:
    """Return each part of the bounds that is there, with its meaning."""
    rule = w.RULE_FIXED if w.text(row, "fix_state") == "fixed" else w.RULE_NOT_FIXED
    lines = ["what the bounds are made of (horizontal, height):", f"  rule: {rule}"]
    for part in BOUND_PARTS:
        plan, tall = w.value(row, part), w.value(row, f"vertical_{part}")
        if np.nan_to_num(plan) > LEAST_PART_M or np.nan_to_num(tall) > LEAST_PART_M:
            name = part.removeprefix("bound_").removesuffix("_m")
            lines.append(f"  {w.plain(name)}: {w.bound(plan)}, {w.bound(tall)}: {w.PART_MEANING[part]}")
    none = [w.plain(p.removeprefix("bound_").removesuffix("_m")) for p in BOUND_PARTS if not np.nan_to_num(w.value(row, p)) > LEAST_PART_M]
    return [*lines, f"  nothing from: {', '.join(none)}"] if none else lines


def _trust(row: Row) -> list[str]:
    """Return trust with its meaning and the reasons."""
    trust = w.text(row, "trust")
    lines = [f"trust: {w.plain(trust)}: {w.TRUST_MEANING.get(trust, 'unknown')}"]
    texts = reason_texts()
    return lines + [f"  reason {code}: {texts.get(code, code)}" for code in w.text(row, "reasons").split(",") if code]


def _segment(segments: pd.DataFrame, row: Row) -> list[str]:
    """Return the stretch of the epoch with its decision."""
    number = w.value(row, "segment_id")
    if not np.isfinite(number):
        return ["stretch: none; only fixed epochs with fresh corrections are joined to stretches"]
    found = segments[segments["segment_id"] == int(number)]
    if not len(found):
        return []
    one: Row = found.iloc[0].to_dict()
    offset = ", ".join(f"{axis} {w.figure(w.value(one, f'offset_{k}_m'), '{:+.3f} m')} ± {w.length(w.value(one, f'sigma_{k}_m'))}"
                       for axis, k in (("east", "e"), ("north", "n"), ("up", "u")))
    return [f"stretch {int(number)}: {w.text(one, 'fix_state')} from {w.clock(one['start_utc'])} to {w.clock(one['end_utc'])}, "
            f"decision {w.plain(w.text(one, 'decision'))}: {w.text(one, 'evidence')}", f"  offset (1 sigma): {offset}"]


def _jump(jumps: pd.DataFrame, time: pd.Timestamp) -> list[str]:
    """Return the jumps near the epoch."""
    near = jumps[(jumps["time_utc"] - time).abs() <= pd.Timedelta(seconds=NEAR_JUMP_S)]
    return [f"step at {w.clock(r['time_utc'])} ({r['from_state']} to {r['to_state']}): {w.step_size(r)}: {w.text(r, 'decision')}" for r in near.to_dict("records")]


def _standstill(standstills: pd.DataFrame, row: Row) -> list[str]:
    """Return the standstill of the epoch."""
    number = w.value(row, "standstill_id")
    found = standstills[standstills["standstill_id"] == number] if np.isfinite(number) else standstills.iloc[:0]
    if not len(found):
        return []
    one: Row = found.iloc[0].to_dict()
    mark = w.text(one, "check_point")
    return [f"standstill {int(number)}{f' on {mark}' if mark else ''}: {w.clock(one['start_utc'])} to {w.clock(one['end_utc'])}, "
            f"R95 {w.length(w.value(one, 'r95_m'))} about the mean ({w.value(one, 'n'):.0f} epochs, worth "
            f"{w.value(one, 'n_eff'):.1f} independent ones)"]


def _dropouts_at(facts: Facts, time: pd.Timestamp) -> list[str]:
    """Return the dropouts that hold the time, the time to be fixed again included."""
    dropouts = facts.dropouts
    reach = dropouts["fixed_again_utc"].fillna(dropouts["end_utc"])
    lasting = dropouts["fixed_again_utc"].isna() & (reach >= facts.epochs.index[-1])  # to the end of the log, its last epoch included
    inside = dropouts[(dropouts["start_utc"] <= time) & ((time < reach) | lasting)]
    return [line for one in inside.to_dict("records") for line in dropout_lines(one, facts.epochs)] if len(inside) else ["dropout: none here"]


def dropout_lines(one: Row, epochs: pd.DataFrame) -> list[str]:
    """Return one dropout with cause, evidence and advice."""
    away = w.value(one, "base_distance_m")
    lines = [
        f"dropout {int(w.value(one, 'dropout_id'))}: {w.KINDS.get(w.text(one, 'kind'), w.text(one, 'kind'))} from {w.clock(one['start_utc'])} "
        f"({w.km(w.value(one, 'start_distance_m'))}) to {w.clock(one['end_utc'])} ({w.km(w.value(one, 'end_distance_m'))}), "
        f"{w.value(one, 'duration_s'):.1f} s" + (f", {away / 1000:.2f} km from the base" if np.isfinite(away) else ""),
        f"  cause: {w.plain(w.text(one, 'cause'))}",
        f"  evidence: {w.text(one, 'evidence')}",
        f"  satellites: {w.figure(w.value(one, 'satellites_before'), '{:.0f}')} before, " + (
            "no epoch was logged meanwhile" if w.text(one, "kind") == "missing_epochs"
            else f"at least {w.figure(w.value(one, 'satellites_min'), '{:.0f}')} meanwhile"),
    ]
    refix = w.value(one, "refix_s")
    if refix == 0 and w.kept_fixed(one, epochs):
        again = ": fixed was never lost in it"
    elif np.isfinite(refix):
        again = f" at {w.clock(one['fixed_again_utc'])}, {f'{refix:.1f} s after its end' if refix > 0 else 'at its end'}"
    else:
        again = ": never within it, or it was not fixed before"
    lines.append(f"  fixed again{again}")
    return [*lines, f"  next drive: {w.text(one, 'advice')}"]


def _window_at(windows: pd.DataFrame, time: pd.Timestamp) -> list[str]:
    """Return the windows that hold the time."""
    inside = windows[(windows["start_utc"] <= time) & (windows["end_utc"] >= time)]
    return [_window_line(one) for one in inside.to_dict("records")] if len(inside) else ["window: none here"]


def _window_line(one: Row) -> str:
    reason = w.text(one, "reason")
    judged = (f"{w.plain(w.text(one, 'verdict'))}, trusted for {w.share(w.value(one, 'share_trusted'))} of its time, worst bound "
              f"{w.bound(w.value(one, 'worst_horizontal_bound_m'))}")
    again, left = w.flag(one, "repeat"), w.text(one, "verdict_with_decisions")
    if w.left_out(one):
        return f"window {one['name']}: left out of the judged time by a decision; evidence alone: {judged}; {reason}"
    decided = f", with the decisions {w.plain(left)}" if w.text(one, "decision") else ""
    told = "drive again" if again else "check the windows file" if lies_beside(reason) else "no need to drive again"
    return f"window {one['name']}: {judged}{decided}, {told}" + (f"; {reason}" if reason else "")


def _decisions_at(decisions: Sequence[Mapping[str, Any]], time: pd.Timestamp) -> list[str]:
    """Return who decided what about the time, and why."""
    inside = [d for d in decisions if pd.Timestamp(d["start_utc"]) <= time <= pd.Timestamp(d["end_utc"])]
    return [f"decision: {w.DECIDED.get(d['action'], d['action'])} by {d['by']}: {d['reason']} ({w.clock(d['start_utc'])} to {w.clock(d['end_utc'])})"
            for d in inside]


def explain_dropout(facts: Facts, number: int) -> str:
    """Return everything about one dropout.

    Raises
    ------
    UsageError : there is no such dropout.
    """
    found = facts.dropouts[facts.dropouts["dropout_id"] == number]
    if not len(found):
        known = f"1 to {len(facts.dropouts)}" if len(facts.dropouts) else "none"
        raise UsageError(f"explain: there is no dropout {number} in {facts.run}; its dropouts are {known}.")
    one: Row = found.iloc[0].to_dict()
    end = pd.Timestamp(one["fixed_again_utc"] if pd.notna(one["fixed_again_utc"]) else one["end_utc"])
    hit = facts.windows[(facts.windows["start_utc"] < end) & (facts.windows["end_utc"] >= one["start_utc"])]
    part, lines = w.epochs_of(one, facts.epochs), [facts.run, *dropout_lines(one, facts.epochs)]
    ages = part["correction_age_s"].to_numpy(np.float64)
    if np.isfinite(ages).any():
        lines.append(f"largest age of corrections: {np.nanmax(ages):.1f} s")
    lines += _held(part, "in the dropout") + _held(w.waiting_of(one, facts.epochs), "from its end until fixed again")
    lines += [_window_line(r) for r in hit.to_dict("records")] or ["window: none is touched"]
    return "\n".join(lines)


def _held(part: pd.DataFrame, where: str) -> list[str]:
    """Return states, trust and the largest bound of some epochs, nothing where there is none."""
    if not len(part):
        return []
    lines = [f"{where}: {wording.count(len(part), 'epoch')}", f"  {_shares('states by epochs', part['fix_state'])}", f"  {_shares('trust by epochs', part['trust'])}"]
    bound = part["horizontal_bound_m"].to_numpy(np.float64)
    if np.isfinite(bound).any():
        lines.append(f"  largest horizontal bound: {w.bound(float(np.nanmax(bound)))} at {w.clock(part.index[int(np.nanargmax(bound))])}")
    return lines


def explain_window(facts: Facts, name: str) -> str:
    """Return everything about one window: its verdict, and the whole evidence at its worst moment.

    Raises
    ------
    UsageError : there is no such window.
    """
    found = facts.windows[facts.windows["name"].astype(str) == name]
    if not len(found):
        known = ", ".join(facts.windows["name"].astype(str)) or "none"
        raise UsageError(f"explain: there is no window '{name}' in {facts.run}; its windows are {known}.")
    if len(found) > 1:
        when = wording.listing(w.clock(t) for t in found["start_utc"])
        raise UsageError(f"explain: {len(found)} windows of {facts.run} are called '{name}', from {when} on; ask for a moment in one of them by --at.")
    one: Row = found.iloc[0].to_dict()
    lines = [facts.run, _window_line(one), f"from {w.clock(one['start_utc'])} ({w.km(w.value(one, 'start_distance_m'))}) to "
             f"{w.clock(one['end_utc'])} ({w.km(w.value(one, 'end_distance_m'))})"]
    if w.text(one, "accepted_by"):
        lines.append(f"decided by {w.text(one, 'accepted_by')}: {w.text(one, 'accepted_reason')}")
    part = facts.epochs.loc[one["start_utc"]:one["end_utc"]]
    if not len(part):
        return "\n".join([*lines, "no epoch was recorded in it"])
    lines += [_shares("states by epochs", part["fix_state"]), _shares("trust by epochs", part["trust"])]
    missing = facts.dropouts[(facts.dropouts["kind"].astype(str) == "missing_epochs") & (facts.dropouts["start_utc"] < one["end_utc"])
                             & (facts.dropouts["end_utc"] > one["start_utc"])]
    lines += [f"  no epochs from {w.clock(r['start_utc'])} to {w.clock(r['end_utc'])}, {w.value(r, 'duration_s'):.1f} s: {w.plain(w.text(r, 'cause'))}"
              for r in missing.to_dict("records")]
    codes = part["reasons"].astype(object).where(part["reasons"].notna(), "").astype(str).str.split(",").explode()
    counts, texts = codes[codes != ""].value_counts(), reason_texts()
    lines += [f"  reason {code} in {n} of {len(part)} epochs: {texts.get(str(code), str(code))}" for code, n in counts.items()]
    bound = part["horizontal_bound_m"].to_numpy(np.float64)
    worst = int(np.nanargmax(bound)) if np.isfinite(bound).any() else 0
    return "\n".join([*lines, "", "its worst moment:", explain_time(facts, pd.Timestamp(part.index[worst]))])


def _shares(label: str, column: pd.Series) -> str:
    """Return the shares of the values of a column in words."""
    counts = column.astype(str).value_counts(normalize=True)
    return f"{label}: " + ", ".join(f"{w.plain(str(k))} {w.share(float(v))}" for k, v in counts.items())
