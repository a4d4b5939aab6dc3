"""Rulers of the whole drive from the notes of its blocks."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.evidence.learnt import Learnt, Pool, Sketch


@pytest.mark.parametrize("share", [0.05, 0.5, 0.95])
def test_quantiles_of_blocks_are_those_of_all_samples(share: float) -> None:
    """Blocks of very different size and spread; numpy on all samples at once says what is right."""
    draws = np.random.default_rng(4)
    blocks = [np.abs(draws.normal(0, s, n)) for s, n in ((0.01, 40_000), (0.05, 3000), (0.002, 90_000), (1.0, 20))]
    pool = Pool.of([Sketch.of(b) for b in blocks])
    assert pool.quantile(share) == pytest.approx(float(np.quantile(np.concatenate(blocks), share)), rel=0.01)
    assert pool.count == sum(map(len, blocks))


@given(st.lists(st.lists(st.floats(-1e6, 1e6), max_size=40), min_size=1, max_size=5), st.floats(0, 1))
def test_a_pooled_quantile_lies_among_the_samples(blocks: list[list[float]], share: float) -> None:
    pool = Pool.of([Sketch.of(np.array(b)) for b in blocks])
    everything = [x for b in blocks for x in b]
    found = pool.quantile(share)
    assert (min(everything) <= found <= max(everything)) if everything else np.isnan(found)


def test_judged_at_once_nothing_is_noted_and_the_ruler_is_the_drives() -> None:
    values = np.array([3.0, 1.0, 2.0])
    learnt = Learnt()
    assert learnt.quantile("x", values) == 2.0 and learnt.sigma("x", -values) == pytest.approx(2 * 1.4826)
    assert learnt.of("y", 5, "first") == 5 and learnt.notes == {}
    assert learnt.quantile("x", values[:0], empty=7.0) == 7.0


def test_rules_join_what_blocks_saw() -> None:
    notes = []
    for number, (flag, word) in enumerate([(True, None), (False, "gnss"), (True, "fused"), (True, "fused")]):
        one = Learnt(noting=True)
        one.of("any", flag, "any")
        one.of("all", flag, "all")
        one.of("first", word, "first")
        one.of("most", word, "most")
        one.rows("rows", np.array([[number]]), np.array([0.0]))
        notes.append(one)
    known = Learnt.pooled(notes)
    assert known.of("any", False, "any") and not known.of("all", True, "all")
    assert known.of("first", "x", "first") == "gnss" and known.of("most", "x", "most") == "fused"
    assert known.rows("rows", np.zeros((0, 1)), np.zeros(0)).ravel().tolist() == [0, 1, 2, 3]


def test_no_moment_counts_twice() -> None:
    """Blocks overlap; samples with times are noted from the core alone."""
    t = np.arange(10.0)
    notes = []
    for low, high in ((0.0, 5.0), (5.0, 10.0)):
        one = Learnt(noting=True, core_s=(low, high))
        one.quantile("t", t, when_s=t)
        notes.append(one)
    assert Learnt.pooled(notes).count("t", 0) == 10


def test_second_rulers_are_learnt_with_the_first() -> None:
    first = Learnt(noting=True)
    first.quantile("noise", np.array([1.0]))
    first.quantile("slow", np.array([1.0]))
    known = Learnt.pooled([first])
    second = Learnt(known.known(but=("slow",)), noting=True)
    assert second.quantile("noise", np.array([9.0])) == 1.0 and second.quantile("slow", np.array([5.0])) == 5.0
    both = Learnt.pooled([second])
    assert both.quantile("noise", np.array([9.0])) == 1.0 and both.quantile("slow", np.array([9.0])) == 5.0
