"""Whether two clocks agree well enough to join, which offset is taken out, and the words for it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analyzer.attaching.clock_words import contradicts, signal, stated_words, unusable, unwatched
from analyzer.attaching.signals import LIMITS, Array
from analyzer.attaching.time_offset import TimeOffset
from analyzer.attaching.time_offset_fit import Line
from analyzer.errors import RefusedError, UsageError
from analyzer.settings import thresholds

#: Who tells the delay of a sensor from the clock, by `TimeOffset.delay_source`.
SHOWS = {"pulse": "a pulse per second shows", "inertial": "inertial signals show"}
#: What is said where one inertial signal is all there is.
SINGLE = "; no second signal confirms it, but inertial sensors have next to no delay of their own, so it is taken for the clock's"


@dataclass(frozen=True)
class Applied:
    """The offset that is taken out of the measurement's clock, and what is said about it.

    `how` is ``estimated``, ``estimated_on_request``, ``stated`` or ``found_by_search``. `held_against` is what the signals show
    beside a stated offset, and `contradicted` whether they contradict it (None where they say nothing, or it was not stated).
    """

    origin: pd.Timestamp
    line: Line
    how: str
    words: str
    held_against: tuple[Line, ...] = ()
    contradicted: bool | None = None

    def utc(self, times: pd.DatetimeIndex) -> pd.DatetimeIndex:
        """Return UTC of the recording for stamps of the measurement."""
        line = self.line
        micro = times.as_unit("us").asi8 - self.origin.as_unit("us").asm8.astype("int64")
        missing = np.asarray(times.isna())
        seconds = np.where(missing, 0.0, micro * 1e-6)
        exact = (seconds - line.offset_s + line.drift * line.centre_s) / (1.0 + line.drift)
        moved = np.rint(exact * 1e6).astype(np.int64) + self.origin.as_unit("us").asm8.astype("int64")
        out = moved.astype("datetime64[us]")
        out[missing] = np.datetime64("NaT")
        return pd.DatetimeIndex(out).tz_localize("UTC")

    def half_width(self, utc: pd.DatetimeIndex) -> Array:
        """Return the 95 % half-width of the clock at UTC times [s].

        A stated offset proves nothing: rows may be off by what the signals show beside it, the farthest where they show
        several, and where they show nothing by as much as would be no answer.
        """
        seconds = np.nan_to_num(np.asarray((utc - self.origin) / pd.Timedelta(seconds=1), dtype=np.float64))
        if self.how != "stated":
            return self.line.half_width_at(seconds)
        if not self.held_against:
            return np.full(len(utc), thresholds(LIMITS)["fit.widest_s"])
        return np.asarray(np.max([np.abs(x.at(seconds) - self.line.offset_s) + x.half_width_at(seconds) for x in self.held_against], axis=0))

    def entry(self) -> dict[str, Any]:
        """Return it for the sidecar."""
        proven = self.how != "stated"
        interval = [self.line.offset_s - self.line.half_width_s, self.line.offset_s + self.line.half_width_s] if proven else None
        centre = self.origin + pd.Timedelta(seconds=self.line.centre_s)
        return {"offset_s": self.line.offset_s, "interval_s": interval, "drift_ppm": self.line.drift * 1e6, "how": self.how,
                "proven": proven, "contradicted": self.contradicted, "at_utc": centre, "words": self.words}


def parse_offset(text: str | float | None) -> str | float | None:
    """Return ``auto``, seconds, or None.

    Raises
    ------
    UsageError : neither.
    """
    if text is None or text == "auto":
        return text
    try:
        value = float(text)
    except ValueError:
        value = np.nan
    if not np.isfinite(value):
        raise UsageError(f"offset {text}: expected 'auto' or seconds that the measurement's clock is ahead, like 18 or -0.25.")
    return value


def decide(offset: TimeOffset, wanted: str | float | None, *, name: str, placed: bool) -> Applied:
    """Return the offset to take out.

    Parameters
    ----------
    wanted : None joins only where the clocks agree; ``auto`` takes out what was found; a number [s] is taken out as is.
    placed : whether the measurement's clock is UTC at all; one that is not is placed by what was found.

    Raises
    ------
    RefusedError : the offset is not known, or the clocks disagree, and nothing was asked to override it.
    """
    if isinstance(wanted, (int, float)):
        stated = float(wanted)
        return Applied(offset.origin, _constant(stated), "stated", stated_words(offset, stated), offset.lines, contradicts(offset, stated))
    if offset.line is None:
        raise RefusedError(f"{name}: it cannot be shown that its clock agrees with the recording's: {offset.not_evaluated}; name "
                           "another signal with --speed or --yaw-rate, or state the offset with --offset S.")
    if (why := unusable(offset)) is not None:
        raise RefusedError(f"{name}: {why}.")
    if not placed:
        return Applied(offset.origin, offset.line, "found_by_search",
                       f"its clock is no UTC and was placed by its {signal(offset)}, {_interval(offset)}{unwatched(offset)}")
    if wanted == "auto":
        return Applied(offset.origin, offset.line, "estimated_on_request",
                       f"an offset of {_value(offset)} was found and taken out as asked{_named(offset)}{unwatched(offset)}")
    if offset.suspicion is not None or offset.outside_band:
        raise RefusedError(_refusal(offset, name))
    return Applied(offset.origin, offset.line, "estimated", _agreement(offset) + unwatched(offset))


def _constant(seconds: float) -> Line:
    return Line(seconds, 0.0, 0.0, 0.0, 0.0, 0, np.nan, np.nan)


def _apparent(offset: TimeOffset) -> tuple[float, float]:
    """Return apparent delay and half-width [s]."""
    if offset.apparent is None or offset.apparent.line is None:
        return np.nan, np.nan
    return offset.apparent.line.offset_s, offset.apparent.line.half_width_s


def _value(offset: TimeOffset) -> str:
    assert offset.line is not None
    return f"{offset.line.offset_s:+.3f} s +/- {offset.line.half_width_s:.3f} s"


def _interval(offset: TimeOffset) -> str:
    assert offset.line is not None
    return f"certain to {offset.line.half_width_s * 1e3:.1f} ms (95 %)"


def _named(offset: TimeOffset) -> str:
    return f"; it looks like {offset.suspicion}" if offset.suspicion else ""


def _cost(offset: TimeOffset) -> str:
    error = offset.position_error_m
    if error is None or not np.isfinite(error):
        return ""
    return f", which would be {error:.2f} m at {offset.speed_mps:.0f} m/s" if error < 1000 else ""


def _agreement(offset: TimeOffset) -> str:
    if offset.clock_off:
        return _clock_off(offset)
    value, half = _apparent(offset)
    within = "" if offset.delay_source else " within the signal's own delay"
    text = f"the clocks agree{within}: {signal(offset)} appears {_late(value)} (95 % +/- {half * 1e3:.1f} ms)"
    text += _cost(offset)
    if offset.delay_source is None:
        lacking = "from inertial signals with another clock, only from a pulse" if offset.apart else "without inertial signals, a pulse"
        return text + f"; it is taken out, and how much of it is the sensor's own delay cannot be told {lacking} or --signal-delay"
    if offset.delay_source == "stated":
        return text + f"; {offset.signal_delay_s or 0.0:.3f} s of it are the sensor's own as stated"
    if offset.delay_source == "single":
        return f"{text}{SINGLE} and taken out"
    if not offset.signal_delay_s:
        return text + "; inertial signals show the same, so it is the clock's, and is taken out"
    assert offset.line is not None
    return text + (f"; {SHOWS[offset.delay_source]} that {offset.signal_delay_s * 1e3:+.1f} ms are the sensor's own and "
                   f"{offset.line.offset_s * 1e3:+.1f} ms the clock's, which are taken out")


def _clock_off(offset: TimeOffset) -> str:
    """Return the words on a clock that is off by more than any delay of a signal explains, and yet within what is refused."""
    line, source = offset.line, offset.delay_source
    assert line is not None and source is not None
    text = f"the clocks do not agree: the acquisition clock stamps {_late(line.offset_s)} (95 % +/- {line.half_width_s * 1e3:.1f} ms)"
    if np.isfinite(offset.speed_mps):
        text += f", which would be {abs(line.offset_s) * offset.speed_mps:.2f} m at {offset.speed_mps:.0f} m/s"
    own = f"{(offset.signal_delay_s or 0.0) * 1e3:+.1f} ms of what {signal(offset)} shows are the sensor's own"
    told = {"stated": f"; {own} as stated", "single": SINGLE}
    text += told[source] if source in told else f"; {SHOWS[source]} that " + (own if offset.signal_delay_s else "it is the clock's")
    return text + "; it is taken out: mend the clock of the logger; --offset auto has it taken out without question, --offset 0 leaves it in"


def _late(value_s: float) -> str:
    return f"{abs(value_s) * 1e3:.1f} ms {'late' if value_s >= 0 else 'early'}"


def _refusal(offset: TimeOffset, name: str) -> str:
    limits = thresholds(LIMITS)
    value, half = _apparent(offset)
    text = f"{name}: the clocks disagree: its {signal(offset)} appears {value:+.3f} s (95 % +/- {half:.3f} s) against the recording"
    text += _cost(offset)
    if offset.suspicion:
        text += f"; that is {offset.suspicion}"
    else:
        text += (f"; a sensor's own delay lies within {limits['band.earliest_s'] * 1e3:+.0f} to {limits['band.latest_s'] * 1e3:+.0f} ms")
    mend = f"utc_offset_s = {-round(value)}" if offset.suspicion else "utc_offset_s"
    return text + f"; correct the clock in the column map ({mend}), or take the offset out with --offset auto."
