"""Where the base says that it stands: the positions sent in the corrections of a drive."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analyzer import geodesy

#: Steps below this [m] are roundings of one entry, not another one; 1005 and 1006 carry 0.1 mm.
_SAME_M = 0.003


def sent_positions(corrections: pd.DataFrame) -> list[dict[str, float | int | None]]:
    """Return every position that the main station sent, in order of time; more than one where it changed.

    Parameters
    ----------
    corrections : layout `analyzer.tables.CORRECTIONS`; what was recorded at the rover counts before other places.

    Returns
    -------
    Entries with ``latitude_deg longitude_deg height_m`` (ellipsoidal), ``station_id`` and ``antenna_height_m`` (1006;
    None where not sent). The main station is the one most messages came from, so that a stray base is no change.
    """
    stated = corrections[corrections["x_m"].notna()]
    if not len(stated):
        return []
    at_rover = (stated["place"] == "rover").to_numpy()
    stated = stated[at_rover] if at_rover.any() else stated
    counts = corrections["station_id"].dropna().value_counts()
    own = (
        stated[(stated["station_id"] == counts.index[0]).fillna(False).to_numpy(dtype=bool)] if len(counts) else stated
    )
    own = own if len(own) else stated
    places = own[["x_m", "y_m", "z_m"]].to_numpy(np.float64)
    fresh = np.flatnonzero(np.r_[True, np.linalg.norm(np.diff(places, axis=0), axis=1) > _SAME_M])
    latitude, longitude, height = geodesy.from_ecef(*places[fresh].T)
    station, antenna = own["station_id"].iloc[fresh], own["antenna_height_m"].to_numpy(np.float64)[fresh]
    return [
        {
            "latitude_deg": float(a),
            "longitude_deg": float(b),
            "height_m": float(c),
            "station_id": int(s) if pd.notna(s) else None,
            "antenna_height_m": float(h) if np.isfinite(h) else None,
        }
        for a, b, c, s, h in zip(latitude, longitude, height, station, antenna, strict=True)
    ]
