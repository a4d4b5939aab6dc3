"""The invented proving ground: where it lies, its base site, its car, and the local frame everything is drawn in."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from pyproj import Transformer

Array = NDArray[np.float64]

#: Origin of the local east-north-up frame; a place on a plain that stands for nothing.
ORIGIN_LATITUDE_DEG = 47.2
ORIGIN_LONGITUDE_DEG = 20.6
ORIGIN_HEIGHT_M = 128.0
#: Geoid above the ellipsoid [m], as the receiver prints it.
GEOID_SEPARATION_M = 42.317
#: Base antenna in the local frame [m].
BASE_ENU_M = (-1900.0, -1100.0, 4.2)
BASE_NAME = "Hut"
BASE_STATION_ID = 17
OTHER_STATION_ID = 903
CAR_NAME = "car A"


@dataclass(frozen=True)
class Lever:
    """Antenna relative to the reference point of the car (ISO 8855: forward, left, up) [m]."""

    forward_m: float = 0.62
    left_m: float = 0.0
    up_m: float = 1.34


@cache
def _transformer(kind: str) -> Transformer:
    """Return the pipeline from local metres to ``geodetic`` degrees or ``ecef`` metres."""
    local = (
        f"+proj=topocentric +ellps=WGS84 +lat_0={ORIGIN_LATITUDE_DEG} +lon_0={ORIGIN_LONGITUDE_DEG} "
        f"+h_0={ORIGIN_HEIGHT_M}"
    )
    steps = f"+proj=pipeline +step +inv {local}"
    if kind == "geodetic":
        steps += " +step +inv +proj=cart +ellps=WGS84 +step +proj=unitconvert +xy_in=rad +xy_out=deg"
    return Transformer.from_pipeline(steps)


def to_geodetic(enu_m: Array) -> tuple[Array, Array, Array]:
    """Return latitude [deg], longitude [deg] and ellipsoidal height [m] of local points, shape (n, 3)."""
    points = np.atleast_2d(np.asarray(enu_m, dtype=np.float64))
    longitude, latitude, height = _transformer("geodetic").transform(points[:, 0], points[:, 1], points[:, 2])
    return np.asarray(latitude), np.asarray(longitude), np.asarray(height)


def to_ecef(enu_m: Array) -> Array:
    """Return earth-centred coordinates [m], shape (n, 3), of local points."""
    points = np.atleast_2d(np.asarray(enu_m, dtype=np.float64))
    return np.column_stack(_transformer("ecef").transform(points[:, 0], points[:, 1], points[:, 2]))


def convergence_deg(enu_m: Array) -> Array:
    """Return how far true north at local points, shape (n, 3), lies to the left of the frame's north [deg].

    A grid direction plus this is a true direction: (longitude - origin) times sin(latitude), the meridian convergence.
    """
    latitude, longitude, _ = to_geodetic(enu_m)
    return np.asarray((longitude - ORIGIN_LONGITUDE_DEG) * np.sin(np.radians(latitude)))
