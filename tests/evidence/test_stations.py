"""What a base says of its own place."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analyzer import intervals, tables
from analyzer.evidence.ageing import Ageing
from analyzer.evidence.prior import PriorOf
from analyzer.evidence.returns import Returns
from analyzer.evidence.stations import Told, told_places
from analyzer.evidence.stretches import Stretches
from analyzer.settings import thresholds
from tests.evidence.tracks import weaving

DAY_S = 36018.0  # 10:00:00 UTC in GPS seconds of the day, 18 leap seconds


def fixes(seconds: float) -> pd.DataFrame:
    """Return a rover's log of one epoch a second from 10:00 UTC."""
    return pd.DataFrame(index=pd.date_range("2026-05-02T10:00:00", periods=int(seconds), freq="s", tz="UTC"))


def stream(places: dict[float, float], *, station: int = 7, other: float | None = None) -> pd.DataFrame:
    """Return messages: observations each second, and a place (its x [m]) at some of them, each 1005 without a time of its own."""
    rows: list[dict[str, object]] = []
    for second in range(100):
        rows.append({"message_type": 1074, "station_id": station, "epoch_s": 6 * 86400 + DAY_S + second, "satellites": 9, "size_byte": 200 + second})
        if second in places:
            rows.append({"message_type": 1005, "station_id": station, "x_m": places[second], "y_m": 2.0, "z_m": 3.0, "size_byte": 25})
            if other is not None:
                rows.append({"message_type": 1005, "station_id": station + 1, "x_m": other, "y_m": 2.0, "z_m": 3.0, "size_byte": 25})
    table = pd.DataFrame(rows).assign(source_id=0, place="rover", byte_offset=np.arange(len(rows)) * 300)
    table.index = pd.DatetimeIndex([pd.NaT] * len(rows), tz="UTC")
    return table


def told(corrections: pd.DataFrame, first_fixed_s: float = 5.0) -> Told:
    track = weaving(100.0)
    track.fixed[:] = track.t >= first_fixed_s
    return told_places(corrections, fixes(100), track)


def test_a_move_is_dated_by_the_messages_around_it() -> None:
    """Message 1005 holds no time (RTCM 10403.3, 3.5.5); the observations before it do."""
    found = told(stream({0: 1.0, 30: 1.0, 60: 1.5, 90: 1.5}))
    assert np.allclose(found.at_s, [0.0, 30.0, 60.0, 90.0], atol=1e-3)
    assert found.moved.tolist() == [False, False, True, False]
    assert not found.elsewhere_at(-1.0) and not found.elsewhere_at(59.0) and found.elsewhere_at(60.5) and found.elsewhere_at(500.0)


def test_the_place_in_force_at_the_first_fixed_position_is_the_one_that_counts() -> None:
    """A base is often set up while the log already runs."""
    found = told(stream({0: 1.0, 30: 1.5, 60: 1.5}), first_fixed_s=40.0)
    assert found.shift_m == pytest.approx([0.5, 0.0, 0.0]) and found.shift_by(np.array([10.0, 50.0])) == pytest.approx([0.5, 0.0])


def test_centimetres_are_no_move_and_a_return_is_none_either() -> None:
    found = told(stream({0: 1.0, 20: 1.01, 40: 4.0, 60: 1.0}))
    assert found.moved.tolist() == [False, False, True, True]
    assert found.shift_by(np.array([0.0, 20.0, 40.0, 60.0]) + 0.5) == pytest.approx([0.0, 0.0, 3.0, 0.0])


def test_the_place_of_another_station_in_the_same_stream_is_no_move() -> None:
    assert not told(stream({0: 1.0, 30: 1.0, 60: 1.0}, other=900.0)).moved.any()


def test_nothing_told_is_nothing() -> None:
    for nothing in (tables.CORRECTIONS.empty(), stream({}).assign(x_m=np.nan, y_m=np.nan, z_m=np.nan)):
        assert not len(told(nothing).at_s) and not told(nothing).elsewhere_at(10.0)


def test_what_a_base_told_holds_for_all_stretches_behind() -> None:
    """A base set up anew stays where it is: also a stretch behind a later loss stands in its new frame."""
    track = weaving(100.0)
    track.fixed[:] = ~((track.t < 2) | ((track.t > 30) & (track.t < 40)) | ((track.t > 60) & (track.t < 65)))
    stretches = Stretches(intervals.runs(track.fixed), np.zeros(3, dtype=bool), np.zeros(0, dtype=np.int64))
    none = np.zeros(len(track), dtype=bool)
    found = told_places(stream({0: 1.0, 35: 1.8, 65: 1.8}), fixes(100), track)
    priors = [PriorOf(track, Ageing(np.zeros(len(track)), none, 0.0), none, Returns(np.zeros(0), np.zeros((0, 2)), np.zeros(0)), told=some)(stretches, np.zeros(3, dtype=np.int64))
              for some in (found, None)]
    assert priors[0][0] == priors[1][0] < 0.01
    assert (priors[0][1:] == thresholds("analyzer.evidence")["wrong.frame_told"]).all() and (priors[1][1:] < 0.1).all()
