"""The correction link: when each correction set of the base reaches the rover, and the age that follows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyzer.demo.draws import Draws
from analyzer.demo.motion import Motion
from analyzer.demo.plan import Plan
from analyzer.demo.route import lap, stretch
from analyzer.demo.scenario import BASE_STATION_ID, OTHER_STATION_ID
from analyzer.demo.spec import DriveSpec

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Typical bytes of one set (four systems, facts of the trade); sets the transport time on the line.
SET_BYTES = 660
_OUTAGES = ("radio_loss", "base_pause", "base_off", "stale_corrections", "base_resurveyed")


@dataclass(frozen=True)
class Link:
    """Correction sets of the base; times in seconds from the first rover epoch.

    Attributes
    ----------
    epoch_s : time of each set at the base.
    sent : whether the base sent it.
    received : whether the rover received it.
    arrival_s : when it reached the rover.
    """

    epoch_s: Array
    sent: Flags
    received: Flags
    arrival_s: Array
    interval_s: float

    def age(self, times_s: Array) -> Array:
        """Return the age [s] of the last set received at each time; NaN before the first."""
        epochs, arrivals = self.epoch_s[self.received], self.arrival_s[self.received]
        last = np.searchsorted(arrivals, times_s, side="right") - 1
        if not len(epochs):
            return np.full(len(times_s), np.nan)
        return np.where(last >= 0, times_s - epochs[np.maximum(last, 0)], np.nan)

    @property
    def usual_largest_age_s(self) -> float:
        """Top of the healthy sawtooth [s]: one interval and the slowest usual transport."""
        delay = self.arrival_s - self.epoch_s
        return float(self.interval_s + np.percentile(delay[self.received], 95)) if self.received.any() else np.inf


def outage_end(kind: str, start_s: float, end_s: float, detail_a: float) -> float:
    """Return when corrections come back; a re-survey takes 25 to 70 s."""
    return start_s + 25.0 + 45.0 * detail_a if kind == "base_resurveyed" else end_s


def drive_link(spec: DriveSpec, plan: Plan, motion: Motion) -> Link:
    """Return the correction sets of the drive, from 30 s before the first epoch on."""
    draws = Draws(spec.seed, "link")
    step = spec.correction_interval_s
    epoch = np.arange(-30.0, spec.duration_s + step, step)
    count = len(epoch)
    transport = 0.12 + 10.0 * SET_BYTES / spec.line_rate
    delay = transport - 0.035 * np.log(draws.unit(count))
    late = draws.unit(count) < 0.002
    delay = delay + np.where(late, 0.3 + 0.9 * draws.unit(count), 0.0)
    arrival = np.maximum.accumulate(epoch + delay)
    sent = np.ones(count, dtype=bool)
    received = draws.unit(count) > 0.0008
    for event in plan.of(*_OUTAGES):
        end = outage_end(event.kind, event.start_s, event.end_s, event.detail["a"])
        inside = (epoch + transport >= event.start_s) & (epoch + transport < end)
        received &= ~inside
        if event.kind.startswith("base_"):
            sent &= ~inside
    if plan.one("radio_shadow") is not None:
        start, end = stretch("shadow")
        position = motion.at(np.clip(arrival, 0.0, spec.duration_s)).lap_m % lap().length_m
        received &= ~((position >= start) & (position < end))
    return Link(epoch, sent, received & sent, arrival, step)


def station_of(plan: Plan, times_s: Array) -> NDArray[np.int64]:
    """Return the id of the station whose corrections the rover uses at each time."""
    station = np.full(len(times_s), BASE_STATION_ID)
    for event in plan.of("second_base"):
        inside = event.holds(times_s)
        if captured(event.detail["a"]):
            station[inside] = OTHER_STATION_ID
        else:
            turn = np.floor((times_s - event.start_s) / (1.0 + 3.0 * event.detail["c"])).astype(np.int64) % 2 == 0
            station[inside & turn] = OTHER_STATION_ID
    return station


def captured(draw: float) -> bool:
    """Return whether the rover is taken over by the other base (it fixes there) rather than torn between both."""
    return draw < 0.5
