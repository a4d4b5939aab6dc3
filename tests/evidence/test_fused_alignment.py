"""A heading that calls itself estimated is no evidence of alignment, however well it agrees with the course."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analyzer.evidence.fused import by_mode, doubts_of
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


def test_the_bound_of_a_doubted_heading_is_the_whole_circle() -> None:
    track = weaving()
    frame = fixes(track, modes(track, 120.0, "simulated"))
    bound = heading_bound(Recording((), frame), track.t).bound
    early = track.t < 120.0
    assert (bound[early] == 180.0).all() and np.nanmedian(bound[~early]) < 5.0
