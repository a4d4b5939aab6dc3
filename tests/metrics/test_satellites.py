"""Satellites, dilution, and the trace of claimed sigmas on published sentences."""

from __future__ import annotations

import numpy as np
import pytest
from metric_tables import drive, fixes, recording

from analyzer.metrics.measure import measure
from analyzer.metrics.satellites import trace_consistent


@pytest.mark.parametrize("claim, resolution, consistent", [
    ((0.023, 0.020, 0.023, 0.020), 0.001, True),   # GST of 172814.0, public test suites
    ((6.6, 4.7, 5.8, 5.6), 0.1, True),             # GST of 024603.00, public test suites: 65.65 against 65.00
    ((15.3, 7.2, 0.9, 0.5), 0.1, False),           # E. S. Raymond, NMEA Revealed v2.24: 285.9 against 1.06
])
def test_trace_of_published_sentences(claim, resolution, consistent):
    assert bool(trace_consistent(*claim, resolution_m=resolution)) is consistent


@pytest.mark.parametrize("turn_deg", [0.0, 20.0, 77.0])
def test_trace_holds_for_any_rotation_and_rounding(turn_deg):
    rng = np.random.default_rng(1)
    major, minor, turn = rng.uniform(0.01, 0.5, 500), rng.uniform(0.005, 0.01, 500), np.radians(turn_deg)
    north = np.sqrt(major**2 * np.cos(turn)**2 + minor**2 * np.sin(turn)**2)
    east = np.sqrt(major**2 * np.sin(turn)**2 + minor**2 * np.cos(turn)**2)
    rounded = [np.round(x, 3) for x in (major, minor, north, east)]
    assert trace_consistent(*rounded, resolution_m=0.001).all()
    rounded[0] = rounded[0] + 0.02
    assert trace_consistent(*rounded, resolution_m=0.001).mean() < 0.05


def test_claims_that_contradict_themselves_are_a_finding():
    frame = fixes(np.arange(200.0), sigma_major_m=0.020, sigma_minor_m=0.010, sigma_north_m=0.020, sigma_east_m=0.010)
    fine = measure(recording(frame))
    assert fine["share_gst_consistent"].value == 1.0
    odd = measure(recording(frame.assign(sigma_north_m=np.float32(0.2))))
    assert odd["share_gst_consistent"].value == 0.0
    assert "gst_inconsistent" in {f.code for f in odd.findings}
    assert "no GST" in measure(recording(drive(60)))["share_gst_consistent"].not_evaluated


def test_share_of_time_with_twelve_satellites_and_a_capped_count():
    used = np.r_[np.full(25, 8.0), np.full(76, 12.0)]
    metric = measure(recording(fixes(np.arange(101.0), satellites_used=used)))["share_satellites_ge_12"]
    assert metric.value == pytest.approx(0.75) and metric.evidence["capped"] is True
    more = measure(recording(fixes(np.arange(101.0), satellites_used=used + 10)))["share_satellites_ge_12"]
    assert more.value == 1.0 and more.evidence["capped"] is False


def test_percentiles_are_weighted_by_time_and_missing_columns_say_so():
    moment = np.r_[np.arange(50) * 1.0, 50 + np.arange(50) * 1.4]
    result = measure(recording(fixes(moment, hdop=np.r_[np.full(50, 1.0), np.full(50, 2.0)], cn0_median_dbhz=44.0)))
    assert result["hdop_p50"].value == 2.0
    assert result["cn0_median_p5_dbhz"].value == 44.0
    assert result["vdop_p95"].not_evaluated == "vdop is not logged"
