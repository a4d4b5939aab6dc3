"""A set of test days: the same route on several days, with what happened to the base in between."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analyzer.demo.base_log import make_base_log
from analyzer.demo.draws import Draws
from analyzer.demo.make import make_drive
from analyzer.demo.spec import DriveSpec, Fault
from analyzer.errors import UsageError


@dataclass(frozen=True)
class BaseEvent:
    """What happened to the base before a day, and stays.

    Attributes
    ----------
    day : number of the day from 1.
    kind : ``moved`` (antenna knocked, coordinates unchanged) or ``resurveyed`` (antenna untouched, new coordinates).
    vector_m : displacement, or change of the entered coordinates (east, north, up) [m].
    """

    day: int
    kind: str
    vector_m: tuple[float, float, float]

    def __post_init__(self) -> None:
        if self.kind not in ("moved", "resurveyed"):
            raise UsageError(f"base event {self.kind!r}; expected 'moved' or 'resurveyed'.")


def make_days(
    folder: str | Path, *, seed: int = 1, days: int = 3, drives: int = 2, events: tuple[BaseEvent, ...] = (),
    base_grade: str = "metre", unsettled_days: tuple[int, ...] = (), **common: Any,
) -> Path:
    """Write `days` test days of `drives` drives each: DIR/day1_run01 ..., DIR/day1_base.nmea ..., DIR/days.json.

    Every drive stands on three marks for 60 s each and passes them both ways. The link is weak on the far side of the
    ground every lap and the halls hide the sky every lap (recurring); one drive has a radio loss of its own (one-off).

    Parameters
    ----------
    events : what happened to the base before which day.
    base_grade, unsettled_days : of the base logs, see `make_base_log`.
    common : parameters of `DriveSpec` for all drives.
    """
    place = Path(folder)
    place.mkdir(parents=True, exist_ok=True)
    draws = Draws(seed, "days")
    lonely = draws.whole(1, days), draws.whole(1, drives)
    known: list[dict[str, Any]] = []
    for day in range(1, days + 1):
        start = pd.Timestamp("2026-04-14T07:00:00") + pd.Timedelta(days=day - 1)
        moved, entered = _state_of_base(events, day)
        settling = make_base_log(
            place / f"day{day}_base.nmea", seed=seed * 100 + day, start_utc=start.strftime("%Y-%m-%dT%H:%M:%S"),
            grade=base_grade, settled=day not in unsettled_days, antenna_moved_m=moved,
        )
        for number in range(1, drives + 1):
            spec = _drive(seed, day, number, start, common=common, alone=(day, number) == lonely)
            spec = replace(spec, antenna_moved_m=moved, entered_offset_m=entered)
            make_drive(place / f"day{day}_run{number:02d}", spec)
        known.append({"day": day, "antenna_moved_m": moved, "entered_offset_m": entered, "base_log": settling})
    content = {"days": known, "recurring": ["radio_shadow", "halls"], "one_off": f"day{lonely[0]}_run{lonely[1]:02d}"}
    (place / "days.json").write_text(json.dumps(content, indent=1) + "\n", encoding="ascii", newline="\n")
    return place


def _state_of_base(
    events: tuple[BaseEvent, ...], day: int
) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
    """Return how far the antenna has moved, and by how much the entered coordinates differ from the first day's."""
    moved, entered = np.zeros(3), np.zeros(3)
    for event in events:
        if event.day <= day:
            moved += np.array(event.vector_m) * (event.kind == "moved")
            entered += np.array(event.vector_m) * (event.kind == "resurveyed")
    return _three(moved), _three(entered)


def _three(vector: Any) -> tuple[float, float, float]:
    """Return a vector as a tuple of plain numbers."""
    return float(vector[0]), float(vector[1]), float(vector[2])


def _drive(
    seed: int, day: int, number: int, start: pd.Timestamp, *, common: dict[str, Any], alone: bool
) -> DriveSpec:
    """Return one drive of a day."""
    faults: tuple[str | Fault, ...] = ("radio_shadow", "halls")
    if alone:
        faults = (*faults, Fault("radio_loss", start_s=470.0, duration_s=30.0))
    begin = start + pd.Timedelta(minutes=45 * number + 20)
    values: dict[str, Any] = {
        "seed": seed * 10_000 + 100 * day + number, "faults": faults, "family": "days",
        "run": f"day {day} run {number:02d}", "start_utc": begin.strftime("%Y-%m-%dT%H:%M:%S"), "duration_s": 1200.0,
        "marks": 3, "mark_rest_s": 60.0, "both_ways": True, "outputs": ("corrections", "check_points"), "windows": 12,
    }
    return DriveSpec(**(values | common))
