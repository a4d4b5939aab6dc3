"""The kinds of fault that can be planted: what each is, how often, how long and how large it is drawn."""

from __future__ import annotations

from dataclasses import dataclass

from analyzer.errors import UsageError


@dataclass(frozen=True)
class Kind:
    """One kind of fault.

    Attributes
    ----------
    name : plain name used in specifications and faults.json.
    meaning : one line for people.
    timing : ``timed`` (drawn in time), ``place`` (acts where the route passes), ``whole`` (from start to end),
        ``start`` (from the start) or ``tail`` (from a moment to the end).
    count : least and most events of a drive that a bare name plants.
    duration_s, size : range drawn from.
    unit : of size.
    cause, cause_without_recordings : of the dropouts that it brings; with every recording, and from a rover log alone.
    """

    name: str
    meaning: str
    timing: str
    count: tuple[int, int] = (1, 1)
    duration_s: tuple[float, float] = (0.0, 0.0)
    size: tuple[float, float] = (0.0, 0.0)
    unit: str = ""
    cause: str = ""
    cause_without_recordings: str = ""


KINDS = (
    Kind("radio_loss", "correction radio lost: fix held, then float, then autonomous, then back", "timed", (2, 4),
         (6, 110), (1, 1), "share lost", "correction_link", "corrections_stopped"),
    Kind("radio_shadow", "correction radio too weak on the far side of the ground, at the same place every lap",
         "place", (1, 1), (0, 0), (1, 1), "share lost", "correction_link", "corrections_stopped"),
    Kind("base_pause", "base off for a while, then on again unchanged", "timed", (1, 2), (15, 80), (1, 1),
         "share lost", "base_outage", "corrections_stopped"),
    Kind("base_off", "base switched off for good", "tail", (1, 1), (0, 0), (1, 1), "share lost",
         "base_outage", "corrections_stopped"),
    Kind("second_base", "a second base on the same channel, with its own station id and frame", "timed", (1, 2),
         (40, 110), (0.25, 2.0), "m", "interference", "interference"),
    Kind("base_resurveyed", "base power cycle and new survey in mid-drive: its coordinates change", "tail", (1, 1),
         (25, 70), (0.3, 2.0), "m", "base_position_changed", "corrections_stopped"),
    Kind("never_fixed", "corrections fresh but incomplete: no fix until they are complete, if ever", "whole",
         (1, 1), (0, 0), (1, 1), "share of satellites", "incomplete_corrections", "incomplete_corrections"),
    Kind("lever_arm_wrong", "antenna offset entered wrongly: positions of the reference point shifted with the car",
         "whole", (1, 1), (0, 0), (0.05, 0.4), "m"),
    Kind("not_aligned", "inertial solution not aligned at the start: heading wrong until it has turned", "start",
         (1, 1), (130, 220), (20, 120), "deg"),
    Kind("underpass", "underpass on the route: no satellites", "place", (1, 1), (0, 0), (32, 32), "m",
         "sky_obstruction", "sky_obstruction"),
    Kind("trees", "forest road: weak and missing satellites", "place", (1, 1), (0, 0), (14, 14), "dB",
         "sky_obstruction", "sky_obstruction"),
    Kind("halls", "street between tall halls: half the sky hidden", "place", (1, 1), (0, 0), (68, 68), "deg",
         "sky_obstruction", "sky_obstruction"),
    Kind("wrong_fix", "wrong integer fix, entered through float, left by a jump or through float", "timed", (1, 3),
         (25, 130), (0.12, 1.0), "m", "sky_obstruction", "sky_obstruction"),
    Kind("wrong_fix_fused", "wrong integer fix in a fused solution: slews in, velocity agrees", "timed", (1, 2),
         (30, 120), (0.15, 0.9), "m"),
    Kind("optimistic_claims", "claimed sigmas much smaller than the scatter", "whole", (1, 1), (0, 0), (2.5, 4.5),
         "ratio"),
    Kind("stale_corrections", "no corrections for a minute and more while fixed is held", "timed", (1, 2), (60, 150),
         (1.5, 4.0), "mm/s", "correction_link", "corrections_stopped"),
    Kind("slow_multipath", "slow multipath of one to five minutes while fixed", "timed", (1, 2), (90, 240),
         (0.10, 0.30), "m"),
    Kind("spikes", "single wrong epochs", "timed", (4, 12), (0, 0), (0.3, 4.0), "m"),
    Kind("frozen_output", "position output frozen while driving", "timed", (1, 3), (3, 20), (1, 1), ""),
    Kind("receiver_restart", "receiver restarts: epochs missing, then a cold start", "timed", (1, 1), (6, 20), (1, 1),
         "", "receiver_restart", "receiver_restart"),
    Kind("logger_gap", "logger misses epochs while the receiver runs on", "timed", (2, 4), (2.5, 25), (1, 1), "",
         "logger_gap", "logger_gap"),
    Kind("clock_offset", "measurement clock off by milliseconds", "whole", (1, 1), (0, 0), (0.012, 0.4), "s"),
    Kind("clock_leap_seconds", "measurement clock off by whole seconds (time scales mixed up)", "whole", (1, 1),
         (0, 0), (18, 18), "s"),
    Kind("clock_drift", "measurement clock drifts", "whole", (1, 1), (0, 0), (20, 60), "ppm"),
    Kind("base_moved", "base antenna moved since its coordinates were entered", "whole", (1, 1), (0, 0), (0.04, 0.3),
         "m"),
    Kind("base_not_settled", "base coordinates read before the base had settled", "whole", (1, 1), (0, 0), (0.4, 2.5),
         "m"),
    Kind("damaged_bytes", "bytes corrupted on the wire", "timed", (2, 3), (2.5, 12), (0.02, 0.06),
         "share of sentences", "damaged_data", "damaged_data"),
)
_BY_NAME = {kind.name: kind for kind in KINDS}


def kind_of(name: str) -> Kind:
    """Return the kind called `name`; raises `UsageError` for an unknown one."""
    try:
        return _BY_NAME[name]
    except KeyError:
        raise UsageError(f"unknown fault {name!r}; expected one of {', '.join(_BY_NAME)}.") from None


def families() -> dict[str, str]:
    """Return the fault families and what each means; ``clean`` plants nothing."""
    return {"clean": "nothing planted"} | {kind.name: kind.meaning for kind in KINDS}
