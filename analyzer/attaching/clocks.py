"""The offset of a measurement's clock from what it and the recording saw of the same motion."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analyzer.attaching.measured import Measured
from analyzer.attaching.pulse import find_pulses
from analyzer.attaching.time_offset import TimeOffset, estimate


def measured_offset(epochs: pd.DataFrame, measured: Measured, signal_delay_s: float | None = None) -> TimeOffset:
    """Return what the signals say about the clocks.

    Parameters
    ----------
    epochs : index ``time_utc``, with speed and, where recorded, course, heading, yaw rate and fix state.
    measured : the measurement's own signals and times.
    signal_delay_s : delay of the speed signal itself, as stated by the user [s].
    """
    origin = pd.Timestamp(epochs.index[0]).floor("s")
    signals = {
        name: (np.asarray((times - origin) / pd.Timedelta(seconds=1), dtype=np.float64), values)
        for name, (times, values) in measured.signals.items()
    }
    pulses = next((p for n in ("pulse", "marker") if n in signals and (p := find_pulses(*signals[n])) is not None), None)
    return estimate(epochs, signals, signal_delay_s=signal_delay_s, anywhere=not measured.placed, origin=origin, pulses=pulses,
                    rows_of=measured.rows_of)
