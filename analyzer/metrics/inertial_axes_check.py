"""Axis and sign check of inertial data, in figures and words."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.intervals import seconds
from analyzer.metrics.inertial_axes import Agreement, Motion, agreement, motion_between
from analyzer.metrics.inertial_rest import FORCES, RATES
from analyzer.metrics.inertial_timing import FILE
from analyzer.metrics.metric import Metric, missing
from analyzer.recording import Finding
from analyzer.settings import thresholds

#: Quantity of the positions, the axis that should carry it, all axes that might, and its words.
CHECKS = (
    ("yaw_rate_radps", "rate_z_radps", RATES, "yaw rate", "course"),
    ("speed_rate_mps2", "acceleration_x_mps2", FORCES, "longitudinal acceleration", "derivative of speed"),
    ("lateral_mps2", "acceleration_y_mps2", FORCES, "lateral acceleration", "speed times course rate"),
)
#: Factors by which a wrong unit scales a channel.
UNITS = ((180.0 / np.pi, "degrees instead of radians"), (np.pi / 180.0, "radians divided by 57.3 twice"),
         (1.0 / 9.80665, "g instead of m/s2"), (9.80665, "m/s2 multiplied by 9.81"))


def axes_check(inertial: pd.DataFrame, fixes: pd.DataFrame) -> tuple[list[Metric], list[Finding], pd.DataFrame]:
    """Compare inertial axes with the motion of the positions.

    Returns metrics ``inertial_lag_s`` (from the yaw rate, whose turns are sharp enough to time) and
    ``inertial_<axis>_correlation``, ``inertial_<axis>_scale``, findings, and a table of every axis tried:
    ``quantity axis expected correlation scale scale_low scale_high lag_s n``.
    """
    motion = motion_between(fixes) if {"speed_mps", "course_deg"} <= set(fixes.columns) else None
    metrics: list[Metric] = []
    findings: list[Finding] = []
    rows: list[dict[str, object]] = []
    lag_s: float | None = None
    for quantity, expected, axes, word, against in CHECKS:
        reason = _unfit(motion, quantity)
        tried = [] if reason or motion is None else _tried(inertial, motion, quantity, axes=axes, lag_s=lag_s)
        found = next((a for a in tried if a.axis == expected), None)
        if not reason and (found is None or not np.isfinite(found.correlation)):
            reason = "this axis is not recorded beside enough driving"
        if quantity == "yaw_rate_radps":
            lag = _lag(tried, reason)
            metrics.append(lag)
            lag_s = lag.value if isinstance(lag.value, float) else 0.0
        metrics.extend(_metrics(expected, found, reason, against))
        rows.extend({"quantity": quantity, "axis": a.axis, "expected": expected, "correlation": a.correlation,
                     "scale": a.scale, "scale_low": a.scale_low, "scale_high": a.scale_high, "lag_s": a.lag_s, "n": a.n}
                    for a in tried)
        if not reason and found is not None:
            findings.extend(_findings(found, tried, word, against))
    columns = ["quantity", "axis", "expected", "correlation", "scale", "scale_low", "scale_high", "lag_s", "n"]
    return metrics, findings, pd.DataFrame(rows, columns=columns)


def _unfit(motion: Motion | None, quantity: str) -> str:
    """Return why the drive cannot show this axis, or an empty string."""
    limit = thresholds(*FILE)
    if motion is None or len(motion.start_s) < limit["axes.least_intervals"]:
        return "needs speed and course above 5 m/s at 20 neighbouring epochs"
    strength = float(np.sqrt(np.mean(getattr(motion, quantity) ** 2)))
    if quantity == "speed_rate_mps2":
        return "" if strength >= limit["axes.least_speed_rate_mps2"] else "the drive holds no change of speed"
    turning = float(np.sqrt(np.mean(motion.yaw_rate_radps**2)))
    return "" if turning >= limit["axes.least_course_rate_radps"] else "the drive holds no turns"


def _tried(inertial: pd.DataFrame, motion: Motion, quantity: str, *, axes: tuple[str, ...],
           lag_s: float | None) -> list[Agreement]:
    """Return the agreement of each axis that might carry `quantity`, at `lag_s` or at the best lag of the strongest."""
    moment = seconds(pd.DatetimeIndex(inertial.index), motion.origin)
    reference: NDArray[np.float64] = getattr(motion, quantity)
    # A constant axis correlates with anything by its rounding.
    moving = [a for a in axes if a in inertial and inertial[a].min() < inertial[a].max()]
    series = {a: inertial[a].to_numpy(np.float64) for a in moving}
    at = np.asarray([0.0 if lag_s is None else lag_s])
    first = [agreement(moment, v, motion, reference=reference, axis=a, lags_s=at) for a, v in series.items()]
    known = [a for a in first if np.isfinite(a.correlation)]
    if lag_s is not None or not known:
        return first
    strongest = _strongest(known).axis
    best = agreement(moment, series[strongest], motion, reference=reference, axis=strongest)
    lag = np.asarray([best.lag_s])
    return [best if a == strongest else agreement(moment, v, motion, reference=reference, axis=a, lags_s=lag)
            for a, v in series.items()]


def _strongest(tried: list[Agreement]) -> Agreement:
    """Return the axis with the largest absolute correlation."""
    return max((a for a in tried if np.isfinite(a.correlation)), key=lambda a: abs(a.correlation))


def _lag(tried: list[Agreement], reason: str) -> Metric:
    """Return by how much the inertial rows are later than the positions, from the axis that follows the course."""
    key, method = "inertial_lag_s", "lag of the largest correlation between yaw rate and course rate"
    known = [a for a in tried if np.isfinite(a.correlation)]
    if reason or not known:
        return missing(key, "s", method, reason or "no yaw rate beside enough driving")
    best = _strongest(known)
    if abs(best.correlation) < thresholds(*FILE)["axes.clear_correlation"]:
        return missing(key, "s", method, "the correlation is too weak", n=best.n)
    return Metric(key, best.lag_s, "s", best.n, method)


def _metrics(axis: str, found: Agreement | None, reason: str, against: str) -> list[Metric]:
    """Return correlation and scale of the expected axis."""
    method = f"interval means of {axis} against {against} while faster than 5 m/s"
    if reason or found is None:
        return [missing(f"inertial_{axis}_{key}", "-", method, reason) for key in ("correlation", "scale")]
    out = [Metric(f"inertial_{axis}_correlation", found.correlation, "-", found.n, method)]
    if abs(found.correlation) < thresholds(*FILE)["axes.clear_correlation"]:
        return [*out, missing(f"inertial_{axis}_scale", "-", method, "the correlation is too weak", n=found.n)]
    interval = (found.scale_low, found.scale_high)
    return [*out, Metric(f"inertial_{axis}_scale", found.scale, "-", found.n, method, interval)]


def _findings(found: Agreement, tried: list[Agreement], word: str, against: str) -> Iterator[Finding]:
    """Yield what is wrong with the axis that should carry a quantity."""
    strongest = _strongest(tried)
    evidence: dict[str, object] = {"axis": found.axis, "correlation": found.correlation, "scale": found.scale, "n": found.n}
    clear = thresholds(*FILE)["axes.clear_correlation"]
    if strongest.axis != found.axis and abs(strongest.correlation) > clear > abs(found.correlation):
        sign = "" if strongest.correlation > 0 else "minus "
        yield Finding("inertial_axis_exchanged", "problem",
                      f"The {against} is followed by {sign}{strongest.axis} (correlation "
                      f"{strongest.correlation:+.2f}) and not "
                      f"by {found.axis} ({found.correlation:+.2f}): axes exchanged in the column map?",
                      {**evidence, "strongest_axis": strongest.axis, "strongest_correlation": strongest.correlation})
        return
    if abs(found.correlation) < clear:
        yield Finding("inertial_axis_unclear", "warning",
                      f"The {word} {found.axis} does not follow the {against} (correlation {found.correlation:+.2f}): "
                      "sign and scale are not checked.", evidence)
        return
    if found.correlation < 0:
        yield Finding("inertial_axis_sign", "problem",
                      f"The sign of the {word} is opposite to the {against} (correlation {found.correlation:+.2f}): "
                      "axes not ISO 8855?", evidence)
    yield from _scale_findings(found, word, against, evidence)


def _scale_findings(found: Agreement, word: str, against: str, evidence: dict[str, object]) -> Iterator[Finding]:
    """Yield what is wrong with the size of a quantity: a unit mistaken, or a scale that is not 1."""
    tolerance = thresholds(*FILE)["axes.scale_tolerance"]
    size = abs(found.scale)
    wrong = min((abs(np.log(size / factor)), text) for factor, text in UNITS)
    if wrong[0] < tolerance:
        yield Finding("inertial_axis_unit", "problem",
                      f"The {word} is {size:.3g} times the {against}: recorded in {wrong[1]}?", evidence)
    elif not _within(size, found, tolerance):
        yield Finding("inertial_axis_scale", "warning",
                      f"The {word} is {size:.2f} times the {against}, not 1: wrong range, tilted mounting, "
                      "filtering, or "
                      "time error.", evidence)


def _within(size: float, found: Agreement, tolerance: float) -> bool:
    """Return whether the scale is 1 within the tolerance and its own interval."""
    reach = max(abs(found.scale_high - found.scale), 0.0)
    return abs(size - 1.0) <= tolerance + reach
