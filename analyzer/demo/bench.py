"""A varied set of drives over all fault families: the bench on which the judge is measured."""

from __future__ import annotations

from typing import Any

import pandas as pd

from analyzer.demo.draws import Draws
from analyzer.demo.kinds import KINDS
from analyzer.demo.spec import DriveSpec, Fault

#: Families whose fault is a constant offset or another clock: the rover's own positions are clean, one drive each.
_CLEAN_AT_ROVER = (
    "lever_arm_wrong", "clock_offset", "clock_leap_seconds", "clock_drift", "base_moved", "base_not_settled",
)
#: Families that are hardest to see get a drive more.
_HARD = (
    "wrong_fix", "wrong_fix_fused", "stale_corrections", "slow_multipath", "radio_loss", "trees", "second_base",
)
_FUSED_ONLY = ("wrong_fix_fused", "not_aligned")
_GNSS_ONLY = ("wrong_fix", "spikes")
_ZONES = ("underpass", "trees", "halls")
#: Rovers with an inertial unit mostly log it too; the others are the drives on which nothing independent was recorded.
_FUSED_WITH_INERTIAL = 0.85


def bench_specs(n: int = 60, *, seed: int = 1, **common: Any) -> list[DriveSpec]:
    """Return `n` varied drives over all families, the same for the same seed.

    Parameters
    ----------
    n : number of drives; below 60 some families are left out, above they repeat.
    seed : whole number.
    common : parameters of `DriveSpec` that are the same for all drives and override what would be drawn.
    """
    order = _families()
    return [_one(order[k % len(order)], seed * 1000 + k, k, common) for k in range(n)]


def mixed_specs(n: int, *, seed: int = 1, **common: Any) -> list[DriveSpec]:
    """Return `n` drives, each of another family in turn; see `bench_specs`."""
    return bench_specs(n, seed=seed, **common)


def _families() -> list[str]:
    """Return the families of 60 drives, spread so that the first few are already a mixture."""
    once = ["clean", *(k.name for k in KINDS)]
    again = [k.name for k in KINDS if k.name not in _CLEAN_AT_ROVER]
    return [*once, *again, *_HARD, "clean", "clean", "clean", "clean"]


def _one(family: str, seed: int, number: int, common: dict[str, Any]) -> DriveSpec:
    """Draw one drive of a family."""
    draws = Draws(seed, "bench")
    rate, duration = draws.pick((
        (10.0, 600.0), (10.0, 600.0), (10.0, 600.0), (10.0, 600.0), (20.0, 600.0), (20.0, 600.0), (5.0, 600.0),
        (1.0, 900.0), (50.0, 420.0), (100.0, 360.0),
    ))
    fused = family in _FUSED_ONLY or (family not in _GNSS_ONLY and draws.chance(0.2))
    faults = _faults(family, number, duration, draws)
    day = pd.Timestamp("2026-04-14") + pd.Timedelta(days=draws.whole(0, 90), seconds=draws.whole(0, 86_399))
    outputs = _outputs(family, fused, seed, draws)
    values: dict[str, Any] = {
        "seed": seed, "faults": faults, "family": family, "run": f"run {number + 1:02d}", "duration_s": duration,
        "rate_hz": rate, "start_utc": day.strftime("%Y-%m-%dT%H:%M:%S"),
        "solution_kind": "fused" if fused else "gnss", "gst": draws.chance(0.88), "rmc": draws.chance(0.9),
        "noise_factor": draws.pick((0.5, 1.0, 1.0, 1.0, 1.0, 1.0, 2.0, 3.0)),
        "claim_factor": round(draws.between(0.6, 1.3), 2),
        "correction_interval_s": draws.pick((1.0, 1.0, 1.0, 1.0, 2.0, 5.0)),
        "base_east_m": round(draws.between(-3500.0, 1500.0)), "base_north_m": round(draws.between(-3500.0, 1500.0)),
        "marks": draws.whole(0, 2), "reverse": draws.chance(0.4), "speed_factor": round(draws.between(0.6, 1.0), 2),
        "satellites_cap": 12 if draws.chance(0.1) else 0, "outputs": outputs,
        "long_rest_s": 160.0 if family == "slow_multipath" and draws.chance(0.5) else 0.0,
    }
    return DriveSpec(**(values | common))


def _faults(family: str, number: int, duration_s: float, draws: Draws) -> tuple[str | Fault, ...]:
    """Draw the faults of a drive: that of its family, and with some a zone of bad sky beside it."""
    faults: tuple[str | Fault, ...] = () if family == "clean" else (family,)
    if family == "never_fixed" and number % 2:
        faults = (Fault(family, duration_s=0.65 * duration_s),)
    if family not in ("clean", *_CLEAN_AT_ROVER, *_ZONES, "never_fixed") and draws.chance(0.2):
        faults = (*faults, draws.pick(_ZONES))
    return faults


def _outputs(family: str, fused: bool, seed: int, draws: Draws) -> tuple[str, ...]:
    """Draw what is recorded beside the positions."""
    outputs = [name for name, share in (("corrections", 0.3), ("inertial", 0.35), ("measurement_csv", 0.1))
               if draws.chance(share)]
    if family.startswith("clock_"):
        outputs.append("measurement_csv")
    if fused and Draws(seed, "bench fused").chance(_FUSED_WITH_INERTIAL):
        outputs.append("inertial")
    return tuple(dict.fromkeys(outputs))
