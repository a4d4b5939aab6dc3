"""Factors of the field procedure for real-time kinematic systems, and the check-point statistic, against printed figures."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from analyzer.metrics.repeatability import point_accuracy, same_precision, within_stated


@pytest.mark.parametrize(("degrees", "factor"), [(56, 1.15), (28, 1.22)])
def test_factor_of_the_test_against_the_stated_value(degrees: int, factor: float) -> None:
    """ISO 17123-8 ed. 2 (2015), full procedure, test a (from memory, not re-read): s <= 1.15 or 1.22 times sigma."""
    assert within_stated(0.01, 0.01, degrees, key="s").high / 0.01 == pytest.approx(factor, abs=0.006)


@pytest.mark.parametrize(("degrees", "low", "high"), [(56, 0.59, 1.70), (28, 0.47, 2.13)])
def test_span_of_the_ratio_of_two_campaigns(degrees: int, low: float, high: float) -> None:
    """ISO 17123-8 ed. 2 (2015), full procedure, test b (from memory, not re-read): 0.59 to 1.70, 0.47 to 2.13."""
    test = same_precision(0.01, 0.01, (degrees, degrees), key="s")
    assert test.low == pytest.approx(low, abs=0.005)
    assert test.high == pytest.approx(high, abs=0.005)


def test_vertical_accuracy_of_the_lidar_report() -> None:
    """USGS lidar vertical accuracy report (VA.txt), 51 check points.

    Printed: mean -0.00533333349535, standard deviation 0.0577205913534 (n - 1), RMSE_z 0.0574002119585,
    Accuracy_z 0.112504415439. The points themselves are not printed; any 51 numbers of that mean and deviation must do.
    """
    rng = np.random.default_rng(51)
    raw = rng.normal(size=51)
    height = (raw - raw.mean()) / raw.std(ddof=1) * 0.0577205913534 - 0.00533333349535
    found = point_accuracy(np.column_stack([rng.normal(size=51), rng.normal(size=51), height]))
    assert found.rmse_up_m == pytest.approx(0.0574002119585, abs=2e-10)
    # The report multiplies by 1.96, the package by the exact quantile 1.95996.
    assert found.vertical_95_m == pytest.approx(0.112504415439, rel=3e-5)
    assert found.enough


def test_horizontal_factors_of_the_standard() -> None:
    """FGDC-STD-007.3-1998 (from memory, not re-read): 1.7308 RMSE_r, or 2.4477 times half the sum of both RMSE."""
    rows = np.column_stack([np.tile([0.1, -0.1], 20), np.repeat([0.1, -0.1], 20), np.zeros(40)])
    found = point_accuracy(rows)
    assert found.horizontal_95_m == pytest.approx(1.7308 * np.hypot(0.1, 0.1), rel=1e-4)
    assert found.horizontal_95_m == pytest.approx(2.4477 * 0.5 * 0.2, rel=1e-4)


def test_joint_test_uses_the_printed_quantile() -> None:
    """Chi-square 0.99 quantile for three degrees of freedom, 11.345 in any printed table (e.g. Abramowitz, Stegun 26.8)."""
    assert stats.chi2.isf(0.01, 3) == pytest.approx(11.345, abs=5e-4)
