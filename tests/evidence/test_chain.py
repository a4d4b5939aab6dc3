"""The chain's message passing against brute force over all cases, and its plain properties."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal

from analyzer.evidence import chain
from analyzer.evidence.chain import FRAME_SHARES, SHARES, SPREADS, Lasting, covariance, infer, worst_in_plan

SIGMA = (0.012, 0.02)
FLAT = 1e6  # variance of a height step nobody measured


def brute(steps: np.ndarray, var: np.ndarray, prior: np.ndarray) -> np.ndarray:
    """Return P(wrong) by summing over every combination of right, wrong small and wrong large, offsets integrated exactly."""
    count = len(prior)
    change = np.diff(np.eye(count), axis=0)
    weights, total = np.zeros(count), 0.0
    for case in itertools.product(range(1 + len(SPREADS)), repeat=count):
        wrong = np.array(case) > 0
        likelihood = 1.0
        for axis, part in ((0, 0), (1, 0), (2, 1)):
            sigma = np.array([SIGMA[part] if c == 0 else SPREADS[c - 1][part] for c in case])
            cov = change @ np.diag(sigma**2) @ change.T + np.diag(var[:, 3 * part])
            likelihood *= multivariate_normal(np.zeros(count - 1), cov).pdf(steps[:, axis])
        share = np.array([1.0, *SHARES])[list(case)]
        p = likelihood * np.prod(np.where(wrong, prior * share, 1 - prior))
        total += p
        weights += p * wrong
    return weights / total


def brute_frames(steps: np.ndarray, var: np.ndarray, prior: np.ndarray, frames: Lasting) -> np.ndarray:
    """Return P(wrong) over every combination of right, the wrong kinds and, behind a frame, the same offset again."""
    kinds = (*SPREADS, *SPREADS)
    count, same = len(prior), len(kinds) + 1
    change = np.diff(np.eye(count), axis=0)
    lasting = range(len(SPREADS) + 1, same)
    weights, total = np.zeros(count), 0.0
    for case in itertools.product(range(same + 1), repeat=count):
        origin, p, noise, drawn = np.arange(count), 1.0, np.zeros((count, count)), np.zeros(count, dtype=int)
        for k, c in enumerate(case):
            before = drawn[k - 1] if k else 0
            if c == same:
                p *= frames.kept[k - 1] if k and before in lasting else 0.0
                origin[k], drawn[k] = (origin[k - 1], before) if k else (0, 0)
                continue
            drawn[k] = c
            p *= 1 - frames.kept[k - 1] if k and before in lasting else 1.0
            apart = frames.begun[k] if c in lasting else prior[k] - frames.begun[k]
            p *= 1 - prior[k] if c == 0 else apart * (*SHARES, *FRAME_SHARES)[c - 1]
        if p == 0:
            continue
        # right fixes scatter about the truth each time anew; so do those that stand in one frame
        for axis, part in ((0, 0), (1, 0), (2, 1)):
            spread = np.array([SIGMA[part] if c == 0 else kinds[c - 1][part] for c in drawn])
            cov = np.where(origin[:, None] == origin[None, :], np.outer(spread, spread), 0.0)
            kept_step = (origin[1:] == origin[:-1]) * 2 * SIGMA[part] ** 2
            noise = change @ cov @ change.T + np.diag(var[:, 3 * part] + kept_step)
            p *= multivariate_normal(np.zeros(count - 1), noise).pdf(steps[:, axis])
        total += p
        weights += p * (drawn > 0)
    return weights / total


@pytest.mark.parametrize("steps", [[[1.3, 1.8], [0.01, 0.05]], [[0.02, 0.0], [0.4, -0.3]], [[0.3, 0.0], [-0.3, 0.02]], [[0.1, 0.1], [0.1, -0.1]]])
def test_frames_that_last_against_brute_force(steps: list[list[float]], normal_steps: None) -> None:
    planed, var = planar(steps), variances(np.array([0.05, 0.03]), 2)
    prior, frames = np.array([0.01, 0.3, 0.05]), Lasting(np.array([0.001, 0.25, 0.01]), np.array([0.8, 0.9]))
    found = infer(planed, var, prior, right_sigma_m=SIGMA, frames=frames).wrong
    assert found == pytest.approx(brute_frames(planed, var, prior, frames), rel=0.05, abs=0.004)


def test_a_fix_taken_anew_under_a_moved_base_stands_where_the_one_before_stood() -> None:
    """2.2 m after an outage; ten seconds later a lorry, and the same place again: not right because it fits its neighbour."""
    steps, var = np.array([[1.31, 1.79, 1.92], [0.01, 0.05, -0.1]]), covariance(np.array([0.152, 0.055]) ** 2, np.array([2.45, 0.173]) ** 2)
    prior = np.array([0.001, 0.43, 0.0013])
    alone = infer(steps, var, prior, right_sigma_m=SIGMA).wrong
    assert alone[1] < 0.5, "each offset drawn by itself: that two are alike is taken for chance"
    frames = Lasting(np.array([0.0, 0.42, 0.0]), np.array([0.8, 0.98]))
    assert infer(steps, var, prior, right_sigma_m=SIGMA, frames=frames).wrong == pytest.approx([0, 1, 1], abs=0.02)


@pytest.mark.parametrize("changed", [1.0, 0.1])
@pytest.mark.parametrize("size_m", [0.02, 0.05, 0.08, 0.2])
def test_a_right_fix_keeps_its_error_from_one_epoch_to_the_next(changed: float, size_m: float, normal_steps: None) -> None:
    """Two stretches, by hand: both right, either wrong, or both; less of a step is put down to the errors of right fixes where they are the same."""
    step, var, prior = np.array([0.8 * size_m, 0.6 * size_m]), 0.008**2, np.array([0.003, 0.01])

    def density(variance: float) -> float:
        return float(multivariate_normal(np.zeros(2), variance * np.eye(2)).pdf(step))

    kinds = [(share, spread[0] ** 2) for share, spread in zip(SHARES, SPREADS, strict=True)]
    right = (1 - prior[0]) * (1 - prior[1]) * density(var + 2 * changed * SIGMA[0] ** 2)
    either = sum(share * density(var + spread + SIGMA[0] ** 2) for share, spread in kinds)
    both = prior[0] * prior[1] * sum(a * b * density(var + x + y) for a, x in kinds for b, y in kinds)
    first, second = prior[0] * (1 - prior[1]) * either, prior[1] * (1 - prior[0]) * either
    wanted = np.array([first + both, second + both]) / (right + first + second + both)
    found = infer(planar(step[None, :]), variances(0.008, 1), prior, right_sigma_m=SIGMA, changed=np.array([changed])).wrong
    assert found == pytest.approx(wanted, rel=0.05, abs=1e-4)


@pytest.fixture
def normal_steps(monkeypatch: pytest.MonkeyPatch) -> None:
    """Steps without the heavy tail, so that every case is a single normal."""
    monkeypatch.setattr(chain, "TAIL_VAR", 1.0)


def planar(steps: list[list[float]] | np.ndarray) -> np.ndarray:
    return np.column_stack([np.asarray(steps, dtype=float), np.zeros(len(steps))])


def variances(sigma: np.ndarray | float, count: int, up: float = FLAT) -> np.ndarray:
    return covariance(np.broadcast_to(np.asarray(sigma) ** 2, count), np.full(count, up))


@pytest.mark.parametrize(
    "steps",
    [
        [[0.5, 0.1], [-0.5, -0.1], [0.0, 0.01]],
        [[0.01, 0.0], [0.0, 0.02], [0.0, 0.0]],
        [[0.3, 0.0], [0.0, 0.0], [-0.3, 0.0]],
        [[0.3, 0.0], [0.2, -0.4], [-0.5, 0.4]],
    ],
)
def test_against_brute_force(steps: list[list[float]], normal_steps: None) -> None:
    prior = np.array([0.01, 0.03, 0.03, 0.02])
    for up in (FLAT, 0.1**2):
        var = variances(np.array([0.02, 0.05, 0.03]), 3, up)
        found = infer(planar(steps), var, prior, right_sigma_m=SIGMA).wrong
        assert found == pytest.approx(brute(planar(steps), var, prior), abs=0.02)


def brute_plan(steps: np.ndarray, var: np.ndarray, prior: np.ndarray) -> np.ndarray:
    """Return P(wrong) as `brute` does, east and north together with their covariance."""
    count = len(prior)
    change = np.diff(np.eye(count), axis=0)
    noise = np.block([[np.diag(var[:, 0]), np.diag(var[:, 2])], [np.diag(var[:, 2]), np.diag(var[:, 1])]])
    weights, total = np.zeros(count), 0.0
    for case in itertools.product(range(1 + len(SPREADS)), repeat=count):
        likelihood = 1.0
        for part, values, seen in ((0, steps[:, :2].T.ravel(), noise), (1, steps[:, 2], np.diag(var[:, 3]))):
            sigma = np.array([SIGMA[part] if c == 0 else SPREADS[c - 1][part] for c in case])
            own = change @ np.diag(sigma**2) @ change.T
            likelihood *= multivariate_normal(np.zeros(len(values)), np.kron(np.eye(2 - part), own) + seen).pdf(values)
        p = likelihood * np.prod(np.where(np.array(case) > 0, prior * np.array([1.0, *SHARES])[list(case)], 1 - prior))
        total += p
        weights += p * (np.array(case) > 0)
    return weights / total


def tilted(angle_deg: float, across: float, along: float, up: float) -> np.ndarray:
    """Return the variances (4,) of a step that is known to `across` and `along` [m] about a track towards `angle_deg`."""
    forward = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    plan = along**2 * np.outer(forward, forward) + across**2 * (np.eye(2) - np.outer(forward, forward))
    return np.array([plan[0, 0], plan[1, 1], plan[0, 1], up**2])


@pytest.mark.parametrize("steps", [[[0.5, 0.1], [-0.5, -0.1]], [[0.3, 0.6], [0.2, -0.4]], [[0.02, 1.5], [0.01, -0.6]]])
@pytest.mark.parametrize("angles", [(0.0, 90.0), (30.0, -50.0)])
def test_steps_known_better_across_than_along_against_brute_force(steps: list[list[float]], angles: tuple[float, float], normal_steps: None) -> None:
    prior = np.array([0.01, 0.03, 0.02])
    var = np.array([tilted(angles[0], 0.05, 2.0, 0.1), tilted(angles[1], 0.03, 0.5, 0.2)])
    found = infer(planar(steps), var, prior, right_sigma_m=SIGMA).wrong
    assert found == pytest.approx(brute_plan(planar(steps), var, prior), abs=0.01)


def test_a_step_seen_across_alone_still_says_which_stretch_is_off() -> None:
    """0.4 m across and back, along the track nothing is known; known alike both ways, as badly as along, it would say nothing."""
    steps = planar([[0.0, 0.4], [0.0, -0.41]])
    var = np.array([tilted(0.0, 0.04, 3.0, 100.0)] * 2)
    prior = np.array([0.01, 0.03, 0.01])
    assert infer(steps, var, prior, right_sigma_m=SIGMA).wrong[1] > 0.9
    worst = covariance(worst_in_plan(var), var[:, 3])
    assert infer(steps, worst, prior, right_sigma_m=SIGMA).wrong[1] < 0.05


def test_a_wrong_stretch_between_right_ones_is_found_with_its_offset() -> None:
    steps = planar([[0.0, 0.0], [0.35, -0.2], [-0.35, 0.21], [0.0, 0.0]])
    found = infer(steps, variances(0.03, 4), np.full(5, 0.02), right_sigma_m=SIGMA)
    assert found.wrong[2] > 0.98 and found.wrong[[0, 1, 3, 4]].max() < 0.02
    assert found.offset[2, :2] == pytest.approx([0.35, -0.205], abs=0.02)


def test_two_stretches_in_a_strangers_frame_are_not_split_with_the_right_one_before() -> None:
    """A frame two metres off: cheaper by one wide offset than by halves of it on either side."""
    prior = np.array([0.005, 0.5, 0.5, 0.05])
    found = infer(planar([[0.1, 2.2], [0.02, 0.01], [-0.1, -2.2]]), variances(np.array([0.012, 0.03, 0.02]), 3), prior, right_sigma_m=SIGMA)
    assert (found.wrong[[0, 3]] < 0.05).all() and (found.wrong[1:3] > 0.99).all()
    assert found.offset[1:3, 1] == pytest.approx([2.2, 2.2], abs=0.06)


def test_a_base_set_up_anew_two_metres_away_is_likelier_than_so_large_a_wrong_fix() -> None:
    """Two minutes of outage, 3.3 m measured to 1.1 m: wrong fixes are not so large, frames are."""
    steps, prior = planar([[1.2, -3.1]]), np.array([0.002, 0.05])
    as_frame = infer(steps, variances(1.07, 1), prior, right_sigma_m=SIGMA, frames=Lasting(np.array([0.0, 0.05]), np.zeros(1))).wrong[1]
    assert as_frame > 1.2 * infer(steps, variances(1.07, 1), prior, right_sigma_m=SIGMA).wrong[1] > 0.1


def test_a_step_of_five_sigmas_is_believed_and_one_of_two_is_not() -> None:
    """A base set up anew 0.34 m away while its corrections were gone: bad moments of velocity seldom make so much."""
    prior = np.array([0.002, 0.05])
    seen = [infer(planar([[size, 0.0]]), variances(0.062, 1), prior, right_sigma_m=SIGMA).wrong[1] for size in (0.34, 0.12)]
    assert seen[0] > 0.15 and seen[1] < 0.06


def test_a_badly_measured_height_does_not_clear_a_stretch_whose_steps_in_plan_stand_out() -> None:
    """Another station for two minutes, 0.42 m off; behind it the road climbed where nobody saw it. Bad moments come to all steps alike."""
    steps = np.array([[0.28, -0.32, 0.5], [-0.25, 0.24, 2.1]])
    var = covariance(np.array([0.049, 0.055]) ** 2, np.array([0.263, 0.292]) ** 2)
    wrong = infer(steps, var, np.array([1e-9, 0.5, 2e-4]), right_sigma_m=SIGMA).wrong
    assert wrong[1] > 0.95 and wrong[0] < 0.01 and wrong[2] < 0.01


def test_a_step_nobody_could_measure_says_nothing() -> None:
    prior = np.array([0.01, 0.05])
    found = infer(planar([[5.0, 5.0]]), variances(1e3, 1), prior, right_sigma_m=SIGMA)
    assert found.wrong == pytest.approx(prior, rel=0.15)


def test_height_alone_can_show_a_wrong_fix() -> None:
    steps = np.array([[0.02, 0.0, 0.5], [-0.02, 0.0, -0.5]])
    prior = np.full(3, 0.02)
    assert infer(steps, variances(0.1, 2, 0.05**2), prior, right_sigma_m=SIGMA).wrong[1] > 0.95
    assert infer(steps, variances(0.1, 2), prior, right_sigma_m=SIGMA).wrong[1] < 0.05


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(-2, 2), st.floats(-2, 2), st.floats(0.001, 100)), min_size=1, max_size=12))
def test_probabilities_stay_probabilities_and_reversal_changes_nothing(rows: list[tuple[float, float, float]]) -> None:
    steps, var = planar([list(r[:2]) for r in rows]), variances(np.array([r[2] for r in rows]), len(rows))
    prior = np.linspace(0.01, 0.05, len(rows) + 1)
    found = infer(steps, var, prior, right_sigma_m=SIGMA)
    assert ((found.wrong >= 0) & (found.wrong <= 1)).all() and (found.variance > 0).all()
    back = infer(-steps[::-1], var[::-1], prior[::-1], right_sigma_m=SIGMA)
    assert back.wrong[::-1] == pytest.approx(found.wrong, abs=1e-9)


def test_what_was_taken_for_sure_can_still_be_answered_by_steps() -> None:
    """A prior of exactly one or nought has no logarithm; steps of nothing between three stretches say that they agree."""
    steps, var = np.zeros((2, 3)), np.tile([1e-6, 1e-6, 0.0, 4e-6], (2, 1))
    found = infer(steps, var, np.array([0.01, 1.0, 0.0]), right_sigma_m=(0.01, 0.02))
    assert np.isfinite(found.wrong).all() and np.isfinite(found.variance).all()
    assert found.wrong[2] < 0.01
