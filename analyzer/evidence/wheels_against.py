"""Wheel speed that contradicts the log for long: a roller bench, a ferry, a tow, a dead sensor, or another clock or unit.

Neither of the two is taken for right, and trust is left as it is; but nobody should learn of it from a plot later.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from analyzer import intervals
from analyzer.evidence.sensor_series import at_epochs, wheel_speed
from analyzer.evidence.track import Floats
from analyzer.recording import Finding, Recording
from analyzer.settings import thresholds


def wheels_against(recording: Recording) -> tuple[Finding, ...]:
    """Return findings on a wheel speed of another scale than the log's, and on stretches in which the two contradict each other."""
    wheel, fixes = wheel_speed(recording), recording.fixes
    if wheel is None or "speed_mps" not in fixes:
        return ()
    t = intervals.seconds(pd.DatetimeIndex(fixes.index))
    speed, wheels = fixes["speed_mps"].to_numpy(np.float64), np.abs(at_epochs(t, *wheel))
    scale = scale_of(speed, wheels)
    spans = contradictions(t, speed, scale * wheels)
    return (*_scale_words(scale), *_contradiction_words(spans, pd.DatetimeIndex(fixes.index), t, (speed, wheels)))


def scale_of(speed: Floats, wheels: Floats) -> float:
    """Return the speed of the log over that of the wheels [-], the median where both move; 1 where they never do together."""
    limits = thresholds("analyzer.evidence")
    both = (speed > limits["wheels.moving"]) & (wheels > limits["wheels.moving"])
    return float(np.median(speed[both] / wheels[both])) if both.sum() >= limits["wheels.least_rows"] else 1.0


def contradictions(t: Floats, speed: Floats, wheels: Floats) -> list[tuple[int, int]]:
    """Return the spans [start, end) of rows in which `speed` and `wheels` [m/s] are apart for at least `wheels.lasting` without a break."""
    limits = thresholds("analyzer.evidence")
    room = np.maximum(limits["wheels.apart"], limits["wheels.apart_share"] * np.fmax(speed, wheels))
    apart = np.abs(speed - wheels) > room
    return [(start, end) for start, end in intervals.runs(apart) if t[end - 1] - t[start] >= limits["wheels.lasting"]]


def _scale_words(scale: float) -> tuple[Finding, ...]:
    """Return the finding on a scale that no tyre has."""
    if abs(np.log(scale)) <= np.log(thresholds("analyzer.evidence")["wheels.scale"]):
        return ()
    return (Finding("wheel_speed_scale", "warning", (
        f"The recorded wheel speed is {1 / scale:.3g} times the speed of the log where both move: no tyre differs by so much. Check its unit in the "
        "column map (km/h read as m/s is 3.6 times too large), or whether it is a speed of the vehicle at all."), {"ratio": 1 / scale}),)


def _contradiction_words(
    spans: list[tuple[int, int]], times: pd.DatetimeIndex, t: Floats, speeds: tuple[Floats, Floats]
) -> tuple[Finding, ...]:
    """Return the finding on stretches in which wheels and log contradict each other."""
    if not spans:
        return ()
    seconds = float(sum(t[end - 1] - t[start] for start, end in spans))
    start, end = max(spans, key=lambda span: t[span[1] - 1] - t[span[0]])
    log, wheels = (float(np.nanmedian(x[start:end])) for x in speeds)
    when = f"from {times[start]:%H:%M:%S} to {times[end - 1]:%H:%M:%S} UTC"
    longest = when if len(spans) == 1 else f"in {len(spans)} stretches, the longest {when}"
    return (Finding("wheel_speed_contradicts", "warning", (
        f"For {seconds:.0f} s the recorded wheel speed and the speed of the log contradict each other ({longest}: the wheels turn at "
        f"{wheels:.1f} m/s, the log says {log:.1f} m/s): a roller bench, a ferry or a tow, a sensor that died, or a clock that is off. Which of "
        "the two is right the data do not tell: look at both before anything is built on that time."), {"seconds": seconds, "times": len(spans)}),)
