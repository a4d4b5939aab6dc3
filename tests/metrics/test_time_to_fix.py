"""Times to the first position, to fixed and back to fixed."""

from __future__ import annotations

import numpy as np
import pytest
from metric_tables import drive, fixes, recording, without

from analyzer.metrics.measure import measure


def test_times_are_exact_to_one_epoch():
    states = ["no_fix"] * 12 + ["autonomous"] * 30 + ["float"] * 10 + ["fixed"] * 40 + ["float"] * 7 + ["fixed"] * 11
    latitude = np.where(np.arange(110) < 12, np.nan, 48.0)
    frame = fixes(np.arange(110) * 0.1, fix_state=states, latitude_deg=latitude, longitude_deg=11.0)
    result = measure(recording(frame))
    assert result["time_to_first_position_s"].value == pytest.approx(1.2)
    assert result["time_to_first_fixed_s"].value == pytest.approx(5.2)
    assert result["refix_s"].value == pytest.approx(0.7) and result["refix_s"].n == 1


def test_without_position_or_fixed_the_reason_is_given():
    result = measure(recording(fixes(np.arange(50.0), fix_state="no_fix")))
    assert result["time_to_first_position_s"].not_evaluated == "no epoch has a position"
    assert result["time_to_first_fixed_s"].not_evaluated == "no epoch is fixed"
    assert result["refix_s"].not_evaluated == "no epoch is fixed"
    always = measure(recording(fixes(np.arange(50.0), latitude_deg=48.0, longitude_deg=11.0)))
    assert always["refix_s"].not_evaluated == "fixed was never lost"
    assert always["time_to_first_fixed_s"].value == 0.0


def test_time_from_the_first_correction_and_a_slow_start():
    result = measure(recording(drive(400, first_fixed_s=95.0)))
    assert result["time_corrections_to_fixed_s"].value == pytest.approx(94.7, abs=0.15)
    assert "slow_first_fixed" in {f.code for f in result.findings}
    quick = measure(recording(drive(400)))
    assert "slow_first_fixed" not in {f.code for f in quick.findings}


def test_every_loss_counts_and_one_without_return_is_named():
    result = measure(recording(drive(500, sky=[(100.0, 104.0), (200.0, 212.0), (496.0, 500.0)])))
    assert result["refix_s"].n == 2
    assert result["refix_s"].value == pytest.approx((10.0 + 18.0) / 2, abs=0.2)
    assert result["refix_max_s"].value == pytest.approx(18.0, abs=0.2)
    assert result["refix_s"].evidence["never_fixed_again"] == 1


def test_the_two_times_of_one_loss_are_told_apart():
    """The metric counts from the first epoch that is not fixed, the table of dropouts from the end of the dropout."""
    result = measure(recording(drive(500, outages=[(100.0, 160.0)])))
    table = result.dropouts
    assert result["refix_s"].value > float(table["refix_s"].iloc[0])
    assert "counts from the end of the dropout" in result["refix_s"].method and "counts from the end" in result["refix_max_s"].method


def test_a_log_that_begins_late_counts_from_its_first_epoch():
    result = measure(recording(without(drive(200), 0.0, 10.0)))
    assert result["time_to_first_fixed_s"].value == pytest.approx(20.0)
