"""The track as arrays."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyproj
import pytest

from analyzer.evidence.track import climbing, passed, turned


def test_over_a_leap_second_one_more_passes_than_labels_tell() -> None:
    """Positive leap second at the end of 2016. Source: IERS Bulletin C 52 (6 July 2016)."""
    times = pd.DatetimeIndex(["2016-12-31T23:59:58Z", "2016-12-31T23:59:59Z", "2017-01-01T00:00:00Z", "2017-01-01T00:00:01Z"])
    assert passed(times).tolist() == [0, 1, 3, 4]
    assert passed(times[2:]).tolist() == [0, 1]
    assert len(passed(times[:0])) == 0


def logged(*, hidden: slice | None = None, rise_m: float = 60.0) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:
    """Return fixes of a car 20 km east of the origin that drives over hills, its velocity over ground, and its true places (east, north) there.

    The car keeps its course on a parallel and then a meridian; places come from earth-centred coordinates, by pyproj.
    """
    t = np.arange(0, 300.0, 0.5)
    radius_n = 6378137.0 / np.sqrt(1 - 0.00669438 * np.sin(np.radians(LATITUDE)) ** 2)
    height = 300.0 + rise_m / 2 * (1 - np.cos(2 * np.pi * t / 100.0))
    east = np.where(t < 150, 25.0, 0.0)
    rate = np.degrees(east / ((radius_n + height) * np.cos(np.radians(LATITUDE))))
    longitude = LONGITUDE + 0.27 + np.r_[0, np.cumsum((rate[1:] + rate[:-1]) / 2 * 0.5)]
    fixes = pd.DataFrame({"latitude_deg": LATITUDE, "longitude_deg": longitude, "height_m": height},
                         index=pd.date_range("2026-04-14T08:00:00Z", periods=len(t), freq="500ms"))
    pipeline = pyproj.Transformer.from_pipeline(
        f"+proj=pipeline +step +proj=cart +ellps=WGS84 +step +proj=topocentric +ellps=WGS84 +lat_0={LATITUDE} +lon_0={LONGITUDE} +h_0=300")
    places = np.column_stack(pipeline.transform(longitude, np.full(len(t), LATITUDE), height))[:, :2]
    if hidden is not None:
        fixes.iloc[hidden] = np.nan
    return fixes, np.column_stack([east, np.zeros(len(t))]), places


LATITUDE, LONGITUDE = 48.0, 179.9  # the car crosses 180 degrees


@pytest.mark.parametrize("hidden", [None, slice(100, 200)])
def test_velocity_over_ground_follows_the_places_over_hills_far_from_the_origin(hidden: slice | None) -> None:
    """By the geodesy of pyproj: without what climbing adds 60 m of hill move the place by 0.19 m, without the turn of north 0.4 m in 50 s."""
    fixes, velocity, places = logged(hidden=hidden)
    t = passed(pd.DatetimeIndex(fixes.index))
    moved = turned(t, velocity, fixes, (LATITUDE, LONGITUDE, 300.0))
    way = np.vstack([np.zeros((1, 2)), np.cumsum((moved[1:] + moved[:-1]) / 2 * 0.5, axis=0)])
    apart = (places - way) - (places - way)[0]
    seen = np.ones(len(t), dtype=bool) if hidden is None else fixes["latitude_deg"].notna().to_numpy()
    assert np.abs(apart[seen & (t < 149)]).max() < (0.02 if hidden is None else 0.1), "heights of a hidden hill are not known"
    assert np.abs(apart[seen & (t < 149), 1]).max() < 0.02
    plain = np.column_stack([places[:, 0] - places[0, 0] - np.cumsum(velocity[:, 0]) * 0.5])
    assert np.ptp(plain[t < 149]) > 0.15, "the test shows something"


def test_a_car_at_rest_does_not_move_by_noise_of_its_height() -> None:
    fixes, velocity, _ = logged()
    fixes["height_m"] += np.random.default_rng(1).normal(0, 2, len(fixes))
    moved = turned(passed(pd.DatetimeIndex(fixes.index)), velocity, fixes, (LATITUDE, LONGITUDE, 300.0))
    assert not moved[320:].any()


def test_steps_and_missing_heights_are_no_climb() -> None:
    t = np.arange(0, 20, 0.1)
    assert not climbing(t, np.where(t < 10, 0.0, 40.0))[(t < 9) | (t > 11)].any()
    assert np.abs(climbing(t, np.where(t < 10, 0.0, 40.0))).max() < 15.0
    assert not climbing(t, np.full(len(t), np.nan)).any()
    assert climbing(t, 0.5 * t)[20:-20] == pytest.approx(0.5)
