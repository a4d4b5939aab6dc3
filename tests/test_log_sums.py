"""Sums by logarithms against the library's own function."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays
from scipy.special import logsumexp

from analyzer.log_sums import log_sum

LOGS = st.one_of(st.floats(-1e4, 1e4), st.just(-np.inf))


@settings(max_examples=100, deadline=None)
@given(arrays(np.float64, array_shapes(min_dims=1, max_dims=3, max_side=4), elements=LOGS), st.data())
def test_it_agrees_with_scipy(values: np.ndarray, data: st.DataObject) -> None:
    axis = data.draw(st.one_of(st.none(), st.integers(0, values.ndim - 1), st.just(tuple(range(values.ndim)))))
    np.testing.assert_allclose(log_sum(values, axis), logsumexp(values, axis=axis), rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize(("logs", "total"), [([], -np.inf), ([-np.inf], -np.inf), ([np.inf, 0.0], np.inf), ([np.nan, 0.0], np.nan),
                                             ([-1000.0, -1000.0], -1000.0 + np.log(2.0)), ([800.0], 800.0)])
def test_ends_of_the_range(logs: list[float], total: float) -> None:
    np.testing.assert_array_equal(log_sum(logs), total)
