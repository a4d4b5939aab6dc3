"""Marks that cannot belong to a drive: nobody drove near them, and why that may be."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analyzer import geodesy, wording
from analyzer.evidence.claim import has_position
from analyzer.recording import Finding
from analyzer.settings import thresholds

#: So many places of a drive tell how far it stays away, to within what it drives between two of them.
PLACES = 1000


def marks_far(check_points: pd.DataFrame | None, fixes: pd.DataFrame) -> tuple[Finding, ...]:
    """Return a finding where all marks lie too far from the drive to be its own, or one does and its swap does not.

    Parameters
    ----------
    check_points : ``name latitude_deg longitude_deg``, or None.
    fixes : rows of `tables.FIXES`, at least one with a position.
    """
    if check_points is None or not len(check_points):
        return ()
    places = fixes.loc[has_position(fixes), ["latitude_deg", "longitude_deg"]]
    places = places.iloc[np.unique(np.linspace(0, len(places) - 1, PLACES).astype(int))]
    near_m = thresholds("analyzer.verdict")["base.farthest"]
    ends = list(zip(check_points["latitude_deg"], check_points["longitude_deg"], strict=True))
    away = np.array([_nearest(places, a, b) for a, b in ends])
    swapped = np.array([abs(b) <= 90 and _nearest(places, b, a) <= near_m for a, b in ends])
    names = check_points["name"].astype(str).to_numpy()
    wrong = (away > near_m) & swapped
    if not wrong.any() and not (away > near_m).all():
        return ()
    told = wrong if wrong.any() else np.ones(len(names), dtype=bool)
    first = int(np.flatnonzero(told)[0])
    text = f"The mark {names[first]}{' and others' if told.sum() > 1 else ''} cannot be of this drive: {wording.size(round(away[first] / 1000))} km lie between"
    text += "; with latitude and longitude swapped it would be near." if wrong.any() else "; check its coordinates, and whether it is the right file."
    return (Finding("check_points_far", "warning", text, {"names": names[told].tolist(), "nearest_m": float(away[told].min())}),)


def _nearest(places: pd.DataFrame, latitude_deg: float, longitude_deg: float) -> float:
    """Return the least distance of `places` from a point [m]."""
    return float(geodesy.distances(places["latitude_deg"].to_numpy(), places["longitude_deg"].to_numpy(), latitude_deg, longitude_deg).min())
