"""Growth of the bound with the age of corrections."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analyzer.evidence.ageing import Ageing, age_excess, counted, rates, with_way_back
from analyzer.evidence.claim import RADIUS_95
from analyzer.settings import thresholds
from tests.evidence.tracks import weaving


def _stale() -> np.ndarray:
    age = np.tile([1.0, 1.1], 1500)
    age[1000:1600] = 1.0 + np.arange(600) / 10
    return age


def test_the_usual_sawtooth_is_free_and_an_outage_is_not() -> None:
    ageing = age_excess(replace(weaving(), age=_stale()))
    assert ageing.free_s >= 2.0
    assert not ageing.stale[:1000].any()
    assert ageing.stale[1500]
    assert ageing.excess_s[1599] == pytest.approx(60.9 - ageing.free_s, abs=0.2)


def test_ages_that_are_no_longer_logged_go_on() -> None:
    age = _stale()
    age[1300:1600] = np.nan
    ageing = age_excess(replace(weaving(), age=age))
    assert ageing.excess_s[1599] == pytest.approx(60.9 - ageing.free_s, abs=0.3)


@pytest.mark.parametrize("true_mmps", [0.1, 5.0])
def test_an_outage_that_shows_its_own_growth_is_believed(true_mmps: float) -> None:
    track = replace(weaving(), age=_stale())
    ageing = age_excess(track)
    deviation = np.column_stack([ageing.excess_s * true_mmps / 1000, np.zeros(len(track))])
    found, _, shown = rates(ageing, track, deviation, np.full(len(track), 0.004))
    published = RADIUS_95 * 0.0007
    assert shown[1500]
    assert (found[1500] < published) == (true_mmps == 0.1)
    assert found[1500] >= true_mmps / 1000


def test_a_position_on_its_way_back_pins_nothing_and_keeps_the_bound_of_the_outage() -> None:
    track = replace(weaving(), age=_stale())
    ageing = age_excess(track)
    back = (track.t > track.t[1599]) & (track.t <= track.t[1599] + thresholds("analyzer.evidence")["ageing.back"])
    assert ageing.stale[back].all() and not ageing.excess_s[back].any() and not ageing.stale[track.t > track.t[1599] + 2.0].any()
    carried = with_way_back(ageing.excess_s, track.t)
    assert carried[back] == pytest.approx(ageing.excess_s[1599]) and (carried[~back] == ageing.excess_s[~back]).all()
    # 2 mm/s, but the last second before the age says so is on the way back already
    deviation = np.column_stack([carried * 0.002 * ~(back | (track.t > track.t[1590])), np.zeros(len(track))])
    growth, _, shown = rates(replace(ageing, excess_s=carried), track, deviation, np.full(len(track), 0.004))
    assert shown[1500] and growth[1500] > 0.002


def test_an_outage_that_nothing_measures_grows_as_published() -> None:
    track = replace(weaving(), age=_stale())
    found, measured, shown = rates(age_excess(track), track, np.full((len(track), 2), np.nan), np.full(len(track), np.nan))
    assert found[1500] == pytest.approx(RADIUS_95 * 0.0007)
    assert not shown.any() and not measured.any()


def test_an_outage_that_fits_the_published_growth_shows_nothing_against_the_position() -> None:
    """A drift of 1 mm/s known to 0.3 mm/s is bounded by 1.7 mm/s for want of knowledge: a reason to doubt, none to reject."""
    track = replace(weaving(), age=_stale())
    ageing = age_excess(track)
    deviation = np.column_stack([ageing.excess_s * 0.001, np.zeros(len(track))])
    found, measured, shown = rates(ageing, track, deviation, 0.0003 * np.maximum(ageing.excess_s, 1.0))
    assert measured[1500] and not shown.any() and found[1500] >= RADIUS_95 * 0.0007


def test_a_fused_solution_that_stands_keeps_its_error_until_it_moves() -> None:
    track = weaving()
    age = np.where((track.t > 100) & (track.t < 160), 1.0 + track.t - 100, 1.0)
    standing = (track.t > 150) & (track.t < 180)
    held = age_excess(replace(track, age=age, standing=standing), fused=True)
    gone = age_excess(replace(track, age=age, standing=standing))
    at_rest, behind = (track.t > 161) & (track.t < 179), track.t > 181
    assert held.excess_s[at_rest] == pytest.approx(held.excess_s[track.t < 160].max()) and not held.excess_s[behind].any()
    assert held.stale[at_rest].all() and not gone.excess_s[at_rest].any()


def test_ages_beyond_the_published_ones_count_more_unless_the_outage_showed_its_own_rate() -> None:
    """Lefebure's measurement ends at 30 s of age; behind it growth may be several times as fast (common practice)."""
    limits = thresholds("analyzer.evidence")
    excess = np.array([0.0, 10.0, 20.0, 50.0])
    ageing = Ageing(excess, excess > 5, 10.0)
    unseen, seen = counted(ageing, np.zeros(4, dtype=bool)), counted(ageing, np.ones(4, dtype=bool))
    assert unseen[:3] == pytest.approx(excess[:3]) and seen == pytest.approx(excess)
    assert unseen[3] == pytest.approx(20.0 + limits["ageing.beyond"] * 30.0)


def test_an_age_that_stands_still_for_long_does_not_follow_corrections() -> None:
    assert not age_excess(replace(weaving(), age=np.full(3000, 999.0))).stale.any()
    short = weaving(62.0, rate_hz=1.0)
    first = replace(short, **{name: getattr(short, name)[:3] for name in ("t", "places", "velocity", "fixed", "placed", "standing")})
    assert age_excess(replace(first, age=np.full(3, 35.0))).stale.all(), "three epochs in whole seconds may be of one age"
