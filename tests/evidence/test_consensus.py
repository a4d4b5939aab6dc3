"""Stretches decided together: what shares a stranger's frame."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from analyzer.evidence.chain import Lasting, Posterior, covariance
from analyzer.evidence.consensus import UNKNOWN_VAR, Chain, consensus
from analyzer.evidence.prior import PriorOf
from analyzer.evidence.road import NOTHING
from analyzer.evidence.stretches import Stretches

FAR = 1e3  # variance of a step across a loss that nothing bridges [m²]


def decide(steps: list[list[float]], variances: list[float], foreign: list[bool]) -> Posterior:
    """Return the posterior of stretches of ten epochs each; foreign ones are as likely off as not."""
    count = len(foreign)
    spans = np.column_stack([np.arange(count), np.arange(1, count + 1)]) * 10
    stretches = Stretches(spans, np.zeros(count, dtype=bool), np.zeros(0, dtype=np.int64))
    chain = Chain(stretches, np.array(steps), covariance(np.array(variances), np.array(variances)), np.zeros(count, dtype=bool), np.zeros(count, dtype=bool))

    class Prior(SimpleNamespace):
        def parts(self, *_: object, **__: object) -> tuple[np.ndarray, Lasting]:
            return np.where(foreign, 0.5, 0.01), Lasting(np.where(foreign, 0.5, 0.0), np.zeros(len(foreign) - 1))

    return consensus(chain, cast(PriorOf, Prior(foreign=np.repeat(foreign, 10), road=NOTHING)))


def test_that_foreign_stretches_fit_each_other_says_nothing_for_their_frame() -> None:
    """Two stretches in one stranger's frame fit each other as well as two right ones do."""
    found = decide([[9.0, 2.0, 1.0], [0.01, 0.0, 0.0], [-5.0, 3.0, 0.0]], [FAR, 2e-3, FAR], [False, True, True, False])
    assert found.wrong[1] == found.wrong[2] >= 0.5 and (found.wrong[[0, 3]] < 0.05).all()
    assert (found.variance[1:3] >= UNKNOWN_VAR).all()


def test_a_measured_step_to_the_own_base_clears_or_condemns_them_together() -> None:
    cleared = decide([[0.01, 0.0, 0.0], [0.0, 0.01, 0.0], [9.0, 0.0, 0.0]], [4e-4, 4e-4, FAR], [False, True, True, False])
    assert (cleared.wrong < 0.1).all()
    off = decide([[1.5, 0.0, 0.0], [0.0, 0.01, 0.0], [9.0, 0.0, 0.0]], [4e-4, 4e-4, FAR], [False, True, True, False])
    assert (off.wrong[1:3] > 0.9).all()
    assert off.offset[1:3, 0] == pytest.approx([1.5, 1.5], abs=0.1)


def test_stretches_of_the_own_base_are_left_as_they_are() -> None:
    found = decide([[0.0, 0.0, 0.0], [9.0, 0.0, 0.0]], [4e-4, FAR], [False, False, False])
    assert (found.wrong < 0.02).all() and found.variance.max() < UNKNOWN_VAR


def test_each_round_is_decided_by_what_the_round_before_found() -> None:
    """Heights of stretches that turned out wrong speak against no other: the prior of a round looks at the verdicts of the last one."""
    spans = np.array([[0, 10], [10, 20]])
    chain = Chain(Stretches(spans, np.zeros(2, dtype=bool), np.zeros(0, dtype=np.int64)), np.zeros((1, 3)),
                  covariance(np.array([FAR]), np.array([FAR])), np.zeros(2, dtype=bool), np.zeros(2, dtype=bool))
    seen: list[float] = []

    class Prior(SimpleNamespace):
        def parts(self, _: object, __: object, wrong: np.ndarray | None = None, **___: object) -> tuple[np.ndarray, Lasting]:
            last = 0.4 if wrong is None else float(wrong[0]) / 2
            seen.append(last)
            return np.array([last, 0.01]), Lasting.none(2)

    found = consensus(chain, cast(PriorOf, Prior(foreign=np.zeros(20, dtype=bool), road=SimpleNamespace(telling=True))))
    assert seen == pytest.approx([0.4, 0.2, 0.1, 0.05], rel=0.02) and found.wrong[0] == pytest.approx(0.05, rel=0.02)
