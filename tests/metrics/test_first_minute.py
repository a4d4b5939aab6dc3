"""What is missing, slow or coarse from the start."""

from __future__ import annotations

import numpy as np
import pytest
from metric_tables import drive, fixes, recording

from analyzer.metrics.first_minute import minute_decimals
from analyzer.metrics.measure import measure


def codes(result):
    return {f.code for f in result.findings}


@pytest.mark.parametrize("decimals, metres", [(4, 0.185), (5, 0.0185), (7, 0.000185)])
def test_resolution_from_the_values(decimals, metres):
    rng = np.random.default_rng(decimals)
    minutes = np.round(rng.uniform(10, 50, 400), decimals)
    frame = fixes(np.arange(400.0), latitude_deg=48 + minutes / 60, longitude_deg=11.0)
    result = measure(recording(frame), position_limit_m=0.10)
    # 0.0001 minutes of latitude are 0.185 m, 5 decimals 1.85 cm, 7 decimals 0.185 mm
    assert result["position_resolution_m"].value == pytest.approx(metres, rel=0.01)
    assert minute_decimals(frame["latitude_deg"].to_numpy()) == decimals
    assert ("coarse_resolution" in codes(result)) is (decimals < 6)


def test_resolution_given_by_the_reader_and_none_for_free_numbers():
    given = measure(recording(drive(60), details={"latitude_decimals": 5}), position_limit_m=0.1)
    assert given["position_resolution_m"].value == pytest.approx(0.0185, rel=0.01)
    assert "finer ones than any" in measure(recording(drive(60)))["position_resolution_m"].not_evaluated


def test_degrees_in_tables_have_a_resolution_too():
    rng = np.random.default_rng(0)
    frame = fixes(np.arange(300.0), latitude_deg=np.round(rng.uniform(48, 49, 300), 6), longitude_deg=11.0)
    assert measure(recording(frame))["position_resolution_m"].value == pytest.approx(0.111, rel=0.01)


def test_missing_and_late_channels():
    result = measure(recording(drive(200)))
    missing = {f.evidence["channel"] for f in result.findings if f.code == "channel_missing"}
    assert missing == {"sigma_north_m", "cn0_median_dbhz"}
    frame = drive(200)
    frame.loc[frame.index[:700], "speed_mps"] = np.nan
    assert "channel_late" in codes(measure(recording(frame)))
    assert "state_derived" in codes(measure(recording(frame.assign(fix_state_source="derived"))))


def test_rate_lower_than_asked_or_lower_at_first():
    frame = drive(200, 10)
    assert "rate_low" in codes(measure(recording(frame), asked_rate_hz=100.0))
    assert "rate_low" not in codes(measure(recording(frame), asked_rate_hz=10.0))
    seconds = np.r_[np.arange(0, 70, 1.0), np.arange(70, 200, 0.1)]
    found = codes(measure(recording(fixes(seconds, latitude_deg=48.0, longitude_deg=11.0))))
    assert {"rate_low_at_start", "rate_changes"} <= found
