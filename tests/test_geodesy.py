"""Round trips, missing values and the accuracy of the quick step lengths."""

from __future__ import annotations

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st

from analyzer import geodesy

latitudes, longitudes, heights = st.floats(-89, 89), st.floats(-180, 180), st.floats(-400, 9000)


@given(latitudes, longitudes, heights)
def test_earth_centred_coordinates_round_trip(latitude, longitude, height):
    back = geodesy.from_ecef(*geodesy.to_ecef(latitude, longitude, height))
    assert float(back[0]) == pytest.approx(latitude, abs=1e-10)
    assert np.cos(np.radians(float(back[1]) - longitude)) == pytest.approx(1.0, abs=1e-12)
    assert float(back[2]) == pytest.approx(height, abs=1e-5)


@given(latitudes, longitudes, st.floats(-5e4, 5e4), st.floats(-5e4, 5e4), st.floats(-500, 500))
def test_local_coordinates_round_trip(latitude, longitude, east, north, up):
    origin = (latitude, longitude, 300.0)
    back = geodesy.to_enu(*geodesy.from_enu(east, north, up, origin=origin), origin=origin)
    assert np.allclose([float(v) for v in back], [east, north, up], atol=1e-6)


def test_missing_in_is_missing_out_and_shapes_are_kept():
    latitude = np.array([48.0, np.nan, 48.001])
    east, north, up = geodesy.to_enu(latitude, np.full(3, 11.0), np.array([1.0, 2.0, np.nan]), origin=(48.0, 11.0, 1.0))
    assert np.isfinite(east).tolist() == [True, False, False]
    assert float(east[0]) == pytest.approx(0.0, abs=1e-9) and float(up[0]) == pytest.approx(0.0, abs=1e-9)
    assert north.shape == (3,)
    assert np.isnan(geodesy.distances(48.0, 11.0, np.nan, 11.0))
    assert np.isnan(geodesy.step_lengths(latitude, [11.0, 11.0, 11.0])).all()


@given(st.floats(-80, 80), longitudes, st.floats(0, 360), st.floats(0.001, 4e4))
def test_step_lengths_agree_with_geodesics(latitude, longitude, azimuth, length):
    end = Geodesic.WGS84.Direct(latitude, longitude, azimuth, length)
    step = geodesy.step_lengths([latitude, end["lat2"]], [longitude, end["lon2"]])
    assert float(step[0]) == pytest.approx(length, abs=1e-3)


def test_gravity_falls_with_height():
    assert float(geodesy.normal_gravity(48.0, 1000.0)) < float(geodesy.normal_gravity(48.0)) - 0.003
