"""What is said of a clock that cannot be proved: steps within the measurement, groups with other clocks, offsets that are only stated."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analyzer.attaching.signals import LIMITS
from analyzer.attaching.time_offset import TimeOffset
from analyzer.attaching.time_offset_estimate import NAMES
from analyzer.settings import thresholds


def moment(offset: TimeOffset, seconds: float) -> str:
    """Return the time of day of `seconds` of the recording."""
    return (offset.origin + pd.Timedelta(seconds=seconds)).strftime("%H:%M:%S")


def signal(offset: TimeOffset) -> str:
    """Return the name of the signal that told the clock."""
    return NAMES[offset.apparent.kind] if offset.apparent is not None else "signals"


def step_seen(offset: TimeOffset) -> str:
    """Return what is seen of a step, without what follows from it."""
    step = offset.step
    assert step is not None
    return (f"its clock jumps by {step.size_s:+.3f} s (95 % +/- {step.half_width_s:.3f} s) between {moment(offset, step.from_s)} and "
            f"{moment(offset, step.until_s)} UTC: its {signal(offset)} appears {step.before_s:+.3f} s before and {step.after_s:+.3f} s behind")


def unusable(offset: TimeOffset) -> str | None:
    """Return why no single offset holds for the rows and what to do, or None where one does."""
    if offset.step is not None:
        return (f"the clocks disagree: {step_seen(offset)}, where one offset was expected for the whole file; cut the measurement there and use "
                "each part by itself, or mend its time stamps")
    if offset.apart and not offset.rows_told:
        others = ", ".join(f"{NAMES[a.kind]} stamps {1e3 * a.late_s:+.1f} ms against it" for a in offset.apart)
        return (f"the clocks disagree: its signals have no clock in common ({signal(offset)} leads, {others}), and which of them the rows "
                "follow is not known; name a channel that is stamped with one of these signals by --rate-of, or mend the stamps of the groups")
    return None


def unwatched(offset: TimeOffset) -> str:
    """Return the words on when a step of the clock would not have been seen; the interval holds only where one would."""
    if offset.line is None or offset.step is not None:
        return ""
    watched = offset.watched
    if watched is None:
        return "; too few changes of motion to watch the clock for steps, so that the interval holds only if it made none"
    return (f"; a step of the clock would be seen from {moment(offset, watched.from_s)} to {moment(offset, watched.until_s)} UTC and from "
            f"{1e3 * watched.least_s:.0f} ms on, not before, behind or below")


def contradicts(offset: TimeOffset, stated_s: float) -> bool | None:
    """Return whether the signals contradict a stated offset; None where they say nothing."""
    if offset.line is None:
        return None
    if offset.step is not None:
        return True
    limits = thresholds(LIMITS)
    late, half = offset.line.offset_s - stated_s, offset.line.half_width_s
    if offset.delay_source is None:
        # all that is apparent may be the delay of the sensor, as far as it can be one
        return late + half < limits["band.earliest_s"] or late - half > limits["band.latest_s"]
    return abs(late) > half


def stated_words(offset: TimeOffset, stated_s: float) -> str:
    """Return the words on an offset that was stated: that nothing proves it, and what the signals say to it."""
    text = f"an offset of {stated_s:+.3f} s was taken out as stated, and no interval of it is proven"
    line = offset.line
    if line is None:
        widest = thresholds(LIMITS)["fit.widest_s"]
        return f"{text}: {offset.not_evaluated}; bounds of rows at speed are widened as for a clock known to {widest:.2f} s"
    if offset.step is not None:
        seen = f"although {step_seen(offset)}"
    else:
        value = f"{1e3 * line.offset_s:+.1f} ms (95 % +/- {1e3 * line.half_width_s:.1f} ms)" if abs(line.offset_s) < 1.0 else \
            f"{line.offset_s:+.3f} s (95 % +/- {line.half_width_s:.3f} s)"
        if contradicts(offset, stated_s):
            seen = f"although the {signal(offset)} shows {value}, which contradicts it"
        elif offset.delay_source is None and abs(line.offset_s - stated_s) > line.half_width_s:
            seen = f"the {signal(offset)} shows {value}, which may be its own delay: --signal-delay states it"
        else:
            seen = f"the {signal(offset)} shows {value}, which does not contradict it"
    far = max(abs(float(x.offset_s) - stated_s) + np.nan_to_num(x.half_width_s) for x in offset.lines)
    return f"{text}; {seen}; bounds of rows at speed are widened by how far apart both are and may be ({1e3 * far:.1f} ms)"
