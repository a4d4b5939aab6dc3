"""By how much the clock of a measurement differs from that of the recording, how certain that is, and what it may mean."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from analyzer.attaching.pulse import Pulses
from analyzer.attaching.signals import LIMITS, Array, Sampled, pairs
from analyzer.attaching.time_offset_estimate import KINDS, NAMES, Apart, Estimate, apart_from, estimate_of
from analyzer.attaching.time_offset_fit import Line
from analyzer.attaching.time_offset_search import known_offsets
from analyzer.attaching.time_offset_step import Step, Watch
from analyzer.settings import thresholds


@dataclass(frozen=True)
class TimeOffset:
    """The clock of the measurement minus that of the recording.

    Attributes
    ----------
    line : the offset that a join has to take out, as a line of seconds from `origin`; None where not evaluated.
    apparent : what the leading signal shows, its own delay included.
    signal_delay_s : the part of the apparent delay that is the sensor's own; None where it cannot be told.
    delay_source : ``stated``, ``inertial``, ``pulse``, ``single`` (one inertial signal that no other confirms) or None.
    estimates : what each signal says.
    suspicion : the name of a wrong time scale, zone or whole second, or None.
    not_evaluated : why there is no answer, or None.
    watched : where a step of the clock would have been seen, and the step; None where there were too few windows to see one.
    apart : signals that cannot have the clock of the leading one.
    rows_told : whether the rows are known to have the clock of the leading signal, where others have another.
    """

    origin: pd.Timestamp
    line: Line | None
    apparent: Estimate | None
    estimates: tuple[Estimate, ...] = ()
    signal_delay_s: float | None = None
    delay_source: str | None = None
    suspicion: str | None = None
    not_evaluated: str | None = None
    speed_mps: float = np.nan
    notes: tuple[str, ...] = field(default=())
    watched: Watch | None = None
    apart: tuple[Apart, ...] = ()
    rows_told: bool = True

    @property
    def step(self) -> Step | None:
        """A clear step of the clock within the measurement."""
        return None if self.watched is None or self.watched.step is None or not self.watched.step.clear else self.watched.step

    @property
    def lines(self) -> tuple[Line, ...]:
        """All offsets that rows may have: one line, or those of both sides of a step and of signals with other clocks."""
        if self.line is None:
            return ()
        out = [self.line]
        if (step := self.step) is not None:
            out = [Line(**{**self.line.__dict__, "offset_s": x, "drift": 0.0, "half_width_s": step.half_width_s}) for x in (step.before_s, step.after_s)]
        if self.apart and not self.rows_told:
            out += [e.line for e in self.estimates if e.line is not None and any(e.kind == a.kind for a in self.apart)]
        return tuple(out)

    @property
    def offset_s(self) -> float | None:
        """Offset at the centre of the run [s]."""
        return None if self.line is None else self.line.offset_s

    @property
    def interval_s(self) -> tuple[float, float] | None:
        """Its 95 % interval [s]."""
        if self.line is None:
            return None
        return self.line.offset_s - self.line.half_width_s, self.line.offset_s + self.line.half_width_s

    @property
    def drift_ppm(self) -> float | None:
        """Rate of the measurement's clock against the recording's, less one [ppm]."""
        return None if self.line is None else self.line.drift * 1e6

    @property
    def position_error_m(self) -> float | None:
        """What the apparent delay would cost at the usual high speed of the drive, were it left in [m]."""
        if self.apparent is None or self.apparent.line is None:
            return None
        return abs(self.apparent.line.offset_s) * self.speed_mps

    @property
    def outside_band(self) -> bool:
        """Whether the interval of the apparent delay lies wholly outside what a sensor's own delay can be."""
        if self.apparent is None or self.apparent.interval_s is None:
            return False
        low, high = self.apparent.interval_s
        limits = thresholds(LIMITS)
        return high < limits["band.earliest_s"] or low > limits["band.latest_s"]

    @property
    def clock_off(self) -> bool:
        """Whether the clock itself, apart from the delay of a signal, is shown to be off by more than can be put down to anything else."""
        if self.line is None or self.delay_source is None:
            return False
        return abs(self.line.offset_s) - self.line.half_width_s > thresholds(LIMITS)["clock.agrees_s"]


def estimate(
    epochs: pd.DataFrame, measured: Mapping[str, tuple[Array, Array]], *, signal_delay_s: float | None = None,
    anywhere: bool = False, origin: pd.Timestamp | None = None, pulses: Pulses | None = None, rows_of: Collection[str] | None = None,
) -> TimeOffset:
    """Return by how much the clock of a measurement is ahead of the recording's (positive: its stamps are later).

    Parameters
    ----------
    epochs : index ``time_utc`` (increasing) with ``speed_mps`` and, where recorded, course, heading, yaw rate, fix state.
    measured : for each of ``speed_mps yaw_rate_radps acceleration_x_mps2`` that was measured: times as read from the
        measurement's clock, in seconds from `origin`, and values. Scale and bias do not matter.
    signal_delay_s : delay of the speed signal itself, as stated by the user [s].
    anywhere : the measurement's clock is no UTC at all: search the whole span.
    origin : zero of the seconds; default the first epoch.
    pulses : a pulse per second that was recorded along.
    rows_of : of `measured`, those on the time base of the rows; None where all have one time base.
    """
    start = pd.DatetimeIndex(epochs.index)[0] if origin is None else origin
    sampled = {name: Sampled(seconds, values) for name, (seconds, values) in measured.items()}
    found = pairs(epochs, {n: s for n, s in sampled.items() if len(s) > 20}, start)
    speed = epochs["speed_mps"].to_numpy(dtype=np.float64, na_value=np.nan) if "speed_mps" in epochs else np.empty(0)
    fast = float(np.nanquantile(speed, 0.95)) if np.isfinite(speed).any() else np.nan
    if not found:
        return TimeOffset(start, None, None, not_evaluated="the recording and the measurement share no signal: expected a speed, "
                          "a yaw rate or a longitudinal acceleration on the measurement's side and a speed on the recording's")
    made = tuple(estimate_of(pair, anywhere=anywhere) for pair in found)
    leading = next((e for e in made if e.line is not None), None)
    if leading is None:
        return TimeOffset(start, None, made[0], made, not_evaluated=made[0].reason, speed_mps=fast)
    notes = _passed_over(leading, made, sampled)
    leading, apart, told = _of_rows(leading, made, rows_of)
    assert leading.line is not None
    line, delay_s, source = _clock(leading, [e for e in made if all(e.kind != a.kind for a in apart)], signal_delay_s, pulses)
    return TimeOffset(
        start, line, leading, made, delay_s, source, None if anywhere else suspicion(leading.line.offset_s), None, fast,
        (*notes, *_notes(leading, apart)), _watched(leading, made, line), apart, told,
    )


def _of_rows(leading: Estimate, made: tuple[Estimate, ...], rows_of: Collection[str] | None) -> tuple[Estimate, tuple[Apart, ...], bool]:
    """Return the signal that tells the clock of the rows, the signals with other clocks, and whether the first has that of the rows."""
    apart = apart_from(leading, made)
    if not apart or rows_of is None:
        return leading, apart, True
    kinds = {KINDS[name] for name in rows_of if name in KINDS}
    own = next((e for e in made if e.line is not None and e.kind in kinds), None)
    if own is None:
        return leading, apart, False
    return own, apart_from(own, made), True


def _watched(leading: Estimate, made: tuple[Estimate, ...], line: Line) -> Watch | None:
    """Return where the signal whose line is taken out watched for steps; a step that the leading one shows counts in any case."""
    if leading.watched is not None and leading.watched.step is not None and leading.watched.step.clear:
        return leading.watched
    taken = next((e for e in made if e.line is line), leading)
    return taken.watched


def _clock(leading: Estimate, made: Sequence[Estimate], stated_s: float | None,
           pulses: Pulses | None) -> tuple[Line, float | None, str | None]:
    """Return the offset of the clock, the sensor's own delay and how it is known.

    Without any evidence the whole apparent delay is taken out, and what part of it is the sensor's stays open.
    """
    assert leading.line is not None
    line = leading.line
    if pulses is not None and (moved := pulses.offset_near(line.offset_s, line.half_width_s)) is not None and _own(line.offset_s - moved):
        clock = Line(**{**line.__dict__, "offset_s": moved, "half_width_s": pulses.half_width_s})
        return clock, line.offset_s - moved, "pulse"
    if leading.kind != "speed":
        others = (e.line for e in made if e is not leading and e.line is not None)
        return line, 0.0, "inertial" if any(abs(x.offset_s - line.offset_s) <= _clear(x, line) for x in others) else "single"
    if stated_s is not None:
        return Line(**{**line.__dict__, "offset_s": line.offset_s - stated_s}), stated_s, "stated"
    limits = thresholds(LIMITS)
    inertial = [e.line for e in made if e.kind != "speed" and e.line is not None
                and e.line.half_width_s <= limits["share.inertial_s"]]
    if not inertial:
        return line, None, None
    best = min(inertial, key=lambda x: x.half_width_s)
    share_s = line.offset_s - float(best.at(line.centre_s))
    if abs(share_s) <= _clear(line, best):
        return line, 0.0, "inertial"
    return best, share_s, "inertial"


def _own(delay_s: float) -> bool:
    """Return whether a sensor's own delay can be `delay_s`; a pulse beyond it belongs to another clock than the signal."""
    limits = thresholds(LIMITS)
    return limits["band.earliest_s"] <= delay_s <= limits["band.latest_s"]


def _clear(one: Line, other: Line) -> float:
    """Return by how much [s] two signals must differ to show different offsets."""
    return max(thresholds(LIMITS)["share.least_s"], 1.5 * float(np.hypot(one.half_width_s, other.half_width_s)))


def suspicion(offset_s: float) -> str | None:
    """Return what a wrong time scale, zone or whole second would explain this offset, or None."""
    limits = thresholds(LIMITS)
    if limits["band.earliest_s"] <= offset_s <= limits["band.latest_s"]:
        return None
    known = known_offsets()
    nearest = min(known, key=lambda c: abs(offset_s - c))
    if abs(offset_s - nearest) <= limits["suspicion.near_s"]:
        return known[nearest]
    for zone in (c for c in known if abs(c) % limits["known.zone_step"] == 0 and abs(c) < limits["known.rollover"]):
        for extra in (c for c in known if abs(c) < 60.0):
            if abs(offset_s - zone - extra) <= limits["suspicion.near_s"]:
                return f"{known[zone]} and {known[extra]}"
    whole = round(offset_s)
    if whole and abs(offset_s - whole) <= limits["suspicion.whole_s"]:
        return f"a whole number of seconds ({whole:+d} s)"
    return None


def _passed_over(leading: Estimate, made: tuple[Estimate, ...], sampled: Mapping[str, Sampled]) -> list[str]:
    """Return why a signal that would have told more about the clocks than the leading one could not be used."""
    notes = []
    for one in made[:made.index(leading)]:
        note = f"{NAMES[one.kind]} tells nothing about the clocks, {NAMES[leading.kind]} is used in its place: {one.reason}"
        if one.kind == "speed" and np.nanmedian(sampled["speed_mps"].values) < 0:
            note += "; most of its values are negative, as of a channel with the wrong sign"
        notes.append(note)
    return notes


def _notes(leading: Estimate, apart: tuple[Apart, ...]) -> list[str]:
    """Return what else must be said."""
    notes = []
    limits = thresholds(LIMITS)
    largest, line = limits["fit.drift_largest_ppm"], leading.line
    assert line is not None
    jumps = leading.watched is not None and leading.watched.step is not None
    if not jumps and abs(line.drift) > largest * 1e-6 + np.nan_to_num(line.drift_half_width):
        notes.append(f"the clocks drift apart by {line.drift * 1e6:+.0f} ppm, more than a clock does by itself "
                     f"({largest:.0f} ppm): look for lost samples or a wrong sample rate")
    for other in apart:
        notes.append(f"the signals of the measurement have no clock in common: {NAMES[other.kind]} stamps {1e3 * abs(other.late_s):.1f} ms "
                     f"(95 % +/- {1e3 * other.half_width_s:.1f} ms) {'later' if other.late_s > 0 else 'earlier'} than {NAMES[leading.kind]}, more than "
                     f"a sensor's own delay ({1e3 * limits['band.earliest_s']:+.0f} to {1e3 * limits['band.latest_s']:+.0f} ms) can be; only what "
                     f"{NAMES[leading.kind]} shows is used, and what is stamped with {NAMES[other.kind]} lies that far from the rows")
    return notes
