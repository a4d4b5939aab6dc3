"""Table schemas as data: one name per quantity, with its unit in the name, everywhere.

Tables are plain DataFrames. Where time is known their index is ``time_utc`` (``datetime64[us, UTC]``). Missing is NaN
or NA, never 0 or 99.9. The vocabulary page of DEVELOPERS.md is generated from here.
"""

from __future__ import annotations

from analyzer.schema import TIME_DTYPE, Column, Table, columns

__all__ = [
    "ATTITUDE", "BOUND_PARTS", "CAUSES", "CORRECTIONS", "DROPOUT_KINDS", "EPOCHS", "FIXES", "FIX_STATES", "HEADING_MODES", "INERTIAL",
    "JUMPS", "MEASUREMENT", "RUNS", "SATELLITES", "SEGMENTS", "TABLES", "TIME_DTYPE", "TRUST", "VERDICTS", "WINDOWS", "Column", "Table",
]

#: Fix states from best to worst by expected error (NMEA 0183 GGA quality and mode letters); never ordered by number.
FIX_STATES = ("fixed", "precise", "float", "differential", "autonomous", "estimated", "manual", "simulated", "no_fix")
#: States of positions that used corrections.
CORRECTED = ("fixed", "float", "differential", "precise")
#: Modes of a true heading, THS (IEC 61162-1, from memory, not re-read); only the first is a heading as measured.
HEADING_MODES = ("autonomous", "estimated", "manual", "simulated", "not_valid")
#: Trust of an epoch for a purpose.
TRUST = ("trusted", "doubtful", "rejected", "not_evaluated")
#: Verdict of a run or window, best first (order of --fail-on).
VERDICTS = ("fit", "fit_with_exclusions", "not_evaluated", "not_fit")
DROPOUT_KINDS = ("missing_epochs", "correction_outage", "fix_loss", "no_fix_despite_corrections")
CAUSES = (
    "corrections_stopped", "correction_link", "base_outage", "interference", "base_position_changed", "damaged_data",
    "sky_obstruction", "receiver_restart", "logger_gap", "incomplete_corrections", "unknown",
)


FIXES = Table(
    "fixes",
    columns("""
source_id | int16 | - | source (file and stream) the row came from; index into Recording.sources
byte_offset | int64 | byte | where the first sentence of the epoch starts in its source
latitude_deg | float64 | deg | geodetic latitude as logged
longitude_deg | float64 | deg | geodetic longitude as logged
height_m | float64 | m | ellipsoidal height (height above geoid + geoid separation); NaN where the separation is unknown
height_msl_m | float64 | m | height above the geoid as logged
geoid_separation_m | float64 | m | geoid above ellipsoid as logged
fix_state | category | - | fix state by the precedence GGA, GNS, mode letters, status
fix_state_source | category | - | reported (GGA or GNS) or derived (mode letter or status)
station_id | Int32 | - | differential reference station id
correction_age_s | float64 | s | age of the last correction used, as logged
satellites_used | float32 | - | satellites used
satellites_in_view | float32 | - | satellites in view, all systems, the larger of several signals
cn0_median_dbhz | float32 | dB-Hz | median carrier-to-noise density of the tracked signals
hdop | float32 | - | horizontal dilution of precision
vdop | float32 | - | vertical dilution of precision
pdop | float32 | - | position dilution of precision
speed_mps | float64 | m/s | speed over ground
course_deg | float64 | deg | course over ground from true north
heading_deg | float64 | deg | true heading (HDT, THS)
heading_mode | category | - | mode of the true heading (THS): autonomous, estimated, manual, simulated or not_valid; missing without THS
yaw_rate_radps | float64 | rad/s | rate of turn, ISO 8855: positive to the left (NMEA ROT is positive to starboard)
range_rms_m | float32 | m | RMS of range residual inputs (GST)
sigma_major_m | float32 | m | claimed 1-sigma of the semi-major axis (GST)
sigma_minor_m | float32 | m | claimed 1-sigma of the semi-minor axis (GST)
sigma_orientation_deg | float32 | deg | claimed orientation of the semi-major axis (GST)
sigma_north_m | float32 | m | claimed 1-sigma in latitude (GST)
sigma_east_m | float32 | m | claimed 1-sigma in longitude (GST)
sigma_up_m | float32 | m | claimed 1-sigma in height (GST)
solution_kind | category | - | gnss, fused or unknown
time_origin | category | - | dated (date from the log), carried (date carried over), given (--date), retimed (clock repaired)
"""),
)

SATELLITES = Table(
    "satellites",
    columns("""
source_id | int16 | - | source the row came from
system | category | - | GPS GLONASS Galileo BeiDou QZSS NavIC SBAS unknown
signal_id | category | - | NMEA 4.1x signal id as logged, empty where none
satellite_id | int16 | - | satellite number as logged
elevation_deg | float32 | deg | elevation
azimuth_deg | float32 | deg | azimuth from true north
cn0_dbhz | float32 | dB-Hz | carrier-to-noise density; NaN where not tracked
used | bool | - | listed as used (GSA)
"""),
)

ATTITUDE = Table(
    "attitude",
    columns("""
source_id | int16 | - | source the row came from
roll_deg | float64 | deg | roll, ISO 8855
pitch_deg | float64 | deg | pitch, ISO 8855
heading_deg | float64 | deg | true heading, clockwise from north
sigma_roll_deg | float64 | deg | claimed 1-sigma of roll
sigma_pitch_deg | float64 | deg | claimed 1-sigma of pitch
sigma_heading_deg | float64 | deg | claimed 1-sigma of heading
alignment | category | - | alignment state as logged
"""),
)

INERTIAL = Table(
    "inertial",
    columns("""
source_id | int16 | - | source the row came from
acceleration_x_mps2 | float64 | m/s2 | specific force forward, ISO 8855
acceleration_y_mps2 | float64 | m/s2 | specific force to the left
acceleration_z_mps2 | float64 | m/s2 | specific force up
rate_x_radps | float64 | rad/s | roll rate
rate_y_radps | float64 | rad/s | pitch rate
rate_z_radps | float64 | rad/s | yaw rate, positive to the left
arrival_utc | datetime64[us, UTC] | - | when the logger received the row, where it wrote it
"""),
)

CORRECTIONS = Table(
    "corrections",
    columns("""
source_id | int16 | - | source the row came from
place | category | - | where it was recorded: base, rover or unknown
byte_offset | int64 | byte | where the frame starts
size_byte | int32 | byte | whole frame, header and CRC included
message_type | int32 | - | RTCM 3 message number
station_id | Int32 | - | reference station id
epoch_s | float64 | s | message time of week or day as sent, GPS time where convertible
satellites | Int32 | - | satellites in the message
signals | Int32 | - | signal cells in the message
more_follows | boolean | - | multiple-message bit
x_m | float64 | m | ECEF reference position (1005, 1006)
y_m | float64 | m | ECEF reference position
z_m | float64 | m | ECEF reference position
antenna_height_m | float64 | m | antenna height (1006)
text | str | - | descriptors and texts (1007, 1008, 1029, 1033)
arrival_utc | datetime64[us, UTC] | - | when the logger received the frame, where it wrote it
"""),
)

MEASUREMENT = Table(
    "measurement",
    columns("""
source_id | int16 | - | source the row came from
speed_mps | float64 | m/s | vehicle or wheel speed
yaw_rate_radps | float64 | rad/s | yaw rate, positive to the left
acceleration_x_mps2 | float64 | m/s2 | longitudinal acceleration
acceleration_y_mps2 | float64 | m/s2 | lateral acceleration
steering_angle_rad | float64 | rad | steering-wheel angle, positive to the left
marker | float64 | - | marker channel
"""),
)

TABLES = (FIXES, SATELLITES, ATTITUDE, INERTIAL, CORRECTIONS, MEASUREMENT)

#: Parts of the horizontal bound, in the order of contract and `explain`; the vertical ones have `vertical_` in front.
BOUND_PARTS = (
    "bound_claim_m",
    "bound_class_m",
    "bound_base_m",
    "bound_ageing_m",
    "bound_baseline_m",
    "bound_scatter_m",
    "bound_segment_m",
    "bound_standstill_m",
    "bound_sky_m",
    "bound_frozen_m",
    "bound_check_point_m",
    "bound_bridge_m",
    "bound_alignment_m",
    "bound_settling_m",
)

EPOCHS = Table(
    "epochs",
    columns(
        """
source_id | int16 | - | index of the source in summary.json
latitude_deg | float64 | deg | as logged, never shifted
longitude_deg | float64 | deg | as logged, never shifted
height_m | float64 | m | ellipsoidal height as logged
geoid_separation_m | float64 | m | geoid above ellipsoid as logged
fix_state | category | - | fix state
fix_state_source | category | - | reported or derived
solution_kind | category | - | gnss, fused or unknown
station_id | Int32 | - | reference station id
correction_age_s | float64 | s | age of the last correction used
satellites_used | float32 | - | satellites used
satellites_in_view | float32 | - | satellites in view
cn0_median_dbhz | float32 | dB-Hz | median carrier-to-noise density
hdop | float32 | - | horizontal dilution
vdop | float32 | - | vertical dilution
pdop | float32 | - | position dilution
speed_mps | float64 | m/s | speed over ground
course_deg | float64 | deg | course over ground
heading_deg | float64 | deg | true heading
heading_mode | category | - | mode of the true heading (THS)
yaw_rate_radps | float64 | rad/s | yaw rate, positive to the left
claimed_horizontal_m | float32 | m | claimed 1-sigma per axis, RMS of north and east
claimed_vertical_m | float32 | m | claimed 1-sigma in height
horizontal_bound_m | float32 | m | 95 % bound on the horizontal error, relative to the base
vertical_bound_m | float32 | m | 95 % bound on the height error
along_bound_m | float32 | m | 95 % bound along the track
across_bound_m | float32 | m | 95 % bound across the track
speed_bound_mps | float32 | m/s | 95 % bound on the speed error
heading_bound_deg | float32 | deg | 95 % bound on the heading error
"""
        + "".join(f"{p} | float32 | m | part of the horizontal bound\n" for p in BOUND_PARTS)
        + "".join(f"vertical_{p} | float32 | m | part of the vertical bound\n" for p in BOUND_PARTS)
        + """
trust | category | - | trusted, doubtful, rejected or not_evaluated for the purpose
reasons | category | - | codes that say why an epoch is not trusted, joined by commas (a list in epochs.parquet)
segment_id | Int32 | - | stretch with one offset, see segments.parquet
standstill_id | Int32 | - | standstill, see standstills.csv
dropout_id | Int32 | - | dropout, see dropouts.csv
window | category | - | window the epoch lies in
distance_m | float64 | m | distance along the route, not growing at rest
base_distance_m | float64 | m | distance from the base
"""
    ),
)
SEGMENTS = Table(
    "segments",
    columns("""
segment_id | Int32 | - | number
fix_state | str | - | fix state of the stretch
start_utc | datetime64[us, UTC] | - | first epoch
end_utc | datetime64[us, UTC] | - | last epoch
n | Int64 | - | epochs
offset_e_m | float64 | m | offset found, east
offset_n_m | float64 | m | offset found, north
offset_u_m | float64 | m | offset found, up
sigma_e_m | float64 | m | its uncertainty (1 sigma), east
sigma_n_m | float64 | m | its uncertainty, north
sigma_u_m | float64 | m | its uncertainty, up
decision | str | - | confirmed, accepted, doubtful or wrong
evidence | str | - | why, in words
"""),
    timed=False,
)
JUMPS = Table(
    "jumps",
    columns("""
time_utc | datetime64[us, UTC] | - | when
from_state | str | - | state before
to_state | str | - | state after
de_m | float64 | m | size, east
dn_m | float64 | m | size, north
du_m | float64 | m | size, up
sigma_m | float64 | m | uncertainty of the size per horizontal axis (1 sigma)
decision | str | - | what it means
sigma_u_m | float64 | m | uncertainty of the size in height (1 sigma)
"""),
    timed=False,
)
WINDOWS = Table(
    "windows",
    columns("""
name | str | - | name
start_utc | datetime64[us, UTC] | - | start
end_utc | datetime64[us, UTC] | - | end
start_distance_m | float64 | m | distance along the route at the start
end_distance_m | float64 | m | distance along the route at the end
verdict | str | - | fit, fit_with_exclusions, not_evaluated or not_fit
worst_horizontal_bound_m | float64 | m | largest 95 % bound inside
share_trusted | float64 | - | share of the window's time that is trusted
reason | str | - | why, in words
repeat | bool | - | to be driven again
accepted_by | str | - | who accepted or excluded it
accepted_reason | str | - | with which reason
"""),
    timed=False,
)
#: One row per run of a batch; the metrics of summary.json follow as further columns under their own keys.
RUNS = Table("runs", columns("""
run | str | - | id of the run: its folder below runs/, its partition below epochs/
name | str | - | name of the run by the set-up sheet, else by its place
vehicle | str | - | vehicle by the set-up sheet
place | str | - | folder, log or entry of a list that the drive came from
date | date | - | UTC date of the first epoch
dates | list[str] | - | UTC dates of all its epochs: the partitions below epochs/
start_utc | datetime64[us, UTC] | - | first epoch
end_utc | datetime64[us, UTC] | - | last epoch
duration_s | float64 | s | from the first to the last epoch
epochs | Int64 | - | epochs
verdict | str | - | fit, fit_with_exclusions, not_evaluated or not_fit
sentence | str | - | the verdict in words
purpose | str | - | what it was judged for
purpose_sha256 | str | - | SHA-256 of the purpose
rules_version | str | - | version of the rules of judging
share_trusted | float64 | - | share of the recorded time that is trusted
damage | str | - | which of its files are damaged or were not read, in words; missing where none
dropouts | Int64 | - | dropouts
windows | Int64 | - | windows
windows_to_repeat | Int64 | - | windows to be driven again
sources | list[str] | - | recordings that were read
sources_sha256 | list[str] | - | SHA-256 of each as unpacked
input_bytes | Int64 | byte | size of all its input files as stored
fingerprint | str | - | SHA-256 of the content of all input files, the options and the versions; the same means finished
version | str | - | version of postdrive
assessed_utc | datetime64[us, UTC] | - | when it was assessed
elapsed_s | float64 | s | how long that took
folder | str | - | its result folder, from the folder of the results
"""), timed=False)
