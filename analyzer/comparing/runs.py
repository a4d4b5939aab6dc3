"""What a comparison needs of each run: its name, day, base and station, from the summary of its result folder."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from analyzer.comparing.car_points import Logged, logged_point
from analyzer.comparing.rows import records
from analyzer.evidence.check_point_stands import turn
from analyzer.results.load import LoadedResult

Place = tuple[float, float, float]


@dataclass(frozen=True)
class Base:
    """The base of a run as far as it is known: place as entered, where that is known from, station and antenna."""

    place: Place | None = None
    source: str = "not known"
    station_id: int | None = None
    antenna_height_m: float | None = None
    name: str | None = None
    changes: int = 0


@dataclass(frozen=True)
class Run:
    """One run of a comparison; `day` is the UTC date of its start."""

    index: int
    name: str
    result: LoadedResult
    start: pd.Timestamp
    end: pd.Timestamp
    base: Base
    frame: str | None
    height_type: str | None
    verdict: str
    purpose: str
    centre: tuple[float, float] | None
    rules_version: str = ""
    logged: Logged = field(default_factory=Logged)

    @property
    def day(self) -> str:
        """UTC date of the start."""
        return f"{self.start:%Y-%m-%d}"

    def metric(self, key: str) -> float:
        """Return the value of a metric of the run, NaN where it was not evaluated."""
        entry = next((m for m in self.result.summary["metrics"] if m["key"] == key), None)
        value = entry.get("value") if entry else None
        return float(value) if isinstance(value, (int, float)) else float("nan")


def gather_runs(results: Sequence[LoadedResult], bases: Mapping[str, Base] | None = None) -> list[Run]:
    """Return the runs in order of time with names of their own; `bases` overrides by run name, ``*`` for all."""
    found = [_run(r) for r in results]
    found.sort(key=lambda r: (r.start, r.name))
    names = [r.name for r in found]
    names = [n if names.count(n) == 1 else f"{r.day} {n}" for n, r in zip(names, found, strict=True)]
    seen: dict[str, int] = {}
    out = []
    for number, (run, name) in enumerate(zip(found, names, strict=True)):
        seen[name] = seen.get(name, 0) + 1
        own = name if seen[name] == 1 else f"{name} ({seen[name]})"
        given = (bases or {}).get(own) or (bases or {}).get(run.name) or (bases or {}).get("*")
        base = _better(run.base, given) if given is not None else run.base
        out.append(replace(run, index=number, name=own, base=base))
    return out


def _better(known: Base, given: Base) -> Base:
    """Return the base as given, with what only the recording knows."""
    return Base(
        given.place,
        given.source,
        given.station_id if given.station_id is not None else known.station_id,
        given.antenna_height_m or known.antenna_height_m,
        given.name or known.name,
        known.changes,
    )


def _run(result: LoadedResult) -> Run:
    summary = result.summary
    setup = summary.get("setup") or {}
    origin = (summary.get("frame") or {}).get("origin")
    return Run(
        0,
        result.run,
        result,
        pd.Timestamp(summary["start_utc"]),
        pd.Timestamp(summary["end_utc"]),
        _base(summary, setup),
        setup.get("frame"),
        setup.get("height_type"),
        str(summary["verdict"]["level"]),
        str(summary["verdict"]["purpose"]["sha256"]),
        (float(origin[0]), float(origin[1])) if origin else None,
        str(summary["verdict"].get("rules_version") or "not stated"),
        logged_point(setup),
    )


def _base(summary: Mapping[str, Any], setup: Mapping[str, Any]) -> Base:
    """Return the base: as sent in the corrections, else as stated in the set-up sheet."""
    stated = setup.get("base") or {}
    sent = [row for row in (summary.get("base") or {}).get("sent", []) if row.get("latitude_deg") is not None]
    station = _station(summary, stated)
    height = stated.get("antenna_height_m")
    name = stated.get("name")
    if sent:
        first = sent[0]
        own = first.get("station_id")
        return Base(
            _place(first),
            "corrections (1005 or 1006)",
            int(own) if own is not None else station,
            height or first.get("antenna_height_m"),
            name,
            len(sent) - 1,
        )
    if (
        stated.get("latitude_deg") is not None
        and stated.get("longitude_deg") is not None
        and stated.get("height_m") is not None
    ):
        return Base(_place(stated), "set-up sheet", station, height, name)
    return Base(station_id=station, antenna_height_m=height, name=name)


def _place(row: Mapping[str, Any]) -> Place:
    return float(row["latitude_deg"]), float(row["longitude_deg"]), float(row["height_m"])


def _station(summary: Mapping[str, Any], stated: Mapping[str, Any]) -> int | None:
    """Return the station that the log names, else the stated one."""
    entry = next((m for m in summary["metrics"] if m["key"] == "station_ids"), None)
    text = str(entry.get("value") or "") if entry else ""
    first = text.replace(",", " ").split()[:1]
    if first and first[0].isdigit():
        return int(first[0])
    own = stated.get("station_id")
    return int(own) if own is not None else None


def headings(
    standstills: pd.DataFrame, times: pd.DatetimeIndex, course_deg: np.ndarray, speed_mps: np.ndarray
) -> np.ndarray:
    """Return the direction of the vehicle per standstill [deg]: as logged, else the course it came or left with.

    A car that left another way than it came was reversed, on one of the two: it may face either way, and NaN is returned.
    """
    out = np.full(len(standstills), np.nan)
    known = np.flatnonzero(np.isfinite(course_deg) & (speed_mps > 1.0))
    stamp = times.as_unit("us").asi8
    for i, row in enumerate(records(standstills)):
        if np.isfinite(row.heading_deg):
            out[i] = row.heading_deg
            continue
        start, end = row.start_utc.value // 1000, row.end_utc.value // 1000
        before = known[np.searchsorted(stamp[known], start) - 1] if len(known) and stamp[known[0]] < start else None
        after_at = int(np.searchsorted(stamp[known], end))
        after = known[after_at] if after_at < len(known) else None
        near = [float(course_deg[at]) for at, edge in ((before, start), (after, end)) if at is not None and abs(stamp[at] - edge) < 15_000_000]
        if near and turn(near[0], near[-1]) <= 90.0:
            out[i] = near[0]
    return out
