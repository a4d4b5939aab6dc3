"""Where the base stands for a drive, by what says so, and whether it can be the base of that drive at all."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analyzer import wording
from analyzer.assessment import BasePlace
from analyzer.metrics.base_site_sent import sent_positions
from analyzer.recording import Finding, Recording
from analyzer.settings import thresholds
from analyzer.userfiles.setup_sheet import Setup

Place = tuple[float, float, float]


def base_place(recording: Recording, setup: Setup, given: Place | None, *, by_log: bool) -> BasePlace | None:
    """Return where the base stands: as given, by its own log where `by_log`, else as stated, else as its main station sent first."""
    if given is not None:
        return BasePlace(*given, "by its own log" if by_log else "as given")
    if setup.base.position is not None:
        return BasePlace(*setup.base.position, "by the set-up sheet")
    sent = sent_positions(recording.corrections)
    return BasePlace(*sent[0].place, "as sent in the corrections") if sent else None


def base_far(base: BasePlace | None, distance_m: NDArray[np.float64]) -> tuple[Finding, ...]:
    """Return a finding where no epoch lies so near to the base that it can be the base of this drive; distances in m."""
    if base is None or not np.isfinite(distance_m).any():
        return ()
    nearest = float(np.nanmin(distance_m))
    if nearest <= thresholds("analyzer.verdict")["base.farthest"]:
        return ()
    text = (f"The base stated ({base.origin}) is {wording.size(round(nearest / 1000))} km from the drive: "
            "wrong coordinates or a wrong file.")
    evidence = {"nearest_m": nearest, "latitude_deg": base.latitude_deg, "longitude_deg": base.longitude_deg}
    return (Finding("base_far", "warning", text, evidence),)
