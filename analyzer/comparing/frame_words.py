"""What each kind of evidence on a base frame says, in words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analyzer import geodesy
from analyzer.comparing.runs import Run
from analyzer.comparing.setups import Frames, Setup
from analyzer.metrics.base_site_shift import (
    Shift,
    Suspect,
    antenna_suspects,
    judge_shift,
    limits,
    name_sizes,
    place_suspects,
)

Array = NDArray[np.float64]


def words_of(vector: Sequence[float]) -> str:
    """Return a shift as words: "0.840 m east, -0.610 m north, 1.900 m up"."""
    return f"{vector[0]:+z.3f} m east, {vector[1]:+z.3f} m north, {vector[2]:+z.3f} m up"


def parking_words(setup: Setup, remove: Array | None = None) -> tuple[str, ...]:
    """Say what common parking places show, less the shift `remove` that is explained already [m]."""
    if setup.parking is None:
        return ()
    shift = setup.parking
    if remove is not None:
        shift = judge_shift(np.asarray(shift.vector_m) - remove, shift.covariance_m2, level=shift.level)
    if shift.found:
        return (f"common parking places show {words_of(shift.vector_m)} beyond that",)
    return (f"common parking places, each driven on anew, show no shift above {up_words(shift.detectable_m)}",)


def lever_words(setup: Setup) -> tuple[str, ...]:
    """Say what turns with the car."""
    lever = setup.lever
    if lever is None:
        return ()
    if lever.found:
        return (
            f"stands facing different ways show an error that turns with the car: {lever.vector_m[0]:+z.3f} m "
            "forward, "
            f"{lever.vector_m[1]:+z.3f} m left against the reference; the antenna offset on the car differs, not "
            "the base",
        )
    return (f"stands facing different ways show no change of the antenna offset above {up_words(lever.detectable_m)}",)


def log_words(setup: Setup) -> tuple[str, ...]:
    """Say what the logs at the base show."""
    if setup.log is None:
        return ()
    if setup.log.found:
        return (
            f"by the {setup.log_grade.replace('_', ' ')}-grade logs at the base the antenna moved by "
            f"{words_of(setup.log.vector_m)}",
        )
    if setup.log_grade == "centimetre":
        return (
            "by the centimetre-grade logs at the base no move of the antenna above "
            f"{up_words(setup.log.detectable_m)} was found",
        )
    return (
        f"the {setup.log_grade.replace('_', ' ')}-grade logs at the base would only show shifts above "
        f"{up_words(setup.log.detectable_m)}: "
        "not evaluated below that",
    )


def absolute_words(setup: Setup, found: Frames, runs: Sequence[Run]) -> tuple[str, ...]:
    """Say how positions stand to the marks' own coordinates."""
    shift = setup.absolute
    if shift is None:
        return ()
    if not shift.found:
        return (f"against the marks' own coordinates no shift above {up_words(shift.detectable_m)} was found",)
    named = name_sizes(shift, suspects(setup, found, runs))
    return (
        f"against the marks' own coordinates positions are shifted by {words_of(shift.vector_m)}",
        *named_words(named),
    )


def named_words(named: Sequence[Suspect]) -> tuple[str, ...]:
    """Say which common mistakes fit, the two best at most."""
    return tuple(f"the size fits: {s.words}" for s in named[:2])


def named_keys(shift: Shift | None, setup: Setup, found: Frames, runs: Sequence[Run]) -> tuple[str, ...]:
    """Return the keys of the common mistakes that fit a shift."""
    return tuple(s.key for s in name_sizes(shift, suspects(setup, found, runs))) if shift is not None else ()


def suspects(setup: Setup, found: Frames, runs: Sequence[Run]) -> list[Suspect]:
    """Return the common mistakes that can be sized for a set-up: antenna height, neighbours' coordinates."""
    base = runs[setup.runs[0]].base
    out: list[Suspect] = list(antenna_suspects(base.antenna_height_m))
    if base.place is None:
        return out
    own = _local(base.place, found)
    others = {}
    for other in found.setups:
        place = other.place
        if place is not None and np.linalg.norm(_local(place, found) - own) > limits()["mark.radius"]:
            name = runs[other.runs[0]].base.name or f"station {other.station_id}"
            others[f"the base {name} of {other.day}"] = _local(place, found)
    out += place_suspects(own, list(others.items()))
    return out


def _local(place: tuple[float, float, float], found: Frames) -> Array:
    return np.array([float(v) for v in geodesy.to_enu(*place, origin=found.origin)])


def as_three(vector: Array) -> tuple[float, float, float]:
    """Return a vector as three plain numbers."""
    return float(vector[0]), float(vector[1]), float(vector[2])


def up_words(value_m: float) -> str:
    """Return a length rounded upwards: a stated detectable size must not be smaller than it is."""
    if value_m < 1.0:
        return f"{np.ceil(value_m * 1000 - 1e-9) / 10:.1f} cm"
    return f"{np.ceil(value_m * 10 - 1e-9) / 10:.1f} m"
