"""Heights of passes of the same place: which pairs there are, what they say, and who is off."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from analyzer.evidence.blocks import SECOND
from analyzer.evidence.evidence_words import road_words
from analyzer.evidence.learnt import Learnt
from analyzer.evidence.road import (
    NOTHING,
    Pairs,
    Seconds,
    middles,
    pairs_of,
    points_of,
    road_of,
    seconds_of,
    worse_heights,
)
from analyzer.evidence.road_errors import errors_of
from analyzer.evidence.road_odds import confirmed_after, odds_of
from analyzer.evidence.track import Track
from analyzer.settings import thresholds
from tests.evidence.tracks import weaving

Floats = NDArray[np.float64]
RADIUS_M, LAP_S = 200.0, 100.0


def _laps(count: int, *, beside_m: float = 0.2, seed: int = 1, rate_hz: float = 5.0, noise_m: float = 0.01) -> Floats:
    """Return points of laps round a circle on a slope, each `beside_m` further out than the last; heights with white noise."""
    t = np.arange(round(count * LAP_S * rate_hz)) / rate_hz
    angle = 2 * np.pi * t / LAP_S
    radius = RADIUS_M + beside_m * np.floor(t / LAP_S)
    east, north = radius * np.cos(angle), radius * np.sin(angle)
    up = 0.03 * RADIUS_M * np.cos(angle) + noise_m * np.random.default_rng(seed).normal(size=len(t))
    return np.column_stack([1e9 + t, east, north, up, np.zeros(len(t))])


def _raised(points: Floats, first_s: float, last_s: float, by_m: float) -> Floats:
    out = points.copy()
    out[(out[:, 0] - 1e9 >= first_s) & (out[:, 0] - 1e9 < last_s), 3] += by_m
    return out


def test_each_second_meets_each_other_pass_once_at_its_foot_point() -> None:
    pairs = pairs_of(_laps(3, noise_m=0.0), Learnt())
    away = pairs.other_s - pairs.at_s
    assert len(pairs) == pytest.approx(3 * 100 * 2, abs=12)
    assert np.abs(away) == pytest.approx(np.round(np.abs(away) / LAP_S) * LAP_S, abs=0.2)
    # the chord of a fifth of a second lies a millimetre inside the circle, and the slope is even
    assert np.abs(pairs.off_m).max() < 0.01
    assert (np.diff(pairs.at_s) >= 0).all()


def test_passes_too_far_beside_above_or_too_soon_are_no_pairs() -> None:
    limits = thresholds("analyzer.evidence")
    assert len(pairs_of(_laps(2, beside_m=limits["road.beside"] + 0.5), Learnt())) == 0
    assert len(pairs_of(_raised(_laps(2), 100.0, 200.0, limits["road.level"] + 0.2), Learnt())) == 0
    assert len(pairs_of(_laps(1), Learnt())) == 0
    slow = _laps(1)
    slow[:, 1:3] *= 0.001  # a car that creeps about in one place stays in one pass
    assert len(pairs_of(slow, Learnt())) == 0
    assert len(pairs_of(np.zeros((0, 5)), Learnt())) == 0


@pytest.mark.parametrize(("off_m", "said"), [(0.01, "agree within 1.5 cm"), (0.5, "agree no better than to 74.1 cm")])
def test_heights_that_part_by_three_quarters_of_a_metre_are_not_said_to_agree(off_m: float, said: str) -> None:
    few = np.full(50, off_m)
    (found,) = road_words(Seconds(np.arange(50.0), few, few, np.ones(50, dtype=np.int64), np.arange(50.0)))
    assert said in found.text


def test_a_lean_of_the_road_counts_by_how_far_passes_lie_beside_each_other() -> None:
    near, far = (pairs_of(_laps(2, beside_m=x), Learnt()) for x in (0.1, 1.2))
    assert far.spread_m.mean() == pytest.approx(1.2 * thresholds("analyzer.evidence")["road.crossfall"], abs=2e-3)
    assert near.spread_m.mean() < 0.2 * far.spread_m.mean()


@pytest.mark.parametrize("lap", [0, 1, 2])
def test_of_three_passes_the_odd_one_out_is_off(lap: int) -> None:
    points = _raised(_laps(3), 100 * lap + 20.0, 100 * lap + 60.0, 0.3)
    seen = seconds_of(pairs_of(points, Learnt()))
    off = (seen.at_s - 1e9 > 100 * lap + 21) & (seen.at_s - 1e9 < 100 * lap + 59)
    assert (seen.passes[off] == 2).all() and np.isnan(seen.other_s[off]).all()
    assert seen.off_m[off] == pytest.approx(0.3, abs=0.06)
    away = (seen.at_s - 1e9 < 100 * lap + 15) | (seen.at_s - 1e9 > 100 * lap + 65)
    assert np.abs(seen.off_m[away]).max() < 0.07


def test_of_two_passes_nobody_knows_which_is_off() -> None:
    seen = seconds_of(pairs_of(_raised(_laps(2), 120.0, 160.0, 0.3), Learnt()))
    first = (seen.at_s - 1e9 > 22) & (seen.at_s - 1e9 < 58)
    second = (seen.at_s - 1e9 > 122) & (seen.at_s - 1e9 < 158)
    assert seen.off_m[first] == pytest.approx(-0.3, abs=0.06) and seen.off_m[second] == pytest.approx(0.3, abs=0.06)
    assert (seen.other_s[first] - seen.at_s[first]) == pytest.approx(LAP_S, abs=0.3)


def test_where_a_piece_disagrees_on_several_occasions_it_is_off_though_each_second_has_one_other_pass_only() -> None:
    at = np.arange(100.0, 160.0)
    other = np.where(at < 130, at + 300.0, at + 700.0)
    calm = np.arange(400.0, 1000.0, 7.0)
    one = np.r_[at, other, calm, calm + 2000.0]
    two = np.r_[other, at, calm + 2000.0, calm]
    off = np.r_[np.full(60, 0.4), np.full(60, -0.4), np.zeros(2 * len(calm))]
    own, theirs, vague = errors_of(one, two, off, np.full(len(one), 0.025))
    assert own[:60] == pytest.approx(0.4, abs=0.03) and theirs[60:120] == pytest.approx(0.4, abs=0.03)
    assert np.abs(own[60:]).max() < 0.05 and not vague.any()


@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(-1.0, 1.0), min_size=4, max_size=12), st.integers(0, 1000))
@example([0.0, 0.0, 0.0, 1e-160], 0)
def test_errors_are_the_same_whichever_way_pairs_are_given(off: list[float], seed: int) -> None:
    """The problem knows no order of the pairs."""
    at = 100.0 * np.arange(len(off))
    one, two = np.r_[at, at + 5000.0], np.r_[at + 5000.0, at]
    seen = np.r_[off, -np.asarray(off)]
    order = np.random.default_rng(seed).permutation(len(one))
    plain, mixed = (errors_of(one[k], two[k], seen[k], np.full(len(k), 0.03))[0] for k in (np.arange(len(one)), order))
    assert mixed == pytest.approx(plain[order], abs=2e-3)


def test_heights_that_are_no_matter_of_place_tell_nothing() -> None:
    points = _laps(3)
    points[:, 3] = 2.0 * np.sin((points[:, 0] - 1e9) / 37.0)
    pairs = pairs_of(points, Learnt())
    assert not pairs.telling
    assert not np.any(odds_of(pairs, np.array([[1e9, 1e9 + 150], [1e9 + 150, 1e9 + 300]])))


@pytest.mark.parametrize(("seconds", "telling"), [(0.0, True), (25.0, False)])
def test_slopes_that_differ_on_a_part_of_the_way_are_none_of_one_road(seconds: float, telling: bool) -> None:
    """Six laps agree but for `seconds` of the last, where the way climbs by 1.2 m on its own: no fix is off like that."""
    points = _laps(6)
    points[:, 3] += 0.6 - 0.6 * np.cos(2 * np.pi * np.clip(points[:, 0] - 1e9 - 520.0, 0.0, seconds) / 25.0)
    pairs = pairs_of(points, Learnt())
    assert pairs.telling == telling


def test_far_from_where_two_ways_part_the_road_goes_on_telling() -> None:
    """The same on laps of ten minutes: the rest of the way is one road, and a height that is off there still shows."""
    points = _laps(6)
    points[:, 0] = 1e9 + 6 * (points[:, 0] - 1e9)
    points[:, 3] += 0.6 - 0.6 * np.cos(2 * np.pi * np.clip(points[:, 0] - 1e9 - 3120.0, 0.0, 25.0) / 25.0)
    pairs = pairs_of(_raised(points, 1500.0, 1560.0, 0.3), Learnt())
    apart = np.abs(pairs.at_s - 1e9 - 3132.0)
    assert pairs.telling and apart.min() > 100.0 and len(np.unique(np.floor(pairs.at_s))) > 1200
    off = (pairs.at_s - 1e9 > 1502) & (pairs.at_s - 1e9 < 1558)
    assert np.median(pairs.off_m[off]) == pytest.approx(0.3, abs=0.03) and np.abs(np.median(pairs.off_m[~off])) < 0.02


@pytest.mark.parametrize(("up_m", "lasts_s", "edge_s"), [(1.0, 60.0, 0.2), (1.0, 60.0, 8.0), (1.0, 60.0, 30.0), (0.5, 30.0, 15.0)])
def test_errors_of_a_fix_are_seen_against_the_road_however_they_come(up_m: float, lasts_s: float, edge_s: float) -> None:
    """A wrong fix that steps or slews in, multipath that comes and goes within a minute or half of one."""
    points = _laps(4)
    inside = np.clip(np.minimum(points[:, 0] - 1e9 - 220.0, 220.0 + lasts_s - points[:, 0] + 1e9) / edge_s, 0.0, 1.0)
    points[:, 3] += up_m * np.sin(np.pi / 2 * inside) ** 2
    pairs = pairs_of(points, Learnt())
    assert pairs.telling and np.abs(pairs.off_m).max() == pytest.approx(up_m, abs=0.1)


def test_a_whole_pass_that_is_off_still_runs_along_the_road() -> None:
    pairs = pairs_of(_raised(_laps(2), 100.0, 200.0, 0.8), Learnt())
    assert pairs.telling and np.median(np.abs(pairs.off_m)) == pytest.approx(0.8, abs=0.05)


def test_how_well_passes_agree_is_learnt_by_minutes() -> None:
    quiet, rough = (pairs_of(_laps(12, noise_m=x), Learnt()).sigma_m for x in (0.002, 0.05))
    usual = thresholds("analyzer.evidence")["road.usual"]
    assert quiet < usual < rough < 0.05 * np.sqrt(2)
    assert np.isnan(pairs_of(_laps(2)[:1200], Learnt()).shown_m)


def test_a_spike_is_no_height_of_the_road() -> None:
    track = replace(weaving(100.0, 5.0, white_m=0.005), begun_s=1e9)
    spiked = replace(track, places=track.places.copy())
    spiked.places[300] += [0.0, 0.0, 3.0]
    plain, clean = (points_of(x, x.fixed, np.zeros(len(x))) for x in (track, spiked))
    assert len(plain) - len(clean) in (0, 1) and clean[:, 3].max() < plain[:, 3].max() + 0.1


def test_a_stand_counts_once_in_ten_seconds() -> None:
    track = replace(weaving(300.0), begun_s=1e9)
    points = points_of(track, track.fixed, np.zeros(len(track)))
    at_rest = np.interp(points[:, 0] - 1e9, track.t, track.standing.astype(float)) > 0.99
    assert at_rest.sum() == pytest.approx(track.standing.sum() / 10 / 10, abs=3)
    assert np.median(np.diff(points[~at_rest, 0])) == pytest.approx(0.2, abs=0.01)


def test_worse_moments_weigh_less() -> None:
    found = worse_heights(np.array([0.0, 50.0, 0.0]), np.array([1.0, 1.0, 3.0]))
    assert found[0] == 0.0
    assert found[1] == pytest.approx(50 * thresholds("analyzer.evidence")["road.ageing"])
    assert found[2] > thresholds("analyzer.evidence")["road.least"]


SPANS = np.array([[1e9, 1e9 + 99.5], [1e9 + 100, 1e9 + 199.5], [1e9 + 200, 1e9 + 299.5]])


def test_stretches_that_stand_apart_in_height_are_likelier_wrong_and_those_that_agree_less() -> None:
    fix, frame = odds_of(pairs_of(_raised(_laps(3), 200.0, 300.0, 0.25), Learnt()), SPANS)
    assert fix[2] > 3 and frame[2] > 3 and (fix[:2] < -1).all()
    agreeing, same = odds_of(pairs_of(_laps(3), Learnt()), SPANS)
    assert (agreeing < -1).all()
    # the first two may stand in any frame together with those behind them
    assert same[0] == 0.0 and same[2] < 0


def test_a_long_stretch_with_many_passes_has_one_say_only() -> None:
    """Three laps of a wrong fix between two right ones: the fewest and shortest errors would blame those."""
    points = _raised(_laps(5), 100.0, 400.0, 0.3)
    pairs = pairs_of(points, Learnt())
    spans = np.array([[1e9, 1e9 + 99.5], [1e9 + 100, 1e9 + 399.5], [1e9 + 400, 1e9 + 499.5]])
    assert np.abs(np.median(pairs.off_m[pairs.at_s < 1e9 + 100])) > 0.2, "second by second the shorter side seems off"
    fix, frame = odds_of(pairs, spans)
    assert fix[1] > 3 and frame[1] > 3 and (fix[[0, 2]] < -1).all()


def test_of_two_stretches_either_may_be_off_however_long() -> None:
    pairs = pairs_of(_raised(_laps(4), 100.0, 400.0, 0.3), Learnt())
    fix, _ = odds_of(pairs, np.array([[1e9, 1e9 + 99.5], [1e9 + 100, 1e9 + 399.5]]))
    assert fix[0] == pytest.approx(fix[1], abs=0.5) and fix[0] > 1


def test_a_pass_that_is_known_to_be_wrong_blames_no_other() -> None:
    pairs = pairs_of(_raised(_laps(2), 100.0, 200.0, 0.4), Learnt())
    blamed, _ = odds_of(pairs, SPANS[:2])
    cleared, _ = odds_of(pairs, SPANS[:2], np.array([0.0, 0.99]))
    assert blamed[0] > 1 and cleared[0] == 0.0


def test_of_two_stretches_beside_a_jump_that_lie_as_high_neither_is_the_likelier_to_be_off() -> None:
    """One of them is off in plan: that they agree in height is as unlikely for either, whichever is doubted more by now."""
    pairs, doubts = pairs_of(_laps(2), Learnt()), np.array([0.2, 0.8])
    fix, _ = odds_of(pairs, SPANS[:2], doubts, np.array([False, True]))
    assert fix[0] == pytest.approx(fix[1], abs=0.6) and fix.max() < -1
    elsewhere, _ = odds_of(pairs, SPANS[:2], doubts, np.array([False, False]))
    assert elsewhere[0] == 0.0, "behind a loss both may be off alike: the doubted one confirms nothing"
    raised, _ = odds_of(pairs_of(_raised(_laps(2), 100.0, 200.0, 0.4), Learnt()), SPANS[:2], np.array([0.0, 0.99]), np.array([False, True]))
    assert raised[0] == 0.0, "one that is off in height as well says nothing of the other"


def test_a_second_or_two_are_no_encounter() -> None:
    pairs = pairs_of(_raised(_laps(2), 100.0, 200.0, 0.4), Learnt())
    short = pairs.where(pairs.at_s < pairs.at_s[0] + 0.5)
    assert not np.any(odds_of(short, SPANS))
    assert not np.any(odds_of(NOTHING, SPANS))


def test_a_fix_is_confirmed_by_passes_outside_it() -> None:
    span = (1e9 + 200.0, 1e9 + 299.9)
    pairs = pairs_of(_laps(3), Learnt())
    assert confirmed_after(pairs, span) < 5.0
    assert confirmed_after(pairs_of(_raised(_laps(3), 200.0, 300.0, 0.2), Learnt()), span) == np.inf
    assert confirmed_after(pairs, (1e9, 1e9 + 300.0)) == np.inf
    assert confirmed_after(NOTHING, span) == np.inf
    late = pairs.where(pairs.at_s > span[0] + 60.0)
    assert confirmed_after(late, span) == pytest.approx(61.0, abs=1.5), "from where the road was met, not before"


def test_a_block_sees_passes_of_the_whole_drive() -> None:
    """Rows that other blocks noted count as other passes, and only the block's own seconds are asked."""
    whole = _laps(3)

    def block(first: int, last: int, learnt: Learnt) -> Track:
        rows = whole[first:last]
        count = len(rows)
        yes: NDArray[np.bool_] = np.ones(count, dtype=bool)
        return Track(t=rows[:, 0] - rows[0, 0], places=rows[:, 1:4], velocity=np.ones((count, 2)), fixed=yes, placed=yes, standing=~yes,
                     age=np.ones(count), nominal_s=0.2, begun_s=float(rows[0, 0]), learnt=learnt)

    notes = []
    for first in (0, 500, 1000):
        noting = Learnt(noting=True)
        track = block(first, first + 500, noting)
        assert len(road_of(track, track.fixed, np.zeros(500))) == 0
        notes.append(noting)
    known = Learnt(Learnt.pooled(notes).known(but=SECOND))
    track = block(500, 1000, known)
    pairs = road_of(track, track.fixed, np.zeros(500))
    assert (pairs.at_s >= whole[500, 0]).all() and (pairs.at_s < whole[1000, 0]).all()
    assert (pairs.other_s < whole[500, 0]).any() and (pairs.other_s > whole[999, 0]).any()


def test_pairs_are_taken_apart_by_a_mask() -> None:
    pairs = pairs_of(_laps(2), Learnt())
    part = pairs.where(pairs.at_s < 1e9 + 50)
    assert isinstance(part, Pairs) and 0 < len(part) < len(pairs) and part.sigma_m == pairs.sigma_m
    seen = seconds_of(pairs)
    assert len(seen.where(seen.at_s < 1e9 + 50).at_s) < len(type(seen).joined([seen, seen]).at_s) == 2 * len(seen.at_s)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.lists(st.floats(-5, 5), min_size=1, max_size=6), min_size=1, max_size=8), st.randoms(use_true_random=False))
def test_medians_of_groups_are_those_of_each_by_itself(groups: list[list[float]], shuffled: random.Random) -> None:
    rows = [(value, k) for k, group in enumerate(groups) for value in group]
    shuffled.shuffle(rows)
    found = middles(np.array([v for v, _ in rows]), np.array([k for _, k in rows]))
    assert found == pytest.approx([np.median(group) for group in groups])


def test_many_laps_are_held_against_those_around_them() -> None:
    """Pairs grow with the laps, not with their square, and a lap that is off is told from the others all the same."""
    few, many = (len(pairs_of(_laps(count, rate_hz=1.0, beside_m=0.0), Learnt())) for count in (20, 80))
    most = int(thresholds("analyzer.evidence")["road.passes"])
    wanted = [sum(min(k, most) + min(count - 1 - k, most) for k in range(count)) for count in (20, 80)]
    assert 3 * wanted[1] < 80 * 79 and many / few == pytest.approx(wanted[1] / wanted[0], rel=0.03)
    points = _laps(60, rate_hz=1.0, beside_m=0.0)
    off = (points[:, 0] >= 1e9 + 30 * LAP_S) & (points[:, 0] < 1e9 + 31 * LAP_S)
    points[off, 3] += 0.4
    spans = np.column_stack([1e9 + np.arange(60) * LAP_S, 1e9 + np.arange(1, 61) * LAP_S - 1.0])
    fix, _ = odds_of(pairs_of(points, Learnt()), spans)
    assert int(np.argmax(fix)) == 30 and fix[30] > 0 and (np.delete(fix, 30) < 0).all()


def test_heights_that_mostly_do_not_return_are_held_against_nothing() -> None:
    """A height that goes by the time and not by the place; one pass that is off among others stays a witness."""
    points = _laps(8)
    wandering = points.copy()
    wandering[:, 3] += 0.9 * np.sin(2 * np.pi * (points[:, 0] - 1e9) / 273.0)
    assert len(pairs_of(wandering, Learnt())) == 0
    assert len(pairs_of(_raised(points, 300.0, 370.0, 0.6), Learnt())) > 1000
