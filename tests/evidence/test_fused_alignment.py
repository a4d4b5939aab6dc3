"""A heading that calls itself estimated is no evidence of alignment, however well it agrees with the course."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analyzer import tables
from analyzer.evidence.fused import by_mode, doubts_of, settling
from analyzer.evidence.slews import none_found
from analyzer.evidence.speed_heading import heading_bound
from analyzer.evidence.track import Track
from analyzer.recording import Recording
from tests.evidence.tracks import weaving
from tests.metrics.metric_tables import fixes as table


def fixes(track: Track, modes: np.ndarray) -> pd.DataFrame:
    """Return fixes whose heading is the course."""
    speed = np.hypot(*track.velocity.T)
    course = np.degrees(np.arctan2(*track.velocity.T)) % 360
    return table(track.t, latitude_deg=48.0, longitude_deg=11.0, speed_mps=speed, course_deg=course, heading_deg=course,
                 heading_mode=pd.Categorical(modes))


def modes(track: Track, until_s: float, early: str = "estimated") -> np.ndarray:
    return np.where(track.t < until_s, early, "autonomous").astype(object)


def test_an_estimated_heading_that_agrees_in_motion_leaves_what_the_comparison_cannot_see() -> None:
    """2 * 1.5 m * sin(5 deg / 2) = 0.131 m (chord of a circle)."""
    track = weaving()
    found = doubts_of(fixes(track, modes(track, 120.0)), track, none_found(len(track)))
    assert found.alignment[track.t < 120.0] == pytest.approx(0.131, abs=0.001)
    assert (found.alignment[track.t >= 120.0] == 0).all()
    assert np.isnan(found.turned_deg), "heading and course never disagreed"


def test_a_heading_that_was_estimated_at_rest_only_may_point_anywhere() -> None:
    track = weaving()
    off = by_mode(np.zeros(len(track)), fixes(track, modes(track, 20.0)), track)
    assert (off[track.t < 20.0] == 180.0).all() and (off[track.t >= 20.0] == 0).all()


def test_a_drive_whose_heading_never_was_autonomous_says_nothing_by_its_mode() -> None:
    track = weaving()
    assert (by_mode(np.zeros(len(track)), fixes(track, np.full(len(track), "not_valid", dtype=object)), track) == 0).all()


def test_epochs_without_position_are_left_alone() -> None:
    track = weaving()
    lost = replace(track, placed=track.t >= 100.0)
    off = by_mode(np.zeros(len(track)), fixes(track, modes(track, 120.0)), lost)
    assert (off[track.t < 100.0] == 0).all() and (off[(track.t >= 100.0) & (track.t < 120.0)] > 0).all()


@pytest.mark.parametrize("state", ["estimated", "float"])
def test_a_filter_that_sensors_alone_carried_owes_what_it_claimed_until_it_is_drawn_back(state: str) -> None:
    """Claims 0.3 m per axis at the end of the tunnel: 2.4477 times that (95 % radius, chi square of two) over exp(t / 3 s)."""
    track = weaving()
    inside, after = (track.t >= 100.0) & (track.t < 115.0), (track.t >= 115.0) & (track.t < 118.0)
    states = np.select([inside, after], [state, "float"], "fixed")
    track = replace(track, fixed=~inside & ~after)
    logged = fixes(track, modes(track, 0.0)).assign(
        fix_state=pd.Categorical(states, categories=tables.FIX_STATES), sigma_east_m=np.where(inside, 0.3, 0.01), sigma_north_m=np.where(inside, 0.3, 0.01))
    owed = settling(logged, track)
    if state == "float":
        assert (owed == 0).all(), "satellites helped all the time"
        return
    at = int(np.searchsorted(track.t, 118.0))
    assert owed[at] == pytest.approx(2.4477 * 0.3 * np.exp(-3.1 / 3.0), rel=0.02)
    assert (owed[track.t < 118.0] == 0).all() and (owed[track.t > 130.0] == 0).all()
    assert (np.diff(owed[at:]) <= 0).all()
    unclaimed = settling(logged.assign(sigma_east_m=np.nan, sigma_north_m=np.nan), track)
    assert unclaimed[at] == pytest.approx(100.0 * np.exp(-3.1 / 3.0), rel=0.02), "the class value of dead reckoning"
    blink = settling(logged.assign(fix_state=pd.Categorical(np.where(inside & (track.t < 113.5), "fixed", states), categories=tables.FIX_STATES)), track)
    assert (blink == 0).all(), "a second and a half of inertial navigation"


@pytest.mark.parametrize(("sigma_m", "doubted"), [(0.3, True), (0.05, False)])
def test_a_fix_whose_entry_moved_by_nobody_knows_how_much_is_unconfirmed(sigma_m: float, doubted: bool) -> None:
    """A step that was measured is weighed by itself; one that the loss hid in part leaves open what the fix is worth."""
    track = weaving(220.0)
    track = replace(track, fixed=(track.t < 100.0) | (track.t >= 108.0))
    watched = replace(none_found(len(track)), shown=np.ones(len(track), bool))
    moved = replace(watched, spans=np.array([[109.0, 115.0]]), step=np.array([[0.3, 0.1, 0.2]]), var=np.array([[sigma_m**2, sigma_m**2, 0.0, 0.01]]))
    logged = fixes(track, modes(track, 0.0)).assign(fix_state="fixed")
    assert not doubts_of(logged, track, watched).unconfirmed.any()
    found = doubts_of(logged, track, moved).unconfirmed
    assert found.any() == doubted and found[(track.t >= 108.0) & (track.t < 220.0)].all() == doubted
    late = replace(moved, spans=moved.spans + 60.0)
    assert not doubts_of(logged, track, late).unconfirmed.any(), "long behind the entry"


@pytest.mark.parametrize(("seen", "again_s", "until_s"), [(True, None, 115.0), (False, None, 228.0), (True, 200.0, 206.0), (True, 232.0, 228.0)])
def test_a_fix_that_was_watched_for_long_and_never_left_was_no_wrong_one(seen: bool, again_s: float | None, until_s: float) -> None:
    """Receivers drop wrong fixes within about two minutes (common practice): 120 s behind the last slow step nothing may move."""
    track = weaving(345.0)
    track = replace(track, fixed=(track.t < 100.0) | (track.t >= 108.0))
    spans = [[109.0, 115.0]] + ([[again_s, again_s + 6.0]] if again_s else [])
    shown = np.ones(len(track), bool) if seen else track.t < 130.0
    count = len(spans)
    moved = replace(none_found(len(track)), shown=shown, spans=np.array(spans), step=np.full((count, 3), 0.3), var=np.tile([0.09, 0.09, 0.0, 0.01], (count, 1)))
    logged = fixes(track, modes(track, 0.0)).assign(fix_state="fixed")
    for stirred in (110.0, 150.0) if until_s < 228.0 else ():
        height = replace(moved, stirred=np.abs(track.t - stirred - (until_s - 115.0)) < 2.0)
        assert (doubts_of(logged, track, height).unconfirmed == doubts_of(logged, track, moved).unconfirmed).all() == (stirred == 110.0)
    doubted = doubts_of(logged, track, moved).unconfirmed
    assert track.t[doubted][0] == pytest.approx(108.0) and track.t[doubted][-1] == pytest.approx(until_s, abs=0.11)


def test_the_bound_of_a_doubted_heading_is_the_whole_circle() -> None:
    track = weaving()
    frame = fixes(track, modes(track, 120.0, "simulated"))
    bound = heading_bound(Recording((), frame), track.t).bound
    early = track.t < 120.0
    assert (bound[early] == 180.0).all() and np.nanmedian(bound[~early]) < 5.0
