"""What a drive is to be: all parameters in one frozen object."""

from __future__ import annotations

from dataclasses import dataclass, fields

from analyzer.demo.kinds import kind_of
from analyzer.errors import UsageError

RATES_HZ = (1.0, 2.0, 5.0, 10.0, 20.0, 25.0, 50.0, 100.0)
OUTPUTS = ("corrections", "inertial", "measurement_csv", "measurement_parquet", "measurement_mf4", "check_points",
           "base_log")


@dataclass(frozen=True)
class Fault:
    """A fault to plant. What is None is drawn: see `analyzer.demo.kinds` for the range of each kind.

    Attributes
    ----------
    kind : name of the kind, see `analyzer.demo.families`.
    start_s, duration_s : seconds from the first epoch.
    size : in the unit of the kind.
    """

    kind: str
    start_s: float | None = None
    duration_s: float | None = None
    size: float | None = None

    def __post_init__(self) -> None:
        kind_of(self.kind)


@dataclass(frozen=True)
class DriveSpec:
    """Parameters of one drive.

    Attributes
    ----------
    seed : whole number; the same specification always gives the same drive.
    faults : names or `Fault` objects; a name plants as many of that kind as its family asks for.
    family : name written to faults.json; the first fault's kind by default.
    duration_s : length of the drive [s], 60 and more.
    rate_hz : rover epochs per second, one of `RATES_HZ`.
    start_utc : first epoch, ISO 8601, whole second.
    solution_kind : ``gnss`` or ``fused``.
    gst, rmc, sky_sentences : whether GST, RMC, GSA and GSV are logged.
    noise_factor : multiplies every position error but the planted ones.
    claim_factor : multiplies the sigmas of GST; 1 claims what the model holds.
    hold_s : how long fixed is held without corrections [s]; None draws 15 to 45.
    correction_interval_s : time between correction sets [s].
    base_east_m, base_north_m : base antenna relative to its usual place [m].
    entered_offset_m : entered minus true base coordinates (east, north, up) [m].
    antenna_moved_m : displacement of the base antenna since its coordinates were entered (east, north, up) [m].
    marks : marks to stand on per lap, 0 to 3, for `mark_rest_s` seconds each.
    long_rest_s : one long rest in the first lap [s], 0 for none.
    reverse, both_ways : direction of the lap; turn round after each lap.
    start_rest_s : rest before driving off [s].
    speed_factor : share of the lap's speed limits that is driven.
    satellites_cap : most satellites printed in GGA (older text allows 12), 0 for no cap.
    line_rate : bit rate of the correction line [bit/s].
    outputs : further files to write, of `OUTPUTS`; NMEA, truth, faults, set-up sheet and windows are always written.
    inertial_rate_hz, measurement_rate_hz : rates of these files.
    sensor_delay_s : delay of the wheel-speed signal itself [s].
    windows : number of manoeuvre windows.
    """

    seed: int = 1
    faults: tuple[str | Fault, ...] = ()
    family: str = ""
    run: str = "run 01"
    duration_s: float = 600.0
    rate_hz: float = 10.0
    start_utc: str = "2026-04-14T08:10:00"
    solution_kind: str = "gnss"
    gst: bool = True
    rmc: bool = True
    sky_sentences: bool = True
    noise_factor: float = 1.0
    claim_factor: float = 1.0
    hold_s: float | None = None
    correction_interval_s: float = 1.0
    base_east_m: float = 0.0
    base_north_m: float = 0.0
    entered_offset_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    antenna_moved_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    marks: int = 0
    mark_rest_s: float = 30.0
    long_rest_s: float = 0.0
    reverse: bool = False
    both_ways: bool = False
    start_rest_s: float = 75.0
    speed_factor: float = 1.0
    satellites_cap: int = 0
    line_rate: int = 38400
    outputs: tuple[str, ...] = ()
    inertial_rate_hz: float = 100.0
    measurement_rate_hz: float = 100.0
    sensor_delay_s: float = 0.0
    windows: int = 12

    def __post_init__(self) -> None:
        known = ", ".join(f"{r:g}" for r in RATES_HZ)
        if self.rate_hz not in RATES_HZ:
            raise UsageError(f"rate_hz is {self.rate_hz:g}; expected one of {known}: choose one of these.")
        if self.duration_s < 60.0:
            raise UsageError(f"duration_s is {self.duration_s:g}; expected 60 s and more: a fix needs time to come.")
        if self.solution_kind not in ("gnss", "fused"):
            raise UsageError(f"solution_kind is {self.solution_kind!r}; expected 'gnss' or 'fused'.")
        if not 0 <= self.marks <= 3:
            raise UsageError(f"marks is {self.marks}; expected 0 to 3, the ground has three marks.")
        unknown = sorted(set(self.outputs) - set(OUTPUTS))
        if unknown:
            raise UsageError(f"outputs names {', '.join(unknown)}; expected some of {', '.join(OUTPUTS)}.")
        for fault in self.faults:
            kind_of(fault if isinstance(fault, str) else fault.kind)

    @property
    def kinds(self) -> frozenset[str]:
        """Return the kinds of fault that are planted."""
        return frozenset(f if isinstance(f, str) else f.kind for f in self.faults)

    @property
    def family_name(self) -> str:
        """Return the family as written to faults.json."""
        first = next((f if isinstance(f, str) else f.kind for f in self.faults), "clean")
        return self.family or first


def option_names() -> tuple[str, ...]:
    """Return the names of all parameters."""
    return tuple(f.name for f in fields(DriveSpec))
