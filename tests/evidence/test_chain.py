"""The chain's message passing against brute force over all cases, and its plain properties."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal

from analyzer.evidence.chain import infer

SPREAD, SIGMA = 0.4, 0.012


def brute(steps: np.ndarray, var: np.ndarray, prior: np.ndarray) -> np.ndarray:
    """Return P(wrong) by summing over every combination of right and wrong, offsets integrated exactly per axis."""
    count = len(prior)
    change = np.diff(np.eye(count), axis=0)
    weights = np.zeros(count)
    total = 0.0
    for case in itertools.product([0, 1], repeat=count):
        wrong = np.array(case, dtype=bool)
        offsets = np.diag(np.where(wrong, SPREAD**2, SIGMA**2))
        cov = change @ offsets @ change.T + np.diag(var)
        likelihood = np.prod([multivariate_normal(np.zeros(count - 1), cov).pdf(steps[:, axis]) for axis in (0, 1)])
        p = likelihood * np.prod(np.where(wrong, prior, 1 - prior))
        total += p
        weights += p * wrong
    return weights / total


@pytest.mark.parametrize("steps", [
    [[0.5, 0.1], [-0.5, -0.1], [0.0, 0.01]],
    [[0.01, 0.0], [0.0, 0.02], [0.0, 0.0]],
    [[0.3, 0.0], [0.0, 0.0], [-0.3, 0.0]],
    [[0.3, 0.0], [0.2, -0.4], [-0.5, 0.4]],
])
def test_against_brute_force(steps: list[list[float]]) -> None:
    var = np.array([0.02, 0.05, 0.03]) ** 2
    prior = np.array([0.01, 0.03, 0.03, 0.02])
    found = infer(np.array(steps), var, prior, spread_m=SPREAD, right_sigma_m=SIGMA).wrong
    assert found == pytest.approx(brute(np.array(steps), var, prior), abs=0.02)


def test_a_wrong_stretch_between_right_ones_is_found_with_its_offset() -> None:
    steps = np.array([[0.0, 0.0], [0.35, -0.2], [-0.35, 0.21], [0.0, 0.0]])
    found = infer(steps, np.full(4, 0.03**2), np.full(5, 0.02), spread_m=SPREAD, right_sigma_m=SIGMA)
    assert found.wrong[2] > 0.99 and found.wrong[[0, 1, 3, 4]].max() < 0.01
    assert found.offset[2] == pytest.approx([0.35, -0.205], abs=0.02)


def test_a_step_nobody_could_measure_says_nothing() -> None:
    prior = np.array([0.01, 0.05])
    found = infer(np.array([[5.0, 5.0]]), np.array([1e6]), prior, spread_m=SPREAD, right_sigma_m=SIGMA)
    assert found.wrong == pytest.approx(prior, rel=1e-3)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(-2, 2), st.floats(-2, 2), st.floats(0.001, 100)), min_size=1, max_size=12))
def test_probabilities_stay_probabilities_and_reversal_changes_nothing(rows: list[tuple[float, float, float]]) -> None:
    steps, var = np.array([r[:2] for r in rows]), np.array([r[2] for r in rows]) ** 2
    prior = np.linspace(0.01, 0.05, len(rows) + 1)
    found = infer(steps, var, prior, spread_m=SPREAD, right_sigma_m=SIGMA)
    assert ((found.wrong >= 0) & (found.wrong <= 1)).all() and (found.variance > 0).all()
    back = infer(-steps[::-1], var[::-1], prior[::-1], spread_m=SPREAD, right_sigma_m=SIGMA)
    assert back.wrong[::-1] == pytest.approx(found.wrong, abs=1e-9)
