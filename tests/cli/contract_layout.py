"""The layout that other programs rely on, typed out here so that a change of the package's own tables is noticed."""

from __future__ import annotations

PARTS = (
    "bound_claim_m", "bound_class_m", "bound_ageing_m", "bound_baseline_m", "bound_scatter_m", "bound_segment_m",
    "bound_standstill_m", "bound_sky_m", "bound_frozen_m", "bound_check_point_m", "bound_bridge_m",
)
EPOCHS = (
    "time_utc", "source_id", "latitude_deg", "longitude_deg", "height_m", "geoid_separation_m", "fix_state",
    "fix_state_source", "solution_kind", "station_id", "correction_age_s", "satellites_used", "satellites_in_view",
    "cn0_median_dbhz", "hdop", "vdop", "pdop", "speed_mps", "course_deg", "heading_deg", "yaw_rate_radps",
    "claimed_horizontal_m", "claimed_vertical_m", "horizontal_bound_m", "vertical_bound_m", "along_bound_m",
    "across_bound_m", "speed_bound_mps", "heading_bound_deg", *PARTS, *(f"vertical_{p}" for p in PARTS), "trust",
    "reasons", "segment_id", "standstill_id", "dropout_id", "window", "distance_m", "base_distance_m",
)
WORDS = ("fix_state", "fix_state_source", "solution_kind", "trust", "window")
NUMBERED = ("source_id", "station_id", "segment_id", "standstill_id", "dropout_id")
SEGMENTS = (
    "segment_id", "fix_state", "start_utc", "end_utc", "n", "offset_e_m", "offset_n_m", "offset_u_m", "sigma_e_m",
    "sigma_n_m", "sigma_u_m", "decision", "evidence",
)
CSV = {
    "standstills": (
        "standstill_id", "start_utc", "end_utc", "n", "n_eff", "fix_state", "latitude_deg", "longitude_deg", "height_m",
        "var_ee_m2", "var_nn_m2", "var_en_m2", "var_uu_m2", "cep50_m", "r95_m", "heading_deg", "check_point",
    ),
    "jumps": ("time_utc", "from_state", "to_state", "de_m", "dn_m", "du_m", "sigma_m", "decision"),
    "dropouts": (
        "dropout_id", "kind", "cause", "start_utc", "end_utc", "duration_s", "refix_s", "fixed_again_utc",
        "start_distance_m", "end_distance_m", "base_distance_m", "start_latitude_deg", "start_longitude_deg",
        "end_latitude_deg", "end_longitude_deg", "satellites_before", "satellites_min", "evidence", "advice",
    ),
    "windows": (
        "name", "start_utc", "end_utc", "start_distance_m", "end_distance_m", "verdict", "worst_horizontal_bound_m",
        "share_trusted", "reason", "repeat", "accepted_by", "accepted_reason",
    ),
}
SUMMARY = (
    "schema_version", "run", "sources", "metrics", "verdict", "dropouts", "windows", "standstills", "frame", "versions",
)
METRICS = (
    "time_to_first_position_s", "time_to_first_fixed_s", "refix_s", "age_p50_s", "age_p95_s", "rate_hz",
    "missing_epochs", "longest_gap_s", "route_length_m",
)
FIX_STATES = {"no_fix", "autonomous", "differential", "float", "fixed", "precise", "estimated", "manual", "simulated"}
TRUST = {"trusted", "doubtful", "rejected", "not_evaluated"}
LEVELS = {"fit", "fit_with_exclusions", "not_fit", "not_evaluated"}
DROPOUT_KINDS = {"missing_epochs", "correction_outage", "fix_loss", "no_fix_despite_corrections"}
CAUSES = {
    "corrections_stopped", "correction_link", "base_outage", "interference", "base_position_changed", "damaged_data",
    "sky_obstruction", "receiver_restart", "logger_gap", "incomplete_corrections", "unknown",
}
LEDGER_KINDS = {
    "accepted", "checksum", "no_checksum", "truncated", "field", "unknown_sentence", "proprietary", "other_text",
    "binary", "rtcm", "duplicate_epoch", "leap_second",
}
FILES = {
    "summary.json", "epochs.parquet", "segments.parquet", "standstills.csv", "jumps.csv", "dropouts.csv", "windows.csv",
    "route.geojson", "report.html",
}

_POSITION = {
    "type": "array", "minItems": 2, "maxItems": 3,
    "prefixItems": [
        {"type": "number", "minimum": -180, "maximum": 180}, {"type": "number", "minimum": -90, "maximum": 90},
        {"type": "number"},
    ],
}
_LINE = {"type": "array", "minItems": 2, "items": _POSITION}


def _geometry(name: str, coordinates: dict[str, object]) -> dict[str, object]:
    return {"type": "object", "required": ["type", "coordinates"], "additionalProperties": False,
            "properties": {"type": {"const": name}, "coordinates": coordinates}}


#: RFC 7946 as far as this file uses it: sections 3.1.1 (positions, longitude first), 3.1.2, 3.1.4, 3.1.5, 3.2 (feature:
#: geometry or null, properties or null), 3.3, and 4 (WGS 84 only; the member "crs" of 2008 is gone).
GEOJSON: dict[str, object] = {
    "type": "object", "required": ["type", "features"], "not": {"required": ["crs"]},
    "properties": {
        "type": {"const": "FeatureCollection"},
        "features": {"type": "array", "items": {
            "type": "object", "required": ["type", "geometry", "properties"], "not": {"required": ["coordinates"]},
            "properties": {
                "type": {"const": "Feature"}, "properties": {"type": ["object", "null"]},
                "geometry": {"oneOf": [
                    {"type": "null"}, _geometry("Point", _POSITION), _geometry("LineString", _LINE),
                    _geometry("MultiLineString", {"type": "array", "minItems": 1, "items": _LINE})]},
            }}},
    },
}
