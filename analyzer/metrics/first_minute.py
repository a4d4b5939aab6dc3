"""What the first minute shows while it can still be put right: channels, rate and resolution of the output."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import geodesy, wording
from analyzer.metrics.metric import Metric, missing
from analyzer.metrics.rate import Timeline, nominal_interval
from analyzer.recording import Finding, Recording
from analyzer.settings import thresholds

Array = NDArray[np.float64]

#: Channel of FIXES, the sentences that carry it, and what is lost without it.
CHANNELS = (
    ("correction_age_s", "GGA or GNS with age", "whether corrections were fresh cannot be told"),
    ("satellites_used", "GGA or GNS", "satellites cannot be judged"),
    ("hdop", "GGA, GNS or GSA", "dilution cannot be judged"),
    ("speed_mps", "RMC or VTG", "positions cannot be held against speed"),
    ("sigma_north_m", "GST", "the receiver's own error claim is unknown and a class value must stand in"),
    ("cn0_median_dbhz", "GSV", "weak signals cannot be told from missing corrections"),
)
#: Decimals tried for positions in minutes (NMEA) and in degrees (tables).
_DECIMALS = range(1, 9)


def minute_decimals(latitude_deg: Array) -> int | None:
    """Return the decimals of a minute that all latitudes lie on, None where more than 8 or none fits."""
    return _decimals(np.abs(latitude_deg) * 60.0)


def _decimals(values: Array) -> int | None:
    """Return the fewest decimals that 999 of 1000 `values` need, or None; double precision leaves 1e-12 of room."""
    known = values[np.isfinite(values)]
    known = np.unique(known[:: max(1, len(known) // 2000)])
    if len(known) < thresholds("analyzer.metrics")["first_minute.resolution_n"]:
        return None
    for count in _DECIMALS:
        scaled = known * 10.0**count
        if np.mean(np.abs(scaled - np.rint(scaled)) < 1e-9 + 1e-12 * 10.0**count) >= 0.999:
            return count
    return None


def resolution_metric(fixes: pd.DataFrame, details: Mapping[str, object]) -> Metric:
    """Return the step of the logged latitude in metres, from `details` of the source or from the values."""
    method = "last digit of the logged latitude along the meridian"
    latitude = fixes["latitude_deg"].to_numpy(dtype=np.float64)
    count = int(np.isfinite(latitude).sum())
    if not count:
        return missing("position_resolution_m", "m", method, "no epoch has a position")
    middle = float(np.nanmedian(latitude))
    per_degree = float(geodesy.meridian_radius(middle)) * np.pi / 180.0
    given = details.get("latitude_decimals")
    if isinstance(given, int | float) and np.isfinite(given):
        step = per_degree / 60.0 * 10.0 ** -int(given)
        return Metric("position_resolution_m", step, "m", count, method, evidence={"minute_decimals": int(given)})
    minutes, degrees = minute_decimals(latitude), _decimals(np.abs(latitude))
    steps = [per_degree / 60.0 * 10.0**-minutes] if minutes is not None else []
    steps += [per_degree * 10.0**-degrees] if degrees is not None else []
    if not steps:
        reason = "too few different positions, or finer ones than any decimal step"
        return missing("position_resolution_m", "m", method, reason, n=count)
    return Metric("position_resolution_m", max(steps), "m", count, method, evidence={"minute_decimals": minutes})


def first_minute(
    recording: Recording, line: Timeline, *, resolution: Metric, asked_rate_hz: float | None = None,
    position_limit_m: float | None = None,
) -> list[Finding]:
    """Return what is missing, too slow or too coarse from the start, each in one sentence."""
    limit = thresholds("analyzer.metrics")
    head = recording.fixes[line.seconds <= limit["first_minute.length_s"]]
    out = _channel_findings(recording.fixes, head)
    out += _rate_findings(line, len(head), asked_rate_hz)
    step, finest = resolution.value, limit["first_minute.resolution_share"] * (position_limit_m or np.inf)
    if position_limit_m and isinstance(step, float) and step > finest:
        out.append(Finding("coarse_resolution", "warning", (
            f"Positions are logged in steps of {step * 100:.2f} cm, too coarse for a limit of {position_limit_m:g} m: "
            "set the receiver to print at least 7 decimals of a minute."),
            {"step_m": step, "limit_m": position_limit_m, **resolution.evidence}))
    return out


def _channel_findings(fixes: pd.DataFrame, head: pd.DataFrame) -> list[Finding]:
    """Return which channels are missing throughout, and which only in the first minute."""
    out = []
    for name, sentences, loss in CHANNELS:
        if len(fixes) and not fixes[name].notna().any():
            out.append(Finding("channel_missing", "note", f"The log holds no {name} ({sentences}), so {loss}.",
                               {"channel": name}))
        elif len(head) and not head[name].notna().any() and len(fixes) > len(head):
            out.append(Finding("channel_late", "note", (
                f"{name} ({sentences}) is missing in the first minute and begins only later."), {"channel": name}))
    out += _state_findings(fixes["fix_state"])
    derived = (fixes["fix_state_source"] == "derived").to_numpy()
    if len(fixes) and derived.all():
        unknown = [word for column, word in (("satellites_used", "satellites"), ("correction_age_s", "age"), ("height_m", "height"))
                   if not fixes[column].notna().any()]
        more = f"; {wording.listing(unknown)} {'are' if len(unknown) > 1 or unknown == ['satellites'] else 'is'} unknown" if unknown else ""
        out.append(Finding("state_derived", "note", (
            f"No GGA or GNS with a known fix state is logged: fix states come from mode letters{more}."), {}))
    return out


def _state_findings(states: pd.Series) -> list[Finding]:
    """Return that positions have no fix state, and how a table gets one."""
    lacking = int(states.isna().sum())
    if not lacking:
        return []
    whole = lacking == len(states)
    what = "The log holds no fix state" if whole else f"{wording.count(lacking, 'position')} of {len(states)} have no fix state"
    return [Finding("state_missing", "warning", (
        f"{what}, so {'no position is' if whole else 'these are not'} evaluated: name the column of the fix state or quality and the meaning of its "
        'codes in the column map ([fix_state] with column, [fix_state.codes] with lines like 4 = "fixed"), or assess the log that the receiver wrote.'),
        {"epochs": lacking})]


def _rate_findings(line: Timeline, head: int, asked_rate_hz: float | None) -> list[Finding]:
    """Return where the rate is lower than asked, or differs between the first minute and the rest."""
    out: list[Finding] = []
    limit = thresholds("analyzer.metrics")
    if not np.isfinite(line.nominal_s):
        return out
    rate = 1.0 / line.nominal_s
    if asked_rate_hz and rate < asked_rate_hz * (1.0 - limit["rate.asked_tolerance"]):
        out.append(Finding("rate_low", "warning", (
            f"The log holds {rate:g} positions a second, {asked_rate_hz:g} were asked for: set the receiver's output "
            "rate and the line speed before the next drive."), {"rate_hz": rate, "asked_hz": asked_rate_hz}))
    early = nominal_interval(np.diff(line.seconds[:head]))
    if np.isfinite(early) and early > limit["rate.gap_factor"] * line.nominal_s:
        out.append(Finding("rate_low_at_start", "note", (
            f"In the first minute the rate is {1 / early:.3g} Hz, later {rate:.3g} Hz."), {"early_hz": 1 / early}))
    if len(line.slow):
        seconds = float(sum(line.seconds[e] - line.seconds[s] for s, e in line.slow))
        out.append(Finding("rate_changes", "note", (
            f"For {seconds:.0f} s the log runs at a regular lower rate than its usual {rate:.3g} Hz; those epochs are "
            "not counted as missing."), {"stretches": len(line.slow), "seconds": seconds}))
    return out
