"""Settled, unsettled or not to be told; and what a log shows of a start of its receiver."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from base_wander import AUTONOMOUS, FIXED, dying_out, wander

from analyzer import tables
from analyzer.metrics.base_site_settling import Settling, answer, settling
from analyzer.metrics.base_site_shift import limits
from analyzer.metrics.base_site_start import StartUp, start_up

SECONDS = np.arange(1800.0)
SHOWN = StartUp((("satellites", "the satellites used rise from 5 to 20 in 60 s"),), 660.0)


@pytest.fixture(scope="module")
def centimetre() -> Settling:
    """Return what a settled log of centimetre grade says."""
    return settling(FIXED[:, None] * wander(np.random.default_rng(1), 1800, 80.0, white=0.1), SECONDS)


@pytest.fixture(scope="module")
def metre() -> Settling:
    """Return what a settled autonomous log says."""
    return settling(AUTONOMOUS[:, None] * wander(np.random.default_rng(2), 1800, 250.0, white=0.1), SECONDS)


def test_centimetre_log_is_settled_within_decimetres(centimetre: Settling) -> None:
    assert answer(centimetre, StartUp(), SECONDS).settled is True
    assert 0.01 < max(centimetre.detectable_m) < limits()["settle.within_m"]


def test_autonomous_log_is_never_called_settled(metre: Settling) -> None:
    """It wanders by metres: a drift of metres would not have been found, whatever the log looks like."""
    told = answer(metre, StartUp(), SECONDS)
    assert told.settled is None
    assert max(metre.detectable_m) > 3.0


def test_a_start_decides_where_positions_cannot(metre: Settling, centimetre: Settling) -> None:
    told = answer(metre, SHOWN, SECONDS)
    assert told.settled is False
    assert told.by == ("satellites",)
    assert told.steady_from == 660
    assert told.steady_at_end
    assert answer(centimetre, SHOWN, SECONDS).settled is True


def test_a_start_in_a_log_that_ends_soon_leaves_no_steady_part() -> None:
    short = settling(np.zeros((3, 60)), np.arange(60.0))
    assert short.drifts is None
    assert "shorter" in short.reason
    assert answer(short, StartUp(), np.arange(60.0)).settled is None
    told = answer(short, SHOWN, np.arange(60.0))
    assert told.settled is False
    assert not told.steady_at_end


def test_centimetre_log_that_still_converges_is_recognised() -> None:
    rng = np.random.default_rng(4)
    for size, tau in ((0.2, 150.0), (0.4, 250.0)):
        found = settling(FIXED[:, None] * wander(rng, 1800, 60.0) + dying_out(1800, size, tau), SECONDS)
        told = answer(found, StartUp(), SECONDS)
        assert told.settled is False
        assert told.by == ("drift",)
        assert told.steady_at_end
        assert told.steady_from > 1.5 * tau
        assert np.linalg.norm(found.drift_m) == pytest.approx(np.sqrt(3) * size, rel=0.4)


def epochs(count: int = 900, **columns: object) -> pd.DataFrame:
    """Return epochs of a static autonomous log at 1 Hz."""
    index = pd.date_range("2026-04-14T06:30:00Z", periods=count, freq="s").as_unit("us")
    rng = np.random.default_rng(3)
    claim = 1.2 * np.exp(0.1 * wander(rng, count, 20.0)[0])
    content = {"fix_state": "autonomous", "satellites_used": 22.0, "sigma_north_m": claim, "sigma_east_m": claim}
    return tables.FIXES.conform(pd.DataFrame(content | columns, index=index))


def kinds(fixes: pd.DataFrame, state: str = "autonomous") -> list[str]:
    """Return the signs of a start."""
    return [key for key, _ in start_up(fixes, state).signs]


def test_a_log_in_the_middle_of_running_shows_no_start() -> None:
    assert not start_up(epochs(), "autonomous")
    assert start_up(epochs(), "autonomous").until_s == 0.0
    bare = epochs(satellites_used=np.nan, sigma_north_m=np.nan, sigma_east_m=np.nan)
    assert not start_up(bare, "autonomous")


def test_each_sign_of_a_start_is_seen() -> None:
    second = np.arange(900)
    assert kinds(epochs(fix_state=np.where(second < 12, "no_fix", "autonomous"))) == ["no_position"]
    assert kinds(epochs(satellites_used=np.clip(6.0 + second // 6, 6, 22))) == ["satellites"]
    assert kinds(epochs(fix_state=np.where(second < 40, "float", "fixed")), "fixed") == ["fix_state"]
    claim = epochs()["sigma_north_m"].to_numpy() * np.hypot(1.0, 1.5 * np.exp(-second / 150.0))
    falling = epochs(sigma_north_m=claim, sigma_east_m=claim)
    assert kinds(falling) == ["claim"]
    assert 100.0 < start_up(falling, "autonomous").until_s < 600.0


def test_what_is_no_start_is_not_taken_for_one() -> None:
    second = np.arange(900)
    later = np.where((second > 300) & (second < 330), "no_fix", "autonomous")
    assert kinds(epochs(fix_state=later)) == []
    assert kinds(epochs(satellites_used=22.0 - second // 225)) == []
    assert kinds(epochs(satellites_used=19.0 + second // 225)) == []
    better = np.where(second < 40, "fixed", "float")
    assert kinds(epochs(fix_state=better), "float") == []


def test_usual_wait_counts_from_the_last_sign() -> None:
    second = np.arange(900)
    found = start_up(epochs(fix_state=np.where(second < 12, "no_fix", "autonomous")), "autonomous")
    assert found.until_s == pytest.approx(12.0 + limits()["start.wait_s"])
    assert "first 12 s" in found.signs[0][1]
