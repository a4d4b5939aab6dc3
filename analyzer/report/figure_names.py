"""What each figure of the trade is called where people read it: whole keys, then patterns of keys."""

from __future__ import annotations

import re
from collections.abc import Mapping

from analyzer import wording

NAMES: Mapping[str, str] = {
    "time_to_first_position_s": "time to first position",
    "time_to_first_fixed_s": "time to first fixed",
    "time_corrections_to_fixed_s": "time from first corrections to fixed",
    "refix_s": "from fixed lost to fixed again, median",
    "refix_max_s": "from fixed lost to fixed again, longest",
    "fixed_losses": "times that fixed was lost",
    "age_max_s": "age of corrections, largest",
    "age_usual_top_s": "usual age just before new corrections",
    "correction_interval_s": "usual interval of corrections",
    "rate_hz": "nominal rate",
    "missing_epochs": "missing epochs",
    "gap_count": "gaps between epochs",
    "longest_gap_s": "longest gap",
    "jitter_s": "unevenness of the epochs in time, 95 % of intervals at most",
    "off_grid_epochs": "epochs beside the regular times",
    "duplicate_epochs": "epochs given twice",
    "position_resolution_m": "smallest step that coordinates can show",
    "route_length_m": "length of the route",
    "route_length_bridged_m": "length of the route with gaps bridged in a straight line",
    "state_changes": "changes of the fix state",
    "station_id_changes": "changes of the reference station",
    "station_ids": "reference stations",
    "dropouts_per_hour": "dropouts per hour",
    "longest_correction_outage_s": "longest correction outage",
    "share_gst_consistent": "share of GST sentences that do not contradict themselves",
    "share_time_standing": "share of time at rest",
    "standstills": "standstills of at least 5 s",
    "standstill_cep50_m": "scatter at rest in plan, radius of half of the positions",
    "standstill_r95_m": "scatter at rest in plan, radius of 95 % of the positions",
    "standstill_drms_m": "scatter at rest in plan, root mean square distance",
    "standstill_two_drms_m": "scatter at rest in plan, twice the root mean square distance",
    "standstill_sep_m": "scatter at rest in space, radius of half of the positions",
    "standstill_vertical_68_m": "scatter at rest in height, 68 % within",
    "standstill_vertical_95_m": "scatter at rest in height, 95 % within",
    "channels_checked": "channels that were checked",
    "channels_coarsest_step_m": "coarsest step of a position channel",
    "corrections_delivered_share": "share of the base's corrections that reached the rover",
    "corrections_partial_epochs": "epochs whose corrections arrived in part",
    "alignment_changes": "changes of the alignment state",
    "attitude_realignments": "new alignments of the attitude",
    "heading_settled_s": "time until the heading had settled",
    "heading_source": "where the heading comes from",
    "heading_minus_course_deg": "heading less course on straight road",
    "inertial_lag_s": "delay of the inertial data against the positions",
    "inertial_norm_error_mps2": "acceleration at rest against gravity",
    "inertial_rest_s": "time at rest with inertial data",
    "inertial_repeated_share": "share of inertial rows that repeat the row before",
    "inertial_clipped_rows": "inertial rows at the end of their range",
}
_AXIS = r"(acceleration|rate)_([xyz])_(?:mps2|radps)"
_LINK = r"corrections_(base|rover|second_rover|unknown)_"
#: Patterns of whole keys, and what they are called; groups are put in as words.
PATTERNS: tuple[tuple[str, str], ...] = (
    (r"age_p50_s", "age of corrections, median"),
    (r"age_p(\d+)_s", "age of corrections, {0} % of the time at most"),
    (r"age_p(\d+)_(\w+)_s", "age of corrections while {1}, {0} % of the time at most"),
    (r"share_time_age_above_(\d+)_s", "share of time with corrections older than {0} s"),
    (r"share_time_moving_(\w+)", "share of time in motion: {0}"),
    (r"share_time_windows_(\w+)", "share of time inside the manoeuvres: {0}"),
    (r"share_(time|distance)_(\w+)", "share of {0}: {1}"),
    (r"longest_stretch_(\w+)_s", "longest stretch: {0}"),
    (r"dropouts_(\w+)", "dropouts: {0}"),
    (r"satellites_(used|in_view)_p50", "satellites {0}, median"),
    (r"satellites_(used|in_view)_p(\d+)", "satellites {0}, fewer for {1} % of the time"),
    (r"share_satellites_ge_(\d+)", "share of time with at least {0} satellites used"),
    (r"cn0_median_p50_dbhz", "carrier-to-noise density of the middle satellite, median"),
    (r"cn0_median_p(\d+)_dbhz", "carrier-to-noise density of the middle satellite, lower for {0} % of the time"),
    (r"([hvp]dop)_p50", "{0}, median"),
    (r"([hvp]dop)_p(\d+)", "{0}, {1} % of the time at most"),
    (_LINK + r"messages", "correction messages at the {0}"),
    (_LINK + r"crc_failures", "damaged correction messages at the {0}"),
    (_LINK + r"repeated_messages", "repeated correction messages at the {0}"),
    (_LINK + r"stations", "stations in the corrections at the {0}"),
    (_LINK + r"interval_s", "usual interval of corrections at the {0}"),
    (_LINK + r"span_s", "time that corrections span at the {0}"),
    (_LINK + r"gaps", "gaps of the corrections at the {0}"),
    (_LINK + r"longest_gap_s", "longest gap of the corrections at the {0}"),
    (_LINK + r"satellites_p50", "satellites in the corrections at the {0}, median"),
    (_LINK + r"rate_(\d+)_hz", "rate of message {1} at the {0}"),
    (_LINK + r"bytes_per_second", "load of the corrections at the {0}"),
    (_LINK + r"set_size_p50_byte", "size of one epoch's corrections at the {0}, median"),
    (_LINK + r"set_size_max_byte", "size of one epoch's corrections at the {0}, largest"),
    (_LINK + r"line_share", "share of the line that corrections take at the {0}"),
    (_LINK + r"set_time_s", "time on the line of one epoch's corrections at the {0}, median"),
    (_LINK + r"set_time_max_s", "time on the line of one epoch's corrections at the {0}, longest"),
    (_LINK + r"reference_change_m", "change of the sent base position at the {0}"),
    (r"inertial_" + _AXIS + r"_correlation", "{0} ({1} axis) against the positions, correlation"),
    (r"inertial_" + _AXIS + r"_scale", "{0} ({1} axis) against the positions, scale"),
    (r"inertial_bias_instability_" + _AXIS, "bias instability of the {0}, {1} axis"),
    (r"inertial_bias_" + _AXIS, "bias at rest of the {0}, {1} axis"),
    (r"inertial_rate_random_walk_" + _AXIS, "rate random walk of the {0}, {1} axis"),
    (r"inertial_random_walk_" + _AXIS, "random walk of the {0}, {1} axis"),
    (r"(inertial|attitude|measurement)_sources", "sources of the {0} data"),
    (r"(inertial|attitude|measurement)_rate_hz", "rate of the {0} data"),
    (r"(inertial|attitude|measurement)_jitter_s", "unevenness of the {0} data in time, 95 % of intervals at most"),
    (r"(inertial|attitude|measurement)_longest_gap_s", "longest gap of the {0} data"),
    (r"(inertial|attitude|measurement)_missing_rows", "missing rows of the {0} data"),
    (r"alignment_share_(\w+)", "share of rows with the alignment {0}"),
    (r"attitude_(heading_jumps|sigma_resets|alignment_losses|power_dips)", "attitude: {0}"),
)
#: Words of keys that read otherwise.
_SPOKEN = {"rate": "angular rate", "hdop": "HDOP", "vdop": "VDOP", "pdop": "PDOP"}
_ENDINGS = ("_mps2", "_radps", "_mps", "_dbhz", "_deg", "_hz", "_ppm", "_byte", "_s", "_m")


def listed(key: str) -> str | None:
    """Return the name of a figure that the lists hold, else None."""
    if key in NAMES:
        return NAMES[key]
    for pattern, words in PATTERNS:
        found = re.fullmatch(pattern, key)
        if found is not None:
            return words.format(*(_SPOKEN.get(group, wording.words(group)) for group in found.groups()))
    return None


def name(key: str) -> str:
    """Return the name of a figure: from the lists, else its key in words without the unit."""
    ending = next((e for e in _ENDINGS if key.endswith(e)), "")
    return listed(key) or wording.words(key.removesuffix(ending) if ending else key)
