"""Overlapping Allan deviation against NIST SP 1065 (Riley 2008), section 12.4, tables 29 to 32, pages 107 to 109."""

from __future__ import annotations

import allantools
import numpy as np
import pytest

from analyzer.metrics.allan import FLOOR, allan_deviation, freedom

NINE_POINTS = np.asarray([892, 809, 823, 798, 671, 644, 883, 903, 677], dtype=float)


def thousand_points() -> np.ndarray:
    """Frequency data of the suite: n(i+1) = 16807 n(i) mod 2147483647 from 1234567890, divided by the modulus."""
    state, out = 1234567890, []
    for _ in range(1000):
        out.append(state / 2147483647)
        state = 16807 * state % 2147483647
    return np.asarray(out)


def test_recipe_of_the_published_set() -> None:
    """n1 = 395529916 and the mean .4897745 are printed beside the recipe."""
    data = thousand_points()
    assert data[1] * 2147483647 == pytest.approx(395529916)
    assert data.mean() == pytest.approx(0.4897745, abs=5e-8)


@pytest.mark.parametrize(("length", "published"), [(1, 91.22945), (2, 85.95287)])
def test_nine_point_set(length: int, published: float) -> None:
    """Row OADEV; printed to seven digits."""
    curve = allan_deviation(NINE_POINTS, 1.0, lengths=[length])
    assert curve["deviation"].iloc[0] == pytest.approx(published, rel=6e-8)


@pytest.mark.parametrize(("length", "published"), [(1, 2.922319e-1), (10, 9.159953e-2), (100, 3.241343e-2)])
def test_thousand_point_set(length: int, published: float) -> None:
    """Row OADEV; printed to seven digits. The non-overlapping row (9.965736e-2 at 10) must not come out."""
    curve = allan_deviation(thousand_points(), 1.0, lengths=[length])
    assert curve["deviation"].iloc[0] == pytest.approx(published, rel=2e-7)


def test_against_an_independent_implementation() -> None:
    """Random walk of rate plus white noise at 50 Hz, compared with allantools on its own averaging times."""
    random = np.random.default_rng(11)
    values = random.normal(size=20_000) + 0.01 * np.cumsum(random.normal(size=20_000))
    curve = allan_deviation(values, 50.0)
    tau, deviation, _, count = allantools.oadev(values, rate=50.0, data_type="freq", taus=curve["tau_s"].to_numpy())
    assert curve["tau_s"].to_numpy() == pytest.approx(tau)
    assert curve["deviation"].to_numpy() == pytest.approx(deviation, rel=1e-9)
    assert curve["n"].to_numpy() == pytest.approx(count)


@pytest.mark.parametrize("length", [1, 2, 8, 64])
def test_degrees_of_freedom_for_white_noise(length: int) -> None:
    """Approximate formula of SP 1065 for white FM, as allantools states it for the overlapping deviation."""
    assert freedom(5000, [length])[0] == pytest.approx(allantools.edf_simple(5001, length, 0), rel=1e-3)


def test_floor_factor() -> None:
    """IEEE 952-1997 annex C (from memory, not re-read): bias instability floor sqrt(2 ln 2 / pi) = 0.664."""
    assert pytest.approx(0.66428, abs=5e-6) == FLOOR
