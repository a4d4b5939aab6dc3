"""The two-state smoother against the dense solution of the same normal model, and its models against simulation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer.evidence.two_state import Model, correlated_error, drifting_walk, smooth


def dense(value: np.ndarray, var: np.ndarray, model: Model) -> tuple[np.ndarray, np.ndarray]:
    """Return the posterior mean of x and y (k, 2) and the covariance diagonals, by one big weighted least squares."""
    count = len(value)
    rows, right, weights = [], [], []

    def add(row: np.ndarray, target: float, w: float) -> None:
        rows.append(row)
        right.append(target)
        weights.append(w)

    for k in range(count):
        if np.isfinite(value[k]):
            row = np.zeros(2 * count)
            row[2 * k], row[2 * k + 1] = 1, model.c
            add(row, value[k], 1 / np.sqrt(var[k]))
    row = np.zeros(2 * count)
    row[1] = 1
    add(row, 0.0, 1 / np.sqrt(model.y_var))
    for k in range(1, count):
        q = np.linalg.cholesky(np.array([[model.q11[k], model.q12[k]], [model.q12[k], model.q22[k]]]))
        block = np.zeros((2, 2 * count))
        block[0, [2 * k, 2 * k - 2, 2 * k - 1]] = 1, -1, -model.f[k]
        block[1, [2 * k + 1, 2 * k - 1]] = 1, -model.a[k]
        whitened = np.linalg.solve(q, block)
        add(whitened[0], 0.0, 1.0)
        add(whitened[1], 0.0, 1.0)
    a = np.array(rows) * np.array(weights)[:, None]
    normal = a.T @ a
    solution = np.linalg.solve(normal, a.T @ (np.array(right) * np.array(weights)))
    return solution.reshape(-1, 2), np.diag(np.linalg.inv(normal)).reshape(-1, 2)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.booleans())
def test_against_the_dense_solution(seed: int, drifting: bool) -> None:
    rng = np.random.default_rng(seed)
    count = 25
    dt = rng.uniform(0.2, 2.0, count - 1)
    make = drifting_walk if drifting else correlated_error
    model = make(dt, 0.003 * dt, 0.05, 20.0)
    value = rng.normal(0, 0.2, (count, 2)).cumsum(axis=0)
    value[rng.random(count) < 0.3] = np.nan
    value[[0, 3]] = 0.1
    var = rng.uniform(1e-4, 1e-2, count)
    state, cov = smooth(value, var, model)
    for axis in (0, 1):
        mean, variance = dense(value[:, axis], var, model)
        assert state[:, 2 * axis] == pytest.approx(mean[:, 0], abs=2e-5)
        assert state[:, 2 * axis + 1] == pytest.approx(mean[:, 1], abs=2e-5)
        assert cov[:, 0] == pytest.approx(variance[:, 0], rel=2e-3)
        assert cov[:, 2] == pytest.approx(variance[:, 1], rel=2e-3)


def test_the_drifting_walk_grows_as_simulated() -> None:
    rng = np.random.default_rng(1)
    sigma, time_s, dt, steps, runs = 0.02, 20.0, 0.5, 40, 4000
    a = np.exp(-dt / 20 / time_s)
    y = rng.normal(0, sigma, runs)
    x = np.zeros(runs)
    for _ in range(steps * 20):
        x += y * dt / 20
        y = a * y + rng.normal(0, sigma * np.sqrt(1 - a**2), runs)
    total = steps * dt
    model = drifting_walk(np.array([total]), np.zeros(1), sigma, time_s)
    assert model.f[1] ** 2 * sigma**2 + model.q11[1] == pytest.approx(x.var(), rel=0.08)
