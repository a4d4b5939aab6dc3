"""What the last digit of a speed hides of the way."""

from __future__ import annotations

import numpy as np
import pytest

from analyzer.evidence.rounding import rounded_var, step_of

KNOT = 1852.0 / 3600.0


@pytest.mark.parametrize(("digits", "step"), [(1, 0.1 * KNOT), (2, 0.0), (3, 0.0)])
def test_the_step_is_found_in_the_unit_it_was_written_in(digits: int, step: float) -> None:
    speed = np.round(np.linspace(0.0, 40.0, 2000), digits) * KNOT
    assert step_of(speed) == pytest.approx(step)
    assert step_of(np.round(np.linspace(0.0, 120.0, 3000), 1) / 3.6) == pytest.approx(0.1 / 3.6)
    assert step_of(np.full(5, np.nan)) == 0.0


def test_at_constant_speed_rounding_errs_to_one_side() -> None:
    """A uniform error of a tenth of a knot: over runs at many constant speeds the way is off as the variance says."""
    rng = np.random.default_rng(1)
    t = np.arange(0.0, 10.0, 0.2)
    missed, said = [], []
    for _ in range(200):
        true = rng.uniform(10.0, 20.0)
        logged = np.round(np.full(len(t), true) / KNOT, 1) * KNOT
        missed.append((logged - true).mean() * 10.0)
        ramp = np.r_[logged, np.round(np.arange(0.0, 30.0, 0.1), 1) * KNOT]  # what shows the step
        said.append(rounded_var(np.arange(len(ramp)) * 0.2, ramp)[: len(t) - 1].sum())
    assert np.mean(said) == pytest.approx(np.mean(np.square(missed)), rel=0.25)
    noisy = np.round((15.0 + 0.1 * rng.normal(size=len(t))) / KNOT, 1) * KNOT
    assert rounded_var(t, noisy).sum() < 0.05 * np.mean(said), "noise beyond the step averages it out"
    assert not rounded_var(t, np.round(noisy, 4) * 0.0).any(), "a stand is no way"
