"""Where the base stands for a drive, by what says so, and whether it can be the base of that drive at all."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analyzer import geodesy, wording
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


def usable_base(recording: Recording, setup: Setup, given: Place | None, *, by_log: bool) -> tuple[BasePlace | None, tuple[Finding, ...]]:
    """Return where the base stands as `base_place` does, but for a sheet that the recording contradicts: that is told, and not built on.

    Positions fixed further than `base.farthest` from the place that the sheet states cannot be fixed from there. A base log that stands
    elsewhere than the sheet says is no better word for where the corrections came from: the sheet is kept, and the contradiction told.
    """
    about_log = log_against_sheet(setup, given) if by_log else ()
    if any(f.code == "base_log_elsewhere" for f in about_log):
        place, told = usable_base(recording, setup, None, by_log=False)
        return place, (*about_log, *told)
    place = base_place(recording, setup, given, by_log=by_log)
    if place is None or given is not None or setup.base.position is None:
        return place, about_log
    told = base_far(place, _from_fixed(recording, place))
    if not told:
        return place, ()
    text = f"{told[0].text.rstrip('.')}. Positions were fixed all the same, so that no bound is built on what the sheet states of the base."
    unstated = replace(setup, base=replace(setup.base, latitude_deg=None, longitude_deg=None, height_m=None))
    return base_place(recording, unstated, None, by_log=False), (replace(told[0], code="base_contradicted", text=text),)


def log_against_sheet(setup: Setup, log: Place | None) -> tuple[Finding, ...]:
    """Return how far the base log stands from the base as stated, in plan since heights of a sheet may be above a geoid; nothing where one is unknown."""
    stated = setup.base.position
    if log is None or stated is None:
        return ()
    away = float(geodesy.distances(np.array([log[0]]), np.array([log[1]]), stated[0], stated[1])[0])
    evidence = {"away_m": away, "latitude_deg": log[0], "longitude_deg": log[1]}
    if away <= thresholds("analyzer.verdict")["base.log_apart"]:
        return (Finding("base_log_there", "note", f"The base log stands {wording.length(away)} in plan from the base as stated.", evidence),)
    text = (f"The base log stands {wording.length(away)} from the base as stated: the log of another base, or wrong coordinates in the set-up sheet. "
            "Distances from the base and what grows with them are taken from the base as stated.")
    return (Finding("base_log_elsewhere", "warning", text, evidence),)


def _from_fixed(recording: Recording, place: BasePlace) -> NDArray[np.float64]:
    """Return distances [m] of fixed positions from the base; some of many, since a drive is short against what counts as far."""
    fixed = np.flatnonzero((recording.fixes["fix_state"] == "fixed").to_numpy())
    some = recording.fixes.iloc[fixed[:: max(1, len(fixed) // 1000)]]
    latitude, longitude = (some[name].to_numpy(np.float64) for name in ("latitude_deg", "longitude_deg"))
    return geodesy.distances(latitude, longitude, place.latitude_deg, place.longitude_deg)


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
