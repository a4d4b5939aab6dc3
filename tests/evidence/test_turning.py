"""An antenna offset that turns with the car, in a log with a pause."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analyzer.evidence.turning import turning_offset
from tests.evidence.tracks import weaving


@pytest.mark.parametrize("pause_s", [0.0, 3600.0])
def test_what_was_driven_during_a_pause_is_no_offset(pause_s: float) -> None:
    """Half a metre forward is planted; 40 km lie between the halves, which no velocity tells."""
    track = weaving(260.0)
    later = np.arange(len(track)) >= len(track) // 2
    track = replace(track, t=track.t + pause_s * later)
    ahead = track.velocity / np.maximum(np.hypot(*track.velocity.T), 1e-3)[:, None]
    residual = 0.5 * ahead + (40_000.0 if pause_s else 0.0) * later[:, None] * np.array([0.6, 0.8])
    found = turning_offset(track, residual, ~track.standing)
    assert found is not None and found.is_offset
    assert (found.forward_m, found.left_m) == pytest.approx((0.5, 0.0), abs=0.02)


@pytest.mark.parametrize("pause_s", [3.0, 7.5])
def test_a_short_gap_in_a_bend_is_no_offset_either(pause_s: float) -> None:
    """Nothing is planted; what the missing seconds moved is not by the velocity that is left."""
    track = weaving(260.0)
    later = np.arange(len(track)) >= len(track) // 2
    track = replace(track, t=track.t + pause_s * later)
    rng = np.random.default_rng(3)
    residual = 0.004 * rng.standard_normal((len(track), 2)) + later[:, None] * np.array([0.11, -11.0])
    assert turning_offset(track, residual, ~track.standing) is None
