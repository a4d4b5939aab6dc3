"""Where the base says that it stands: the positions sent in the corrections of a drive."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analyzer import geodesy

#: Steps below this [m] are roundings of one entry, not another one; 1005 and 1006 carry 0.1 mm.
_SAME_M = 0.003


@dataclass(frozen=True)
class SentPosition:
    """A position that a base sent (1005, 1006): degrees, ellipsoidal height [m]; the antenna height where sent."""

    latitude_deg: float
    longitude_deg: float
    height_m: float
    station_id: int | None
    antenna_height_m: float | None

    @property
    def place(self) -> tuple[float, float, float]:
        """Latitude, longitude [deg] and ellipsoidal height [m]."""
        return self.latitude_deg, self.longitude_deg, self.height_m


def sent_positions(corrections: pd.DataFrame) -> list[SentPosition]:
    """Return every position that the main station sent, in order of time; more than one where it changed.

    Parameters
    ----------
    corrections : layout `analyzer.tables.CORRECTIONS`; what was recorded at the rover counts before other places.

    Notes
    -----
    The main station is the one most messages came from, so that a stray base is no change and no place of ours: where
    the main station sent no position, nothing is returned.
    """
    stated = corrections[corrections["x_m"].notna()]
    counts = corrections["station_id"].dropna().value_counts()
    if len(counts):
        stated = stated[(stated["station_id"] == counts.index[0]).fillna(False).to_numpy(dtype=bool)]
    if not len(stated):
        return []
    at_rover = (stated["place"] == "rover").to_numpy()
    own = stated[at_rover] if at_rover.any() else stated
    places = own[["x_m", "y_m", "z_m"]].to_numpy(np.float64)
    fresh = np.flatnonzero(np.r_[True, np.linalg.norm(np.diff(places, axis=0), axis=1) > _SAME_M])
    latitude, longitude, height = geodesy.from_ecef(*places[fresh].T)
    station, antenna = own["station_id"].iloc[fresh], own["antenna_height_m"].to_numpy(np.float64)[fresh]
    return [
        SentPosition(
            float(a), float(b), float(c), int(s) if pd.notna(s) else None, float(h) if np.isfinite(h) else None
        )
        for a, b, c, s, h in zip(latitude, longitude, height, station, antenna, strict=True)
    ]
