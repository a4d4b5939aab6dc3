"""How one figure of the trade is printed, and which family it belongs to."""

from __future__ import annotations

from analyzer import wording
from analyzer.metrics.metric import Metric

#: Families of figures in the order in which they are shown, with the beginnings of their keys; the first match counts.
FAMILIES: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("Time to position and to fixed", ("time_to_", "time_corrections_to_", "refix_", "fixed_losses")),
    ("Age of corrections", ("age_", "share_time_age", "station_", "correction_interval")),
    ("Corrections as recorded", ("corrections_", "correction_", "base_", "rover_", "link_")),
    ("Dropouts", ("dropouts_", "longest_correction_outage")),
    ("Fix state", ("share_time_", "share_distance_", "longest_stretch_", "state_")),
    (
        "Epochs",
        ("rate_", "missing_", "gap_", "longest_gap", "jitter_", "off_grid", "duplicate_", "position_resolution"),
    ),
    ("Route", ("route_",)),
    ("Satellites and sky", ("satellites_", "share_satellites", "hdop", "vdop", "pdop", "cn0_", "share_gst")),
    ("At rest", ("standstill", "scatter_", "static_")),
    (
        "Inertial and attitude",
        ("inertial_", "gyro_", "accelerometer_", "allan_", "attitude_", "alignment_", "heading_"),
    ),
    ("Measurement", ("channels_", "measurement_", "clock_")),
)
_STANDING = "share_time_standing"


def family(key: str) -> str:
    """Return the family of a figure."""
    if key == _STANDING:
        return "At rest"
    return next((title for title, starts in FAMILIES if key.startswith(starts)), "Other figures")


def amount(key: str, value: object, unit: str) -> str:
    """Return a value with its unit."""
    if wording.absent(value):
        return wording.ABSENT
    if isinstance(value, str):
        return wording.words(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if not isinstance(value, int | float):
        return str(value)
    if key.startswith("share_") or "_share" in key:
        return wording.share(float(value))
    if unit == "m":
        return wording.length(float(value))
    if unit == "s":
        return wording.duration(float(value))
    digits = wording.size(value) if isinstance(value, int) else wording.faithful(float(value), digits=3)
    return digits if unit in ("", "-", "1") else f"{digits} {unit}"


def metric_value(metric: Metric) -> str:
    """Return the value of `metric`, or that and why it was not evaluated."""
    if not metric.evaluated:
        return f"not evaluated: {metric.not_evaluated}"
    return amount(metric.key, metric.value, metric.unit)


def metric_interval(metric: Metric) -> str:
    """Return the 95 % interval of `metric` where there is an honest one."""
    if metric.interval is None:
        return wording.ABSENT
    low, high = (amount(metric.key, float(x), metric.unit) for x in metric.interval)
    return f"{low} to {high}"
