"""When each fault of a drive acts: every draw of the fault list, made before anything is simulated."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analyzer.demo.draws import Draws
from analyzer.demo.kinds import Kind, kind_of
from analyzer.demo.spec import DriveSpec, Fault

Array = NDArray[np.float64]

#: First and last moments at which a drawn fault may act [s from start, s before the end].
FIRST_S, LAST_S = 85.0, 35.0


@dataclass(frozen=True)
class Event:
    """One planted fault with its time and size. `detail` holds what else was drawn for it."""

    kind: str
    start_s: float
    end_s: float
    size: float
    unit: str
    detail: dict[str, float] = field(default_factory=dict)
    vector_m: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def holds(self, times_s: Array) -> NDArray[np.bool_]:
        """Return at which times the event acts."""
        return np.asarray((times_s >= self.start_s) & (times_s < self.end_s))


@dataclass(frozen=True)
class Plan:
    """All planted faults of a drive, in time order."""

    events: tuple[Event, ...]

    def of(self, *kinds: str) -> Iterator[Event]:
        """Yield the events of the given kinds."""
        return (e for e in self.events if e.kind in kinds)

    def one(self, kind: str) -> Event | None:
        """Return the first event of a kind, or None."""
        return next(self.of(kind), None)


def make_plan(spec: DriveSpec) -> Plan:
    """Return the faults of `spec` with every missing time and size drawn."""
    draws = Draws(spec.seed, "plan")
    wanted = list(_expand(spec, draws))
    timed = [w for w in wanted if kind_of(w.kind).timing == "timed" and w.start_s is None]
    slots = iter(_slots(spec.duration_s, len(timed), draws))
    events = [_event(w, next(slots) if w in timed else None, spec, draws) for w in wanted]
    return Plan(tuple(sorted(events, key=lambda e: (e.start_s, e.kind))))


def _expand(spec: DriveSpec, draws: Draws) -> Iterator[Fault]:
    """Yield one `Fault` per event: a bare name becomes as many as its kind asks for."""
    for fault in spec.faults:
        if isinstance(fault, Fault):
            yield fault
            continue
        kind = kind_of(fault)
        count = draws.whole(*kind.count)
        room = max(1, int((spec.duration_s - FIRST_S - LAST_S) / (0.6 * sum(kind.duration_s) + 30.0)))
        for _ in range(min(count, room) if kind.timing == "timed" and kind.duration_s[1] > 0 else count):
            yield Fault(fault)


def _slots(duration_s: float, count: int, draws: Draws) -> list[tuple[float, float]]:
    """Cut the usable part of the drive into `count` slots, in random order."""
    first, last = min(FIRST_S, 0.4 * duration_s), duration_s - min(LAST_S, 0.1 * duration_s)
    edges = np.linspace(first, last, count + 1)
    order = np.argsort(draws.unit(count)) if count else np.empty(0, dtype=int)
    return [(float(edges[i]), float(edges[i + 1])) for i in order]


def _event(fault: Fault, slot: tuple[float, float] | None, spec: DriveSpec, draws: Draws) -> Event:
    """Draw what `fault` leaves open."""
    kind = kind_of(fault.kind)
    start, end = _span(fault, kind, slot, spec, draws=draws)
    size = fault.size if fault.size is not None else _drawn_size(kind, draws)
    detail = {name: draws.unit(1)[0] for name in ("a", "b", "c", "d")}
    return Event(fault.kind, round(start, 2), round(end, 2), round(size, 4), kind.unit,
                 {k: float(v) for k, v in detail.items()}, _vector(kind.name, size, draws))


def _drawn_size(kind: Kind, draws: Draws) -> float:
    """Draw a size, evenly on a logarithmic scale: small faults are as telling as large ones."""
    low, high = kind.size
    return float(np.exp(draws.between(np.log(low), np.log(high)))) if low < high else low


def _span(
    fault: Fault, kind: Kind, slot: tuple[float, float] | None, spec: DriveSpec, *, draws: Draws
) -> tuple[float, float]:
    """Return start and end [s] of an event."""
    whole = spec.duration_s
    if kind.timing in ("whole", "place"):
        return 0.0, whole if fault.duration_s is None else min(fault.duration_s, whole)
    low, high = kind.duration_s
    drawn = float(np.exp(draws.between(np.log(low), np.log(high)))) if 0 < low < high else low
    if kind.timing == "start":
        return 0.0, fault.duration_s or min(drawn, 0.6 * whole)
    if kind.timing == "tail":
        start = fault.start_s if fault.start_s is not None else whole * draws.between(0.45, 0.7)
        return start, whole
    duration = fault.duration_s if fault.duration_s is not None else drawn
    if fault.start_s is not None or slot is None:
        start = fault.start_s or 0.0
        return start, min(start + duration, whole)
    room = slot[1] - slot[0]
    duration = min(duration, 0.7 * room)
    start = slot[0] + (room - duration) * draws.between(0.05, 0.75)
    return start, start + duration


def _vector(name: str, size: float, draws: Draws) -> tuple[float, float, float]:
    """Return the offset (east, north, up) of a fault measured in metres: `size` long in the horizontal plane."""
    east, north = draws.direction() * size
    up = size * draws.between(0.9, 2.2) * (1.0 if draws.chance(0.5) else -1.0)
    if name in ("lever_arm_wrong", "base_moved"):
        up = size * draws.between(-0.5, 0.5)
    return round(float(east), 4), round(float(north), 4), round(float(up), 4)
